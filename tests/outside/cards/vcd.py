"""An asynchronous recorder: samples the lines, adds what such recorders add, and writes a VCD file."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .waves import Waves

I64 = npt.NDArray[np.int64]
LOW = {"M1", "MREQ", "IORQ", "RD", "WR", "RFSH"}


@dataclass
class Recording:
    """The text of the file, the wiring that the board file must state, and the drop-out in ns."""

    text: bytes
    wiring: dict[str, str] = field(default_factory=dict)
    gap: tuple[float, float] | None = None


def sample(t: npt.NDArray[np.float64], v: I64, period: float, phase: float) -> tuple[I64, I64]:
    """The changes of a line as the recorder sees them: sample number and new level."""
    k = np.ceil((t - phase) / period).astype(np.int64)
    k = np.maximum(k, 0)
    k[0] = 0
    last = np.concatenate([k[1:] != k[:-1], [True]])
    k, v = k[last], v[last]
    moved = np.concatenate([[True], v[1:] != v[:-1]])
    return k[moved], v[moved]


def stray(rng: random.Random, k: I64, v: I64, at: list[int]) -> tuple[I64, I64]:
    """Adds one-sample pulses where the line is quiet."""
    index = np.searchsorted(k, at, side="right") - 1
    extra_k: list[int] = []
    extra_v: list[int] = []
    taken = -9
    for when, i in zip(at, index.tolist(), strict=True):
        if i < 0 or when - int(k[i]) < 1 or (i + 1 < len(k) and int(k[i + 1]) - when < 3) or when - taken < 4:
            continue
        taken = when
        extra_k += [when, when + 1]
        extra_v += [1 - int(v[i]), int(v[i])]
    if not extra_k:
        return k, v
    k = np.concatenate([k, np.array(extra_k)])
    v = np.concatenate([v, np.array(extra_v)])
    order = np.argsort(k, kind="stable")
    return k[order], v[order]


def codes(rng: random.Random, count: int) -> list[str]:
    """Identifier codes, plain or awkward."""
    if rng.random() < 0.7:
        return [chr(33 + n) if n < 94 else chr(33 + n // 94) + chr(33 + n % 94) for n in range(count)]
    out: set[str] = set()
    while len(out) < count:
        out.add("".join(chr(rng.randint(33, 126)) for _ in range(rng.randint(2, 3))))
    return rng.sample(sorted(out), count)


def spell(rng: random.Random, style: str, line: str, selects: set[str]) -> str:
    """A line's name as this capture spells it."""
    low = line in LOW or line in selects
    text = line
    if low and style:
        text = {"/": f"/{line}", "_n": f"{line}_n", "!": f"!{line}", "n": f"n{line}", "#": f"{line}#"}[style]
    return text


class Writer:
    """Lays out one file."""

    def __init__(self, rng: random.Random, waves: Waves, period: float, spread: float, unwired: list[str]) -> None:
        self.rng = rng
        self.period = period
        self.phase = rng.uniform(0.0, period)
        self.last = int((waves.end - self.phase) / period)
        self.waves = waves
        self.lines: dict[str, tuple[I64, I64]] = {}
        for name, (t, v) in waves.lines.items():
            if name not in unwired:
                skew = rng.uniform(0.0, spread * period)
                k, value = sample(t + skew, v, period, self.phase)
                keep = k <= self.last
                self.lines[name] = (k[keep], value[keep])

    def pulses(self, count: int) -> None:
        """Stray pulses on address and data lines away from the strobes."""
        names = [n for n in self.lines if n[0] in "AD" and n[-1].isdigit()]
        wanted: dict[str, list[int]] = {}
        for _ in range(count):
            lo, hi = self.rng.choice(self.waves.quiet)
            k = int((self.rng.uniform(lo, max(lo, hi - self.period)) - self.phase) / self.period) + 1
            wanted.setdefault(self.rng.choice(names), []).append(k)
        for name, at in wanted.items():
            self.lines[name] = stray(self.rng, *self.lines[name], sorted(set(at)))

    def write(self, selects: set[str], gap: tuple[int, int] | None) -> Recording:
        """The text."""
        rng = self.rng
        wired = sorted(int(n[1:]) for n in self.lines if n[0] == "A" and n[1:].isdigit())
        vector = rng.random() < 0.35 and wired == list(range(wired[0], wired[-1] + 1))
        style = rng.choice(["", "/", "_n", "!", "n", "#"])
        wiring: dict[str, str] = {}
        groups: list[tuple[str, list[str]]] = []
        scalars = [n for n in self.lines if not (vector and n[0] in "AD" and n[-1].isdigit())]
        if vector:
            for prefix in ("A", "D", "AD"):
                size = len(prefix)
                mine = [n for n in self.lines if n.startswith(prefix) and n[size:].isdigit()]
                bits = sorted(mine, key=lambda n: int(n.lstrip("AD")))
                if bits:
                    groups.append((prefix, bits))
        rename = not vector and rng.random() < 0.15
        if rng.random() < 0.5:
            rng.shuffle(scalars)
        shown: dict[str, str] = {}
        spelt = rng.choice(["A0", "A[0]", "A_0"]) if not rename else "A0"
        for number, line in enumerate(scalars):
            text = spell(rng, style, line, selects)
            if line[0] in "AD" and line[-1].isdigit() and spelt != "A0":
                prefix = line.rstrip("0123456789")
                digits = line[len(prefix) :]
                text = f"{prefix}[{digits}]" if spelt == "A[0]" else f"{prefix}_{digits}"
            if rename:
                text = f"ch{number}"
                wiring[line] = text
            shown[line] = text
        spare = rng.randint(0, 2)
        ids = codes(rng, len(scalars) + len(groups) + spare)
        unit = rng.choice([("1ns", 1.0), ("1 ps", 1000.0), ("10ps", 100.0), ("100 ps", 10.0)])
        if abs(self.period - round(self.period)) > 1e-9 and unit[0] == "1ns" and self.period < 25.0:
            unit = ("100 ps", 10.0)
        kind = rng.choice(["wire", "wire", "reg"])
        head = ["$date Thu Jun 12 09:14:52 1986 $end"] if rng.random() < 0.6 else []
        head += ["$version recorder 2.1 $end"] if rng.random() < 0.5 else []
        head += [f"$timescale {unit[0]} $end", "$scope module pod $end"]
        for (prefix, bits), code in zip(groups, ids, strict=False):
            low, high = int(bits[0][len(prefix) :]), int(bits[-1][len(prefix) :])
            head.append(f"$var {kind} {len(bits)} {code} {prefix} [{high}:{low}] $end")
        for line, code in zip(scalars, ids[len(groups) :], strict=False):
            head.append(f"$var {kind} 1 {code} {shown[line]} $end")
        spares = ids[len(groups) + len(scalars) :]
        head += [f"$var {kind} 1 {code} spare{n} $end" for n, code in enumerate(spares)]
        head += ["$upscope $end", "$enddefinitions $end"]
        body = self.body(scalars, groups, ids, spares, unit[1], gap)
        times = (gap[0] * self.period, gap[1] * self.period) if gap else None
        if times:
            times = (times[0] + self.phase, times[1] + self.phase)
        return Recording(("\n".join(head) + "\n" + body).encode(), wiring, times)

    def body(
        self, scalars: list[str], groups: list[tuple[str, list[str]]], ids: list[str], spares: list[str],
        unit: float, gap: tuple[int, int] | None,
    ) -> str:  # fmt: skip
        """The changes, in time order."""
        parts: list[tuple[I64, list[str]]] = []
        for (_, bits), code in zip(groups, ids, strict=False):
            ks = np.unique(np.concatenate([self.lines[b][0] for b in bits]))
            word = np.zeros(len(ks), np.int64)
            for position, b in enumerate(bits):
                k, v = self.lines[b]
                word |= v[np.searchsorted(k, ks, side="right") - 1] << position
            parts.append((ks, [f"b{w:b} {code}" for w in word.tolist()]))
        for line, code in zip(scalars, ids[len(groups) :], strict=False):
            k, v = self.lines[line]
            parts.append((k, [("1" if x else "0") + code for x in v.tolist()]))
        parts += [(np.zeros(1, np.int64), ["0" + code]) for code in spares]
        blank = [f"bx {code}" for code in ids[: len(groups)]] + ["x" + code for code in ids[len(groups) :]]
        ks = np.concatenate([p[0] for p in parts])
        texts = [text for p in parts for text in p[1]]
        order = np.argsort(ks, kind="stable")
        out: list[str] = []
        state: dict[str, str] = {}
        now = -1
        off = False
        first = self.rng.random() < 0.5
        for k, i in zip(ks[order].tolist(), order.tolist(), strict=True):
            text = texts[i]
            if gap and not off and k >= gap[0]:
                out += [f"#{round(gap[0] * self.period * unit)}", "$dumpoff", *blank, "$end"]
                off = True
            if gap:
                if off and now <= gap[1] < k:
                    out += [f"#{round(gap[1] * self.period * unit)}", "$dumpon", *state.values(), "$end"]
                    now = gap[1]
                    off = False
                    gap = None
                else:
                    state[text.split(" ")[-1] if text[0] == "b" else text[1:]] = text
                    if gap[0] <= k <= gap[1]:
                        continue
            if k != now:
                if now == 0 and first:
                    out.append("$end")
                out.append(f"#{round(k * self.period * unit)}")
                if k == 0 and first:
                    out.append("$dumpvars")
                now = k
            out.append(text)
        out.append(f"#{round((self.last + 1) * self.period * unit)}")
        return "\n".join(out) + "\n"
