"""Memory that looks cut into pieces because one address line never moves, its clip being off: the pieces are one."""

from __future__ import annotations

import pytest

from busledger.decoder.board import Region
from busledger.decoder.diagnosis.rivals.lines import stretches


def pieces(*spans: tuple[int, int]) -> list[Region]:
    return [Region(f"{a:04X}", a, b, "ram", "memory", None, ()) for a, b in spans]


@pytest.mark.parametrize(
    ("spans", "half", "expected"),
    [
        (((0x2000, 0x203F), (0x2080, 0x20BF), (0x2100, 0x213F)), 0x40, [0, 0, 0]),
        (((0x2100, 0x213F), (0x2000, 0x203F), (0x2080, 0x20BF)), 0x40, [1, 1, 1]),
        (((0x2000, 0x203F), (0x2080, 0x20BF), (0x2200, 0x223F)), 0x40, [0, 0, 2]),
        (((0x2000, 0x203F), (0x2080, 0x20BF)), 0x20, [0, 1]),
        ((), 0x40, []),
    ],
    ids=["three in a row", "in another order", "the third lies apart", "another line", "nothing"],
)
def test_regions_with_a_hole_of_the_lines_own_size_between_are_one(spans, half, expected):
    assert stretches(pieces(*spans), half) == expected
