"""Writing a capture as a VCD file (IEEE 1364-2005, clause 18)."""

from __future__ import annotations

import numpy as np

from .wave import Line

LEVELS = "01x"


def _code(number: int) -> str:
    """An identifier of printable characters."""
    code = ""
    while True:
        code += chr(33 + number % 94)
        number //= 94
        if not number:
            return code


def write_vcd(
    lines: dict[str, Line],
    samples: int,
    sample_ns: float,
    gaps: list[tuple[int, int]] | None = None,
    unit: str = "1 ns",
) -> bytes:
    """The capture as text; `gaps` are stretches without samples, told by $dumpoff and $dumpon."""
    factor = {"1 ns": 1.0, "10 ns": 0.1, "100 ps": 10.0, "1 ps": 1000.0}[unit]
    names = list(lines)
    codes = [_code(i) for i in range(len(names))]
    head = [
        "$date a day at the bench $end",
        "$version rivals $end",
        f"$timescale {unit} $end",
        "$scope module capture $end",
    ]
    head += [f"$var wire 1 {codes[i]} {name} $end" for i, name in enumerate(names)]
    head += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
    head += [f"{LEVELS[lines[name].first]}{codes[i]}" for i, name in enumerate(names)]
    head.append("$end")
    when = np.concatenate([lines[name].t for name in names]).astype(np.int64)
    level = np.concatenate([lines[name].v for name in names]).astype(np.int64)
    which = np.concatenate([np.full(len(lines[name].t), i, np.int64) for i, name in enumerate(names)])
    off, on = {a for a, _ in gaps or []}, {b for _, b in gaps or []}
    order = np.lexsort((which, when))
    when, level, which = when[order], level[order], which[order]
    words = [[f"{mark}{code}" for mark in LEVELS] for code in codes]
    out = head
    last = -1
    opened = False
    for t, w, v in zip(when.tolist(), which.tolist(), level.tolist(), strict=True):
        if t != last:
            if opened:
                out.append("$end")
            out.append(f"#{round(t * sample_ns * factor)}")
            opened = t in off or t in on
            if opened:
                out.append("$dumpoff" if t in off else "$dumpon")
            last = t
        out.append(words[w][v])
    if opened:
        out.append("$end")
    out.append(f"#{round(samples * sample_ns * factor)}")
    out.append("")
    return "\n".join(out).encode("ascii")
