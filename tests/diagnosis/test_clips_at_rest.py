"""Lines that stop together are a program's last loop: of a clip that is off its own line alone knows."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.coverage.signs import Rest
from busledger.decoder.diagnosis.rivals import clips, dips
from busledger.decoder.diagnosis.rivals.rests import spans_of_rest


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
    (span,) = [span for span in spans_of_rest(signs, signs.address_bit(3)) if span.to_end]
    assert clips._stopped_alone(signs, span) is alone


@pytest.mark.parametrize(("moments", "rests"), [((81_000, 95_000), True), ((10_000, 40_000), False)])
def test_reads_that_go_astray_while_the_line_rests_are_no_loose_contact_s(moments, rests) -> None:
    signs = Signs(A3=stopped(80_000))
    assert dips._at_rest(signs, 3, np.linspace(*moments, 20).astype(np.int64)) is rests
