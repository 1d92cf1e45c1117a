"""Go through every pin of a card: open, to GND, to VCC, bridged; hard and now and then; count by class of pin."""

from __future__ import annotations

import argparse
import hashlib
import json
from collections import Counter
from pathlib import Path
from random import Random

import numpy as np

from .analyser import Setting
from .card import Plan, build
from .case import Case, bursts, ledger, replay, stopped, ties, write
from .faults import Fault, class_of, every
from .run import report
from .traffic import make

STYLES = {
    "z80": Plan("z80", "2114", 3, "245", True, "138", False, 1, False, False, False, False),
    "6502": Plan("6502", "6116", 2, "none", False, "138", True, 1, False, False, False, False),
    "8085": Plan("8085", "2102", 2, "244", True, "42", False, 2, False, True, False, False),
    "6809": Plan("6809", "6116", 3, "245", False, "139", True, 1, True, False, False, True),
}
TESTS = ["march", "address", "program"]


def base_case(style: str) -> Case:
    """Make the card of a style with its traffic, sound."""
    rng = Random(f"campaign-{style}")
    card = build(STYLES[style], rng)
    kinds, addresses, datas = make(card, rng, TESTS, 1800)
    return Case(card, [], kinds, addresses, datas, np.ones(len(kinds), np.int64), Setting(50e6, 0.5, 0, 0), 5)


def groups(case: Case) -> dict[str, list[Fault]]:
    """Put the faults that give the same bus together; leave out those that spoil fewer than four reads."""
    found: dict[str, list[Fault]] = {}
    quiet: Counter[str] = Counter()
    for fault in every(case.card):
        out = replay(case, [fault])[1]
        if (ledger(case, out)[1] > 0).sum() < 4:
            quiet[class_of(case.card, fault)] += 1
            continue
        key = hashlib.sha1(np.stack([out[0], np.where(case.kinds < 2, out[1], 0)]).tobytes()).hexdigest()
        found.setdefault(key, []).append(fault)
    print("not shown:", dict(quiet), flush=True)
    return found


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--style", choices=list(STYLES), required=True)
    parser.add_argument("--when", choices=["always", "bursts"], default="always")
    parser.add_argument("--most", type=int, default=12, help="groups of each class to check")
    parser.add_argument("--quick", action="store_true", help="group the faults only with those near each one")
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    case = base_case(options.style)
    rng = Random(f"{options.style}-{options.when}")
    if options.when == "bursts":
        case.act = bursts(rng, case, "bursts")
    listed = [[f] for f in every(case.card)] if options.quick else list(groups(case).values())
    rng.shuffle(listed)
    taken: Counter[str] = Counter()
    weight: dict[str, Counter[str]] = {}
    counts: dict[str, Counter[str]] = {}
    for same in listed:
        fault = rng.choice(same)
        label = f"{class_of(case.card, fault)} {fault.kind}"
        if taken[label] >= options.most:
            continue
        now = Case(case.card, [fault], case.kinds, case.addresses, case.datas, case.act, case.setting, case.fill)
        now.when = options.when
        now.out = replay(now, [fault])[1]
        if stopped(now, now.out) or (ledger(now, now.out)[1] > 0).sum() < 4:
            continue
        taken[label] += 1
        same = [fault, *ties(now)] if options.quick else same
        now.notes.update(ties=[f for f in same if f != fault], tests=TESTS)
        name = f"{options.style}_{options.when}_{fault.chip}_{fault.pin}_{fault.kind}{fault.other}_{fault.mode}"
        folder = options.out / name
        truth = write(now, folder)
        text, verdict = report(folder, truth)
        print(text, flush=True)
        counts.setdefault(label, Counter())[verdict["verdict"]] += 1
        weight.setdefault(label, Counter())[verdict["verdict"]] += len(same)
    for label in sorted(counts):
        print(f"COUNT {label}: " + ", ".join(f"{k} {v}" for k, v in counts[label].most_common()))
    print("TOTAL", dict(sum(counts.values(), Counter())))
    (options.out / f"{options.style}_{options.when}.json").write_text(
        json.dumps({k: dict(v) for k, v in weight.items()})
    )


if __name__ == "__main__":
    main()
