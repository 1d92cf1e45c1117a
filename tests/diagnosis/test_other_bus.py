"""A capture with a line that only another bus has was read as the wrong bus (6800 data sheet: VMA low is no access)."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from busledger.decoder.bus import load_profile, profile_names
from busledger.decoder.diagnosis.rivals.other_bus import line_of_another_bus, names_with_such_a_line

LINES = (*(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)), "PHI2", "R/W")


def seen(channels, wrong=3, still=(), wiring=()):
    counts = (SimpleNamespace(mismatches=wrong, reads_disagree=0),)
    health = tuple(SimpleNamespace(channel=name, moves=0 if name in still else 500) for name in channels)
    board = SimpleNamespace(wiring=dict(wiring))
    probes = SimpleNamespace(channels=health)
    return SimpleNamespace(counts=counts, channels=tuple(channels), probes=probes, board=board)


def test_vma_beside_a_6502s_lines_is_a_6800():
    refused = line_of_another_bus(seen((*LINES, "VMA")), load_profile("6502"))
    assert refused is not None and refused.code == "wrong-bus"
    assert "VMA was recorded" in refused.reason and refused.change.startswith("name 6800")


def test_the_board_files_wiring_may_name_the_channels():
    numbered = {line: f"ch{k}" for k, line in enumerate((*LINES, "VMA"))}
    refused = line_of_another_bus(seen(numbered.values(), wiring=numbered), load_profile("6502"))
    assert refused is not None and "VMA was recorded" in refused.reason


@pytest.mark.parametrize(
    ("evidence", "bus"),
    [
        (seen((*LINES, "VMA")), "6800"),
        (seen((*LINES, "SYNC")), "6502"),
        (seen((*LINES, "VMA"), wrong=0), "6502"),
        (seen((*LINES, "VMA"), still=("VMA",)), "6502"),
        (seen((*LINES[:-1], "VMA")), "6502"),
    ],
    ids=["it is one", "a line of its own", "nothing is wrong", "at rest", "no 6800 without R/W"],
)
def test_else_the_bus_stands(evidence, bus):
    assert line_of_another_bus(evidence, load_profile(bus)) is None


def test_every_bus_that_has_such_a_line_is_looked_at():
    found = [name for name in profile_names() if getattr(load_profile(name).file.behaviour, "valid", None) is not None]
    assert found and set(found) <= set(names_with_such_a_line()) < set(profile_names())
