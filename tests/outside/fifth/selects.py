"""Decoder outputs as they follow their inputs on the wires, sound or broken."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from tests.outside.fifth.model import Card, Cycle, Decoder
from tests.outside.fifth.wires import Wires


def output(part: str, levels: dict[str, int]) -> int | None:
    """Number of the output that is low, by the data book's tables."""
    number = sum(levels.get(pin, 0) << place for place, pin in enumerate("ABCD"))
    if part == "74LS138":
        return number if levels["G1"] and not levels["G2A"] and not levels["G2B"] else None
    if part == "74LS139":
        return None if levels["G"] else number
    return number if number < 10 else None  # 74LS42


def paint(card: Card, wires: Wires, cycles: Sequence[Cycle], times: Sequence[float]) -> None:
    """Edges of every select: 22 ns after an input moves; a broken output stays away, or comes along with another's."""
    if card.decoder is None:
        return
    decoder: Decoder = card.decoder
    names = {int(pin[1:]): line for pin, line in decoder.outputs.items()}
    regions = {line: next(one for one in card.regions if one.select == line) for line in names.values()}
    events = sorted((when, pin, level) for pin, line in decoder.inputs.items()
                    for when, level in wires.edges.get(line, []))
    levels = dict.fromkeys(decoder.inputs, 0)
    for line in names.values():
        wires.set(line, -500.0, 1)
    for when, pin, level in events:
        levels[pin] = level
        at = bisect_right(times, when - 60) - 1
        cycle = cycles[at] if at >= 0 else None
        chosen = output(decoder.part, levels)
        low = names.get(chosen) if chosen is not None else None
        for line, region in regions.items():
            state = 0 if line == low else 1
            if cycle is not None and low is not None and cycle.kind not in ("in", "out", "idle"):
                mine = region.start <= cycle.address <= region.end
                if mine and region.name not in cycle.rows:
                    state = 1
                elif not mine and region.name in cycle.rows and regions[low].name in cycle.rows:
                    state = 0
            wires.set(line, when + 22, state)
