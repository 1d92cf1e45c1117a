"""Proves that captures hold what the world did: reads each back at the data-sheet strobes and compares every access.

python -m tests.outside.cards.selfcheck --seed 1 --count 20
"""

from __future__ import annotations

import argparse

from .case import KINDS, Case, make
from .reread import disagreements


def faults_of(case: Case) -> list[str]:
    """What is wrong with a case as a test case; nothing if it is sound. Captures with a drop-out are not read back."""
    out: list[str] = []
    truth = case.truth
    mask = 0xFFFF & ~sum(1 << int(line[1:]) for line in truth["unwired"])
    if not truth["dropout"]:
        wrong = disagreements(case.vcd.decode(), case.wiring, truth["profile"], case.accesses, mask)
        out += [f"{wrong} accesses do not read back"] if wrong else []
    if not truth["faults"] and truth["mismatch_total"]:
        out.append("a healthy card reads wrong")
    if len(truth["faults"]) == 1 and truth["faults"][0]["shows"] > truth["mismatch_total"]:
        out.append("a fault shows more often than reads are wrong")
    if len(set(case.parts)) != len(case.parts):
        out.append("two parts have one name")
    return out


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="tests.outside.cards.selfcheck", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--cycles", type=int, default=4000)
    args = parser.parse_args()
    bad = 0
    for seed in range(args.seed, args.seed + args.count):
        kind = KINDS[seed % len(KINDS)]
        found = faults_of(make(seed, kind, cycles=args.cycles))
        bad += bool(found)
        if found:
            print(kind, seed, "; ".join(found))
    print(f"{args.count} cases, {bad} unsound")
    return int(bad > 0)


if __name__ == "__main__":
    raise SystemExit(main())
