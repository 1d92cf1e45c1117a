"""Where a faulty address line leads on a card of many regions: as the first region that holds the bent address."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.board import Chip, Region
from busledger.decoder.diagnosis.cells import CellSpace

lanes = st.sampled_from([(), tuple(range(8)), tuple(range(8, 16))])


@st.composite
def cards(draw: st.DrawFn) -> list[Region]:
    return [
        Region(
            f"r{number}",
            start,
            start + draw(st.integers(0, 9)),
            space=draw(st.sampled_from(["memory", "memory", "program"])),
            chips=tuple(Chip("U1", None, bits) for bits in [draw(lanes)] if bits),
        )
        for number, start in enumerate(draw(st.lists(st.integers(0, 48), min_size=1, max_size=8)))
    ]


def _leads(cells: CellSpace, regions: list[Region], cell: int, address: int) -> int:
    """The cell of ``address`` in the first region with the space, and a byte, of the cell's own region; -1: nobody."""
    own = regions[cells.region_of(cell)]
    bytes_of = [{bit // 8 for bit in region.lanes} or {0, 1} for region in regions]
    for r, region in enumerate(regions):
        shares = region.space == own.space and bytes_of[r] & bytes_of[cells.region_of(cell)]
        if shares and region.start <= address <= region.end:
            return cells.base[r] + (address >> cells.shift) % cells.size[r]
    return -1


@given(cards(), st.sampled_from([8, 16]), st.permutations(range(1, 6)), st.booleans())
@settings(deadline=None)
def test_a_line_of_the_whole_card_leads_to_the_first_region_that_answers(
    regions: list[Region], data_bits: int, bits: list[int], high: bool
) -> None:
    cells = CellSpace(regions, 16, data_bits)
    everyone = range(len(regions))
    one, two = 1 << bits[0], 1 << bits[1]
    stuck = cells.forced_on_board(everyone, bits[:1], int(high)).tolist()
    shorted = cells.joined_on_board(everyone, bits[0], bits[1], high).tolist()
    for cell in range(cells.total):
        address = cells.address_of(cell)
        assert stuck[cell] == _leads(cells, regions, cell, address | one if high else address & ~one)
        both = bool(address & one) or bool(address & two) if high else bool(address & one) and bool(address & two)
        met = address | one | two if both else address & ~one & ~two
        assert shorted[cell] == _leads(cells, regions, cell, met)
