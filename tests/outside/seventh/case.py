"""One case: a card, its faults, when they act, what the bus showed, and what is true of it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from .analyser import Setting, draw_setting, record
from .card import CONTROLS, Card, Plan, build, draw_plan
from .faults import Fault, class_of, compile_card, every
from .nets_kernel import Ints, run_kernel
from .traffic import TESTS, make


@dataclass
class Case:
    """All that is written out for one case."""

    card: Card
    faults: list[Fault]
    kinds: Ints
    addresses: Ints
    datas: Ints
    act: Ints
    setting: Setting
    fill: int = 1
    out: Ints = field(default_factory=lambda: np.zeros((5, 0), np.int64))
    when: str = "always"
    board: str = ""
    notes: dict[str, Any] = field(default_factory=dict)


def levels(card: Card) -> Ints:
    """Give the control lines' levels: [read or write, before or at the strobe, line]."""
    lines = CONTROLS[card.cpu]
    table = np.ones((2, 2, len(lines)), np.int64)
    for k, name in enumerate(lines):
        if name in ("PHI2", "E"):
            table[:, 0, k] = 0
        elif name == "RW":
            table[1, :, k] = 0
        elif name == "IOM":
            table[:][:, :, k] = 0
        elif name == "MREQ":
            table[:, 1, k] = 0
        elif name in ("RD", "MEMR", "MRD"):
            table[0, 1, k] = 0
        else:
            table[1, 1, k] = 0
    return table


def replay(case: Case, faults: list[Fault], expect: Ints | None = None, act: Ints | None = None) -> tuple[int, Ints]:
    """Run the case's accesses with some faults; stop at the first difference from ``expect`` (data, addresses)."""
    arrays = compile_card(case.card, faults, case.fill).arrays
    out = np.zeros((5, len(case.kinds)), np.int64)
    ran = run_kernel(
        case.act if act is None else act, case.kinds, case.addresses, case.datas, levels(case.card),
        arrays["ctl_nets"], arrays["a_nets"], arrays["d_nets"], int(case.card.cpu == "8085"),
        arrays["info"], arrays["pins"], arrays["weak"], arrays["supply"], arrays["floats"], arrays["pulls"],
        arrays["slow"], arrays["bad"], arrays["cells"].copy(), arrays["moved"], arrays["watch"],
        np.zeros((0, 0), np.int64) if expect is None else expect, out,
        np.zeros((4, max(arrays["supply"].shape[1], len(arrays["info"]))), np.int64), 7,
    )  # fmt: skip
    return ran, out


def ledger(case: Case, out: Ints) -> tuple[Ints, Ints]:
    """Hold each read against the last write seen at the address seen; give what was expected (-1) and what is wrong."""
    held: dict[int, int] = {}
    for row in case.card.rows:
        if row.rom:
            held.update({row.start + i: b for i, b in enumerate(row.image)})
    roms = {a for r in case.card.rows if r.rom for a in range(r.start, r.start + r.size)}
    spans = [(r.start, r.start + r.size) for r in case.card.rows]
    expected = np.full(len(case.kinds), -1, np.int64)
    for i, (kind, a, d) in enumerate(zip(case.kinds.tolist(), out[0].tolist(), out[1].tolist(), strict=True)):
        if not any(lo <= a < hi for lo, hi in spans):
            continue
        if kind == 1 and a not in roms:
            held[a] = d
        elif kind != 1:
            expected[i] = held.get(a, -1)
    wrong = np.where((expected >= 0) & (expected != out[1]), expected ^ out[1], 0)
    return expected, wrong


def stopped(case: Case, out: Ints) -> bool:
    """Tell whether the processor would have left its program: a fetch beside the card came wrong."""
    fetch = case.kinds == 2
    return bool((fetch & ((out[1] != case.datas) | (out[0] != case.addresses))).any())


def spoiled(case: Case, faults: list[Fault]) -> int:
    """Count the reads that a set of faults spoils."""
    return int((ledger(case, replay(case, faults)[1])[1] > 0).sum())


def bursts(rng: Random, case: Case, style: str) -> Ints:
    """Draw when a contact fails: in bursts, rising with heat, or when many lines switch."""
    count = len(case.kinds)
    draw = np.random.default_rng(rng.randrange(1 << 30))
    act = np.zeros(count, np.int64)
    if style == "switching":
        many = np.zeros(count)
        moves = case.addresses[1:] ^ case.addresses[:-1]
        many[1:] = [int(m).bit_count() for m in moves]
        limit = np.quantile(many, 0.93)
        act[(many >= max(limit, 3)) & (draw.random(count) < 0.7)] = 1
        return act
    at = 0
    while at < count:
        share = 0.02 + 0.3 * (at / count) ** 2 if style == "heat" else 0.08
        off = int(draw.exponential(400)) + 20
        on = max(1, int(draw.exponential(off * share)))
        at += off
        act[at : at + on] = 1
        at += on
    return act


def draw(kind: str, seed: int, plan: Plan | None = None) -> Case:
    """Draw a case of a kind."""
    rng = Random(f"{kind}-{seed}")
    for _ in range(60):
        plan_now = plan or draw_plan(rng)
        card = build(plan_now, rng)
        tests = rng.sample(list(TESTS), rng.choice([1, 2, 2, 3]))
        kinds, addresses, datas = make(card, rng, tests)
        case = Case(card, [], kinds, addresses, datas, np.ones(len(kinds), np.int64), draw_setting(rng, card),
                    rng.randrange(1 << 20))  # fmt: skip
        case.notes["tests"] = tests
        if kind == "healthy":
            case.act[:] = 0
            case.out = replay(case, [])[1]
            return case
        listed = every(card)
        if kind == "bridges":
            listed = [f for f in listed if f.kind == "bridge"]
        case.faults = rng.sample(listed, 2 if kind == "pairs" else 1)
        if rng.random() < 0.5:
            case.when = rng.choice(["bursts", "heat", "switching"])
            case.act = bursts(rng, case, case.when)
            if case.faults[0].kind == "open" and rng.random() < 0.5:
                one = case.faults[0]
                case.faults[0] = Fault("open", one.chip, one.pin, mode=rng.choice(["keep", "drift", "low", "high"]))
        case.out = replay(case, case.faults)[1]
        if stopped(case, case.out):
            continue
        wrong = ledger(case, case.out)[1]
        if (wrong > 0).sum() >= 4 and (kind != "pairs" or all(spoiled(case, [f]) >= 4 for f in case.faults)):
            return case
    raise RuntimeError(f"no case drawn for {kind} {seed}")


def ties(case: Case) -> list[Fault]:
    """List every other single fault that gives the same bus, of those within a chip of the true one.

    Program fetches are left out of the run that compares: they never reach the card.
    """
    if len(case.faults) != 1:
        return []
    card, fault = case.card, case.faults[0]
    pick = case.kinds < 2
    short = Case(card, case.faults, case.kinds[pick], case.addresses[pick], case.datas[pick], case.act[pick],
                 case.setting, case.fill)  # fmt: skip
    out = replay(short, case.faults)[1]
    expect = np.ascontiguousarray(np.stack([out[1], out[0]]))
    own = set(nets_of(card, fault)) - {"VCC", "GND"}
    if fault.chip != "edge":
        own |= set(card.chips[card.chip(fault.chip)].at.values()) - {"VCC", "GND"}
    near = {c.name for c in card.chips if own & set(c.at.values())}
    found = []
    for other in every(card):
        if other == fault or not (other.chip in near or other.chip == "edge") or not own & set(nets_of(card, other)):
            continue
        ran, got = replay(short, [other], expect)
        if ran == len(short.kinds) and got[1, -1] == out[1, -1] and got[0, -1] == out[0, -1]:
            found.append(other)
    return found


def nets_of(card: Card, fault: Fault) -> list[str]:
    """Name the nets that a fault touches."""
    if fault.chip == "edge":
        return [fault.pin] + ([fault.other] if fault.other else [])
    at = card.chips[card.chip(fault.chip)].at
    return [at[p] for p in (fault.pin, fault.other) if p in at]


def write(case: Case, folder: Path) -> dict[str, Any]:
    """Write capture, board, accesses and truth; give the truth."""
    folder.mkdir(parents=True, exist_ok=True)
    card = case.card
    times = record(card, case.kinds, case.addresses, case.out, case.setting, Random(case.fill), folder / "capture.vcd")
    (folder / "board.toml").write_text(case.board or card.board())
    for row in card.rows:
        if row.rom:
            (folder / f"{row.name}.bin").write_bytes(case.notes.get("image", row.image))
    expected, wrong = ledger(case, case.out)
    rows = ["index,time_s,kind,address,seen,sent,data,expected,wrong,act"]
    for i in range(len(case.kinds)):
        rows.append(
            f"{i},{times[i]:.9f},{'rwf'[case.kinds[i]]},{case.addresses[i]:04X},{case.out[0, i]:04X},"
            f"{case.datas[i]:02X},{case.out[1, i]:02X},{'' if expected[i] < 0 else f'{expected[i]:02X}'},"
            f"{wrong[i]:02X},{case.act[i]}"
        )
    (folder / "accesses.csv").write_text("\n".join(rows) + "\n")
    same = ties(case) if "ties" not in case.notes else case.notes["ties"]
    truth = {
        "cpu": card.cpu, "style": card.style, "when": case.when, "tests": case.notes.get("tests"),
        "rate": case.setting.rate, "compared": int((expected >= 0).sum()), "mismatches": int((wrong > 0).sum()),
        "lanes": [int(((wrong >> k) & 1).sum()) for k in range(8)],
        "faults": [
            {"text": f.line(card), "chip": f.chip, "pin": f.pin, "other": f.other, "kind": f.kind, "mode": f.mode,
             "class": class_of(card, f), "nets": nets_of(card, f), "alone": spoiled(case, [f])}
            for f in case.faults
        ],
        "mends": sorted({f.chip for f in case.faults}),
        "whole": [r.name for r in card.rows if len(r.chips) == 1 and r.chips[0][0] in {f.chip for f in case.faults}],
        "ties": [f.line(card) for f in same], "tied_parts": sorted({f.chip for f in same}),
        "tied_nets": sorted({n for f in same for n in nets_of(card, f)}), "odd": case.notes.get("odd", ""),
    }  # fmt: skip
    (folder / "truth.json").write_text(json.dumps(truth, indent=1))
    return truth
