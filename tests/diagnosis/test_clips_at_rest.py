"""Lines that stop together are a program's last loop: of a clip that is off its own line alone knows."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from busledger.decoder.diagnosis.coverage.signs import Rest
from busledger.decoder.diagnosis.rivals import clips
from busledger.decoder.diagnosis.rivals.lines import data_line_stopped


def stopped(at: int, after: int = 4_000) -> Rest:
    """A line that changed last at a tick, with so many transfers to come."""
    return Rest(
        moves=6_000, of=20_000, high=9_000, low=11_000, level=1, since=at, after=after, quiet=40, quiet_from=500,
        quiet_to=900, second=38,
    )  # fmt: skip


WALKS = stopped(99_990, after=3)


class Signs:
    """The rests of A0 to A3 and D0 to D1, each taken for a walking line unless it is given."""

    span = (0, 100_000)
    address_lines = {n: f"A{n}" for n in range(4)}  # noqa: RUF012
    data_lines = {n: f"D{n}" for n in range(2)}  # noqa: RUF012

    def __init__(self, **rests: Rest) -> None:
        self.rests = rests

    def address_bit(self, bit: int) -> Rest:
        return self.rests.get(f"A{bit}", WALKS)

    def data_bit(self, bit: int) -> Rest:
        return self.rests.get(f"D{bit}", WALKS)


@pytest.mark.parametrize(
    ("rests", "alone"),
    [
        ({"A3": stopped(80_000)}, True),
        ({"A3": stopped(80_000), "A2": stopped(80_700)}, False),
        ({"A3": stopped(80_000), "D1": stopped(79_500)}, False),
        ({"A3": stopped(80_000), "A2": stopped(50_000)}, True),
    ],
)
def test_a_line_that_stops_by_itself_has_lost_its_clip(rests: dict[str, Rest], alone: bool) -> None:
    signs = Signs(**rests)
    (span,) = [span for span in clips.spans_of_rest(signs, signs.address_bit(3)) if span.to_end]
    assert clips._stopped_alone(signs, span) is alone


class Recorded(Signs):
    """The same of a processor's bus with eight data lines; all of them walk but those that are given."""

    data_lines = {n: f"D{n}" for n in range(8)}  # noqa: RUF012
    profile = SimpleNamespace(family="clocked")


NOTHING_WRONG = SimpleNamespace(counts=(), tick_s=1e-9)


def test_a_data_line_that_stops_by_itself_has_lost_its_clip_although_nothing_is_wrong() -> None:
    refused = data_line_stopped(NOTHING_WRONG, Recorded(D7=stopped(80_000)))
    assert refused is not None and (refused.fault, refused.lines) == ("clip-off", ("D7",))
    assert "come off at 80 µs" in refused.reason and "4 000 cycles since" in refused.reason


@pytest.mark.parametrize(
    "rests",
    [
        {"D7": stopped(80_000), "D6": stopped(80_100)},
        {"D7": stopped(98_000, after=300)},
        {"D7": replace(stopped(80_000), quiet=900)},
        {"D7": replace(stopped(80_000), moves=60)},
    ],
    ids=["two lines", "not for long", "it rested so before", "it seldom moves"],
)
def test_else_a_program_may_leave_it(rests: dict[str, Rest]) -> None:
    assert data_line_stopped(NOTHING_WRONG, Recorded(**rests)) is None
