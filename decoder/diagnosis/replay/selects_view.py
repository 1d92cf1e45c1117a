"""Which selects go by way of one part, or of one of its pins: what a decoder's supply, enable or input takes with it.

Read from the board file's decoders and their tables, through all stages: where one decoder enables another, what
becomes of the first is shared by all that the second makes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from busledger.decoder.board import Board, Decoder

__all__ = ["SelectGroup", "select_groups"]


class SelectGroup(NamedTuple):
    """Region indexes, ascending, whose selects one part has in hand: as a whole (``bit`` None: its supply, an enable),
    or as far as one address bit goes that one of its inputs takes."""

    designator: str
    regions: tuple[int, ...]
    bit: int | None = None


def select_groups(board: Board) -> tuple[SelectGroup, ...]:
    """Every group of the board, each once. Not among them: a single select as a whole of the part that makes it, which
    is its output as well."""
    by_pin: dict[str, dict[str, set[int]]] = {}
    own: dict[int, str] = {}
    made = {line: (decoder, pin) for decoder in reversed(board.decoders) for pin, line in decoder.outputs.items()}
    used: dict[tuple[str, str], tuple[str, ...]] = {}
    for index, region in enumerate(board.regions):
        source = board.select_source(region)
        if source is None:
            continue
        own[index] = source[0].designator
        for decoder, output in _stages(source, made, used):
            pins = by_pin.setdefault(decoder.designator, {})
            for pin in ("", *used[decoder.designator, output]):
                pins.setdefault(pin, set()).add(index)
    found: dict[SelectGroup, None] = {}
    for decoder in board.decoders:
        pins = by_pin.get(decoder.designator, {})
        for pin in ("", *decoder.part.enables):
            regions = tuple(sorted(pins.get(pin, ())))
            if len(regions) > 1 or any(own[r] != decoder.designator for r in regions):
                found[SelectGroup(decoder.designator, regions)] = None
        for pin, line in decoder.inputs.items():
            bit = _address_bit(line)
            if bit is not None and pin not in decoder.part.enables and pins.get(pin):
                found[SelectGroup(decoder.designator, tuple(sorted(pins[pin])), bit)] = None
    return tuple(found)


def _stages(
    source: tuple[Decoder, str], made: Mapping[str, tuple[Decoder, str]], used: dict[tuple[str, str], tuple[str, ...]]
) -> Iterator[tuple[Decoder, str]]:
    """Outputs that one select hangs on, its own first; ``used`` learns the input pins of each."""
    waiting, seen = [source], set()
    while waiting:
        decoder, output = waiting.pop()
        key = (decoder.designator, output)
        if key in seen:
            continue
        seen.add(key)
        if key not in used:
            used[key] = _inputs_of(decoder, output)
        yield decoder, output
        lines = [decoder.inputs.get(pin, "") for pin in used[key]]
        waiting += [made[line] for line in lines if line in made]


def _inputs_of(decoder: Decoder, output: str) -> tuple[str, ...]:
    """The input pins on which an output of the part hangs, by its table."""
    part = decoder.part
    level = part.lookup >> np.uint32(part.outputs.index(output)) & np.uint32(1)
    at = np.arange(len(level))
    return tuple(pin for k, pin in enumerate(part.inputs) if (level != level[at ^ (1 << k)]).any())


def _address_bit(line: str) -> int | None:
    return int(line[1:]) if line[:1] == "A" and line[1:].isdigit() else None
