"""Draws cases of a kind, runs the check on each and counts.

    python -m tests.outside.fifth.run --kind many --seed 1 --count 12 --out DIR
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from tests.outside.fifth.cases import KINDS, draw_case
from tests.outside.fifth.judge import Verdict, judge


def line(one: Verdict) -> str:
    """A case in a line."""
    more = f" named {one.named}/{one.to_name}" if one.to_name else ""
    wrong = f" innocents {','.join(one.innocents)}" if one.innocents else ""
    return f"{one.name:24} {one.word:24} exit {one.status}{more}{wrong} | {one.truth[:110]} | {'; '.join(one.first)}"


def totals(kind: str, all_of: Sequence[Verdict]) -> str:
    """What it comes to."""
    count = len(all_of)
    if kind in ("healthy", "unusual"):
        rivals = [one for one in all_of if one.rival_first is not None]
        return (f"{kind}: {count} cases, accused {sum(one.accused for one in all_of)}, right rival first "
                f"{sum(bool(one.rival_first) for one in rivals)} of {len(rivals)}, "
                f"a rival where there is none {sum(one.word == 'FALSE RIVAL' for one in all_of)}")
    named, wanted = sum(one.named for one in all_of), sum(one.to_name for one in all_of)
    innocents, convicted = sum(len(one.innocents) for one in all_of), sum(one.convicted for one in all_of)
    whole = sum(one.named == one.to_name and not one.innocents for one in all_of)
    first = ""
    if kind.startswith("single"):
        first = (f"right part first {sum(one.first_right for one in all_of)} of {count}, fault named right "
                 f"{sum(one.fault_right for one in all_of)}; ")
    return (f"{kind}: {count} cases, {first}named {named} of {wanted} shown, innocents {innocents} of {convicted} "
            f"named, all right {whole} of {count}, clip or machine blamed in {sum(one.accused for one in all_of)}")


def main(words: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", required=True, choices=KINDS)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=12)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--draw-only", action="store_true", help="write the cases, run nothing")
    parser.add_argument("--judge-only", action="store_true", help="the cases are there")
    told = parser.parse_args(words)
    all_of: list[Verdict] = []
    for number in range(told.first, told.first + told.count):
        folder = told.out / f"{told.kind}_{told.seed}_{number}"
        if not told.judge_only:
            draw_case(told.kind, told.seed, number, folder)
        if told.draw_only:
            continue
        verdict = judge(folder)
        all_of.append(verdict)
        print(line(verdict), flush=True)
    if all_of:
        print(totals(told.kind, all_of))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
