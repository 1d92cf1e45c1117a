"""Chips that the same reads of a region cleared stand on one line; what differs keeps its own."""

from __future__ import annotations

from busledger.decoder.findings import Cleared
from busledger.decoder.report.cleared_parts import cleared_together, without_columns


def chip(name: str, lane: str, reads: int, high: int, region: str = "row0") -> Cleared:
    told = f"{lane}: {reads} reads right in {region}, {high} high and {reads - high} low"
    return Cleared(
        component=name, lanes=(lane,), evidence=f"{told}; it fails less than 1 in 180, if at all", rate_below=1 / 180
    )


DRIVER = Cleared(
    component="U9", lanes=("D0", "D1"), evidence="D0-D1: at least 700 reads right through it on each lane, 9 high"
)


def test_chips_of_a_region_are_one_entry_with_the_least_counts() -> None:
    (row,) = cleared_together([chip("U12", "D2", 543, 280), chip("U1", "D0", 543, 277), chip("U2", "D1", 543, 266)])
    assert (row.component, row.lanes) == ("U1-U2, U12", ("D0", "D1", "D2"))
    assert row.evidence == (
        "D0-D2: at least 543 reads right in row0 on each lane, 266 high and 263 low; it fails less than 1 in 180, "
        "if at all"
    )
    assert without_columns(row) == "at least 543 reads right in row0 on each lane, 266 high and 263 low"


def test_other_regions_other_counts_and_other_parts_stay_apart() -> None:
    apart = [chip("U1", "D0", 543, 270), chip("U2", "D0", 544, 270), chip("U3", "D0", 543, 270, "row1"), DRIVER, DRIVER]
    assert cleared_together(apart) == apart
    assert without_columns(DRIVER) == "at least 700 reads right through it on each lane, 9 high"
