"""Wiring proposed for the captures of foreign CPU cores, their channels renamed and shuffled.

Their memory test is a small program that walks through RAM: it tells the clock, the strobes, the direction and the
low address bits, but few operands, so the order of data and high address bits stays open. Whatever is called sure
must be right. Truth: the names in the capture files.
"""

from __future__ import annotations

import random

import pytest

from busledger.decoder.bus import line_needs, load_profile, wanted_lines
from busledger.decoder.capture import open_capture, sample_grid
from busledger.decoder.wiring import bind, propose
from tests.shared_captures import each_shared

KNOWN = {
    "6502": {"PHI2", "RW", *(f"A{n}" for n in range(7))},
    "z80": {"CLK", "RD", "WR", "MREQ", "A0", "A1", "A2", "A3"},
}


@pytest.mark.parametrize("capture", each_shared(lambda c: "sampled" in c.file))
def test_what_is_sure_is_right(capture):
    name = capture.folder.name.split("-")[0]
    profile = load_profile(name)
    with open_capture(capture.path) as file:
        signals = file.header.signals
        order = list(range(len(signals)))
        random.Random(7).shuffle(order)
        unnamed = file.read(order)
    truth = {line: order.index(index) for line, index in bind(signals, line_needs(profile)).lines.items()}
    proposal = propose(unnamed, len(order), wanted_lines(profile), sample_grid(unnamed.time))
    lines = proposal.lines()
    for guess in proposal.guesses:
        assert guess.confidence < 0.9 or truth[guess.line] == guess.channel, guess
    assert {line for line in KNOWN[name] if lines.get(line) == truth[line]} == KNOWN[name]
