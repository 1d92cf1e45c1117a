"""Hand-made captures for the checks: lines as lists of levels, cycles written out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from busledger.decoder.board import Board, Decoder, parts
from busledger.decoder.bus import Layout, Profile, load_profile
from busledger.decoder.capture import Capture
from busledger.decoder.wiring import Wiring

__all__ = ["NS", "capture", "decoder_board", "decoder_of", "layout"]

NS = 1_000_000  # femtoseconds: the tick of these captures


def layout(profile: Profile, lines: Sequence[str]) -> Layout:
    """The lines clipped in this order of channels."""
    return Layout(profile, Wiring({line: k for k, line in enumerate(lines)}, (), ()), lines)


def capture(where: Layout, rows: Sequence[tuple[int, Mapping[str, int]]]) -> Capture:
    """Rows of (time in ns, lines that change); a line is low until it is named."""
    now = dict.fromkeys(where.names, 0)
    levels = np.zeros((len(rows), where.words), np.uint64)
    for r, (_, changes) in enumerate(rows):
        now.update(changes)
        for line, level in now.items():
            if level:
                bit = where.bit(line)
                levels[r, bit // 64] |= np.uint64(1) << np.uint64(bit % 64)
    time = np.array([t for t, _ in rows], np.int64)
    return Capture(time, levels, np.zeros_like(levels), NS)


def decoder_of(part: str, inputs: Mapping[str, str], outputs: Mapping[str, str], designator: str = "U9") -> Decoder:
    """A decoder with a part of the library."""
    return Decoder(designator, parts().get(part), inputs, outputs)  # type: ignore[arg-type]


def decoder_board(*decoders: Decoder) -> Board:
    """A card with nothing but decoders."""
    return Board(path="", name="test card", bus="6502", regions=(), decoders=decoders)


def bus() -> Profile:
    """Any profile will do where no cycle is looked at."""
    return load_profile("6502")
