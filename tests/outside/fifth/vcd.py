"""Samples written as a value change dump."""

from __future__ import annotations

from pathlib import Path

from tests.outside.fifth.analyser import Samples


def write(path: Path, samples: Samples, names: dict[str, str], period_ns: float, last_ns: float,
          off: list[tuple[float, float]]) -> None:
    """Writes the file; `off` are spans of ns in which every level is x."""
    codes = {line: chr(33 + i) for i, line in enumerate(samples)}
    out = ["$date 1 $end", "$version small analyser $end", "$timescale 1 ns $end", "$scope module analyser $end"]
    out += [f"$var wire 1 {codes[line]} {names[line]} $end" for line in samples]
    out += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
    out += [f"{first}{codes[line]}" for line, (first, _) in samples.items()]
    out.append("$end")
    events: list[tuple[int, str]] = []
    for line, (_, changes) in samples.items():
        code = codes[line]
        events += [(round(at * period_ns), f"{value}{code}") for at, value in changes]
    for low, high in off:
        body = "\n".join(f"x{code}" for code in codes.values())
        events.append((round(low), f"$dumpoff\n{body}\n$end"))
        events = [one for one in events if not round(low) < one[0] <= round(high)]
        levels = []
        for line, (first, changes) in samples.items():
            level = first
            for at, value in changes:
                if at * period_ns > high:
                    break
                level = value
            levels.append(f"{level}{codes[line]}")
        events.append((round(high), "$dumpon\n" + "\n".join(levels) + "\n$end"))
    events.sort(key=lambda one: one[0])
    now = 0
    for when, text in events:
        if when != now:
            out.append(f"#{when}")
            now = when
        out.append(text)
    if round(last_ns) > now:
        out.append(f"#{round(last_ns)}")
    path.write_text("\n".join(out) + "\n")
