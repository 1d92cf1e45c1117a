"""Are the captures sane? A plain reading of the files alone, as a person with a ruler would do it.

    python -m tests.outside.rivals.selfcheck --seed 0 --count 20 --kinds healthy-plain,healthy-stray

Each sampling edge: address and data on the last sample before it. Healthy cases must have no wrong read.
"""

from __future__ import annotations

import argparse
import re
import tomllib
from dataclasses import dataclass

import numpy as np

from .cases import KINDS, Case, make

ORDINARY = re.compile(r"^(?:/|~|n(?=[A-Z]))?([A-Z]+\d*)(?:_n|_L)?$")


@dataclass
class Reading:
    """What the plain reading found."""

    cycles: int
    compared: int
    wrong: int


def read_vcd(data: bytes) -> tuple[dict[str, list[tuple[int, str]]], int]:
    """Changes by variable name, and the last time."""
    names: dict[str, str] = {}
    changes: dict[str, list[tuple[int, str]]] = {}
    now = 0
    for line in data.decode("ascii").splitlines():
        if line.startswith("$var"):
            words = line.split()
            names[words[3]] = words[4]
            changes[words[4]] = []
        elif line.startswith("#"):
            now = int(line[1:])
        elif line and line[0] in "01x":
            changes[names[line[1:]]].append((now, line[0]))
    return changes, now


def _lines(case: Case) -> dict[str, list[tuple[int, str]]]:
    """Changes by trade name."""
    changes, _ = read_vcd(case.vcd)
    wiring = tomllib.loads(case.board).get("wiring", {}) if case.board else {}
    back = {channel: line for line, channel in wiring.items()}
    out = {}
    for name, moves in changes.items():
        found = ORDINARY.match(name)
        out[back.get(name) or (found.group(1) if found else name)] = moves
    return out


def _levels(moves: list[tuple[int, str]], when: np.ndarray) -> np.ndarray:
    times = np.array([t for t, _ in moves])
    values = np.array(["01x".index(v) for _, v in moves])
    return values[np.searchsorted(times, when, side="right") - 1]


def _edges(moves: list[tuple[int, str]], to: str) -> np.ndarray:
    """Moments just before the line goes to a level."""
    return (
        np.array([t for (t, v), (_, was) in zip(moves[1:], moves[:-1], strict=True) if v == to and was != to], np.int64)
        - 1
    )


def read(case: Case) -> Reading:
    """Decode a case and compare."""
    lines = _lines(case)
    if "MREQ" in lines:
        reads, writes = _edges(lines["RD"], "1"), _edges(lines["WR"], "1")
        when = np.concatenate((reads, writes))
        write = np.concatenate((np.zeros(len(reads), bool), np.ones(len(writes), bool)))
        order = np.argsort(when)
        when, write = when[order], write[order]
        memory = _levels(lines["MREQ"], when) == 0
        when, write = when[memory], write[memory]
    else:
        when = _edges(lines["PHI2" if "PHI2" in lines else "E"], "0")
        write = _levels(lines["RW"], when) == 0
        if "VMA" in lines:
            valid = _levels(lines["VMA"], when) == 1
            when, write = when[valid], write[valid]
    address = sum(_levels(lines[f"A{b}"], when) << b for b in range(16) if f"A{b}" in lines)
    data = sum(_levels(lines[f"D{b}"], when) << b for b in range(8))
    known: dict[int, int] = {}
    inside = [True] * 65536
    if case.board:
        inside = [False] * 65536
        for region in tomllib.loads(case.board)["region"]:
            for a in range(region["start"], region["end"] + 1):
                inside[a] = True
            if region["kind"] == "rom" and case.image:
                known.update({region["start"] + i: v for i, v in enumerate(case.image)})
    compared = wrong = 0
    for a, d, w in zip(np.asarray(address).tolist(), np.asarray(data).tolist(), write.tolist(), strict=True):
        if a > 0xFFFF or not inside[a]:
            continue
        if w:
            known[a] = d
        elif a in known:
            compared += 1
            wrong += known[a] != d
    return Reading(len(when), compared, wrong)


def main(words: list[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="tests.outside.rivals.selfcheck", description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--kinds", default="healthy-plain,healthy-stray,bare-healthy,bare-stray")
    args = parser.parse_args(words)
    bad = 0
    for kind in KINDS if args.kinds == "all" else args.kinds.split(","):
        for seed in range(args.seed, args.seed + args.count):
            case = make(seed, kind)
            try:
                found = read(case)
            except KeyError:  # a wiring to lines of another bus
                continue
            poor = case.truth["expect"] == "healthy" and (found.wrong > 0 or found.compared < 100)
            bad += poor
            if poor or args.kinds == "all":
                print(kind, seed, case.truth["variant"], case.truth["machine"], found)
    print(f"{bad} cases out of order")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
