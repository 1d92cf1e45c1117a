"""When a carry is clear: seen, and at least twice as often as its rival."""

from __future__ import annotations

import pytest

from busledger.decoder.wiring.ordering import is_clear


@pytest.mark.parametrize(
    ("seen", "rival", "clear"),
    [(0, 0, False), (1, 0, True), (1, 1, False), (3, 2, False), (4, 2, True), (100, 51, False), (100, 50, True)],
)
def test_a_carry_is_clear_beside_a_rival_seen_half_as_often(seen: int, rival: int, clear: bool) -> None:
    assert is_clear(seen, rival) is clear
