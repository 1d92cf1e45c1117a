"""Reads a capture back the simplest way, at the strobes that the data sheets name, to prove that the capture is sound.

It knows plain names only (no wiring table) and is no decoder: it is this world's own check on itself.
"""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

I64 = npt.NDArray[np.int64]
Line = tuple[I64, I64]


def parse(text: str, wiring: dict[str, str]) -> dict[str, Line]:
    """Each line's change times (file units) and levels (2 = unknown)."""
    back = {channel: line for line, channel in wiring.items()}
    ids: dict[str, list[tuple[str, int]]] = {}
    changes: dict[str, tuple[list[int], list[int]]] = {}
    head, body = text.split("$enddefinitions $end", 1)
    for size, code, name, _, high, low in re.findall(r"\$var \w+ (\d+) (\S+) (\S+)( \[(\d+):(\d+)\])? \$end", head):
        plain = re.sub(r"^[/!]|_n$|#$", "", back.get(name, name))
        plain = re.sub(r"^n(?=[A-Z])", "", plain)
        plain = re.sub(r"[\[\]_]", "", plain)
        names = [(plain, 0)]
        if int(size) > 1:
            names = [(f"{plain}{n}", n - int(low)) for n in range(int(low), int(high) + 1)]
        ids[code] = names
        for line, _ in names:
            changes[line] = ([], [])
    now = 0
    for token in body.split("\n"):
        if not token or token[0] == "$":
            continue
        if token[0] == "#":
            now = int(token[1:])
            continue
        word, code = token.split(" ") if token[0] == "b" else (token[0], token[1:])
        for line, bit in ids[code]:
            digits = word.lstrip("b")
            level = 2 if "x" in digits else int(digits, 2) >> bit & 1
            t, v = changes[line]
            if not v or v[-1] != level:
                t.append(now)
                v.append(level)
    return {line: (np.array(t, np.int64), np.array(v, np.int64)) for line, (t, v) in changes.items() if t}


def at(line: Line, when: I64, before: bool = True) -> I64:
    """Levels just before (or at) these times."""
    t, v = line
    index = np.searchsorted(t, when, side="left" if before else "right") - 1
    return np.asarray(v[np.maximum(index, 0)], dtype=np.int64)


def word(lines: dict[str, Line], prefix: str, bits: int, when: I64, before: bool = True) -> I64:
    """A bus's value; lines that are not there read 1."""
    out = np.zeros(len(when), np.int64)
    for n in range(bits):
        there = f"{prefix}{n}" in lines
        out |= ((at(lines[f"{prefix}{n}"], when, before) & 1) if there else np.ones(len(when), np.int64)) << n
    return out


def edges(line: Line, level: int) -> I64:
    """Times at which the line comes to a level."""
    t, v = line
    mask = (v == level) & (np.concatenate([[level], v[:-1]]) == 1 - level)
    return np.asarray(t[mask], dtype=np.int64)


def accesses(lines: dict[str, Line], bus: str) -> list[tuple[str, int, int]]:
    """Memory reads and writes in time order: kind, address, data."""
    rows: list[tuple[int, str, int, int]] = []

    def add(kind: str, when: I64, address: I64, data: I64) -> None:
        rows.extend(zip(when.tolist(), [kind] * len(when), address.tolist(), data.tolist(), strict=True))

    if bus in ("6502", "6800", "6809"):
        when = edges(lines["E" if bus == "6809" else "PHI2"], 0)
        address, data = word(lines, "A", 16, when), word(lines, "D", 8, when)
        read = at(lines["RW"], when) == 1
        good = at(lines["VMA"], when) == 1 if bus == "6800" else np.ones(len(when), np.bool_)
        if bus == "6809":
            good = ~(read & (address == 0xFFFF))
        add("r", when[read & good], address[read & good], data[read & good])
        add("w", when[~read & good], address[~read & good], data[~read & good])
    elif bus == "8080":
        for kind, when in (("r", edges(lines["DBIN"], 0)), ("w", edges(lines["WR"], 1))):
            add(kind, when, word(lines, "A", 16, when), word(lines, "D", 8, when))
    else:
        for kind, name in (("r", "RD"), ("w", "WR")):
            when = edges(lines[name], 1)
            if bus == "z80":
                begin = edges(lines[name], 0)
                begin = begin[np.searchsorted(begin, when) - 1]
                good = at(lines["IORQ"], (begin + when) // 2) == 1
                address, data = word(lines, "A", 16, when), word(lines, "D", 8, when)
            else:
                good = at(lines["IOM"], when) == 0  # steady round the strobe
                latch = edges(lines["ALE"], 0)
                low = word(lines, "AD", 8, latch)[np.searchsorted(latch, when) - 1]
                address, data = low | word(lines, "A", 16, when) & 0xFF00, word(lines, "AD", 8, when)
            add(kind, when[good], address[good], data[good])
    rows.sort()
    return [(kind, address, data) for _, kind, address, data in rows]


def disagreements(text: str, wiring: dict[str, str], bus: str, want: list[tuple[str, int, int]], mask: int) -> int:
    """How many accesses of the capture are not the ones that the world made (wired address bits only)."""
    got = accesses(parse(text, wiring), bus)
    wrong = abs(len(got) - len(want))
    for (k1, a1, d1), (k2, a2, d2) in zip(got, want, strict=False):
        wrong += k1 != k2 or (a1 ^ a2) & mask != 0 or d1 != d2
    return wrong
