"""Regions that overlap: all of them told, as a search through every two finds them; thousands of regions load."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.board import Chip, LatchValue, LineLevel, Region, load_board
from busledger.decoder.board import overlaps as search
from busledger.decoder.board.draft import Draft
from busledger.decoder.board.mistakes import Mistakes
from busledger.decoder.board.overlaps import check_overlaps, overlapping
from busledger.decoder.errors import BoardError
from busledger.decoder.ledger.owners import Owners
from busledger.decoder.ledger.regions import RegionMap
from tests.reference.overlaps_twin import overlap_messages, overlapping_pairs

Write = Callable[[str], Path]

conditions = st.sampled_from(
    [None, None, LineLevel("BANK", 0), LineLevel("BANK", 1), LatchValue(0xC000, "memory", 3, 1)]
)
lanes = st.sampled_from([(), (), tuple(range(8)), tuple(range(8, 16)), tuple(range(16)), (3,), (31,)])


@st.composite
def cards(draw: st.DrawFn) -> list[Region]:
    """Regions close together, some of no length (the end before the start), some in a byte or a condition of their
    own."""
    found = []
    for number in range(draw(st.integers(0, 12))):
        start = draw(st.integers(0, 24))
        found.append(
            Region(
                f"r{number}",
                start,
                start + draw(st.integers(-2, 10)),
                space=draw(st.sampled_from(["memory", "memory", "io"])),
                chips=tuple(Chip(f"U{number}", None, bits) for bits in [draw(lanes)] if bits),
                when=draw(conditions),
            )
        )
    return found


def _told(regions: list[Region]) -> list[str]:
    draft = Draft({}, Path(), False, Mistakes(""))
    draft.regions += [(f"table {number}", region) for number, region in enumerate(regions)]
    check_overlaps(draft)
    try:
        draft.mistakes.stop()
    except BoardError as error:
        return str(error).splitlines()
    return []


@given(cards())
@settings(max_examples=300, deadline=None)
def test_one_pass_tells_what_every_two_regions_tell(regions: list[Region]) -> None:
    assert overlapping(regions, 10**6) == overlapping_pairs(regions)
    assert [line.split(", ", 1)[1] for line in _told(regions)] == overlap_messages(regions)


@given(cards(), st.integers(1, 5))
@settings(deadline=None)
def test_of_too_many_overlaps_some_are_told_each_of_them_true(regions: list[Region], most: int) -> None:
    every, some = overlapping_pairs(regions), overlapping(regions, most)
    assert len(some) == min(most, len(every))
    assert set(some) <= set(every)


def test_more_overlaps_than_anyone_reads_are_told_in_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(search, "MOST_OVERLAPS", 4)
    told = _told([Region(f"r{number}", 0, 15) for number in range(5)])  # ten pairs
    assert len(told) == 5
    assert told[-1].startswith("[[region]], start: more than 4 overlaps, of which the first by address are told")


def test_a_region_whose_condition_is_no_condition_is_told_of_that_alone(board_file: Write) -> None:
    text = '[board]\nname = "loom"\nbus = "6502"\n'
    for name, when in (("one", ""), ("two", 'when = "BANK"\n')):
        text += f'[[region]]\nname = "{name}"\nstart = 0\nend = 15\nkind = "ram"\n{when}'
    with pytest.raises(BoardError) as caught:
        load_board(board_file(text))
    assert "overlaps" not in str(caught.value) and 'when: found "BANK"' in str(caught.value)


def _wide(count: int) -> str:
    """A planetarium's frame store: ``count`` selects of 16 bytes, each with its half of a chip pair."""
    rows = [
        f'[[region]]\nname = "r{n}"\nstart = {16 * n}\nend = {16 * n + 15}\nkind = "ram"\nselect = "CS{n}"\n'
        for n in range(count)
    ]
    return '[board]\nname = "planetarium"\nbus = "68000"\n' + "".join(rows)


def test_a_card_of_16384_regions_loads_and_one_more_is_refused_in_a_sentence(board_file: Write) -> None:
    board = load_board(board_file(_wide(16_384)), data_bits=16, address_bits=23)
    assert (len(board.regions), board.region_index("r16383")) == (16_384, 16_383)
    with pytest.raises(BoardError, match=r"\[\[region\]\]: 16385 regions; expected at most 16384") as caught:
        load_board(board_file(_wide(16_385)))
    assert len(str(caught.value).splitlines()) == 1


def test_a_driver_that_serves_thousands_of_regions_names_them_all(board_file: Write) -> None:
    names = ", ".join(f'"r{n}"' for n in range(4_096))
    driver = f'[[buffer]]\ndesignator = "U10"\npart = "74LS245"\nlanes = "D0-D7"\nserves = [{names}]\n'
    board = load_board(board_file(_wide(4_096) + driver))
    assert len(board.buffers[0].serves) == 4_096


def test_a_chain_of_thousands_of_decoders_is_followed_to_its_end(board_file: Write) -> None:
    def chain(last: str) -> str:
        """Each decoder feeds the one before it, and the first one the region; what feeds the last one is ``last``."""
        made = ["CS0", *(f"LINK{n}" for n in range(1, 2_000)), last]
        return _wide(1) + "".join(
            f'[[decoder]]\ndesignator = "U{n}"\npart = "74LS138"\n'
            f'inputs = {{ A = "{made[n + 1]}" }}\noutputs = {{ Y0 = "{made[n]}" }}\n'
            for n in range(2_000)
        )

    assert len(load_board(board_file(chain("A4"))).decoders) == 2_000
    with pytest.raises(BoardError, match=r"CS0 .* from LINK1 .* from LINK2 ") as caught:
        load_board(board_file(chain("CS0")))
    assert len(str(caught.value).splitlines()) == 1


def test_of_thousands_of_misspelt_names_the_first_are_told_with_the_nearest(board_file: Write) -> None:
    text = _wide(1_000) + "".join(
        f'[[region]]\nname = "m{n}"\nstart = {32_000 + 16 * n}\nend = {32_015 + 16 * n}\nkind = "ram"\n'
        f'mirror_of = "rr{n}"\n'
        for n in range(100)
    )
    with pytest.raises(BoardError) as caught:
        load_board(board_file(text))
    lines = str(caught.value).splitlines()
    assert len(lines) == 100 and "; nearest: r0" in lines[0]
    assert all(f'no region "rr{n}"; expected a region of this file' in lines[n] for n in range(100))
    assert "nearest" not in lines[-1]


@given(cards())
@settings(deadline=None)
def test_the_ledger_finds_the_sharers_that_every_two_regions_give(regions: list[Region]) -> None:
    """Owners hold the regions of a checked board: no range ends before its start; one byte makes the bus parted."""
    kept = [region for region in regions if region.end >= region.start]
    spaces = [("memory", "io").index(region.space) for region in kept]
    when = [hash(region.when) if region.when else -1 for region in kept]
    owners = Owners(
        np.array([r.start for r in kept], np.int64),
        np.array([r.end for r in kept], np.int64),
        np.array(spaces, np.uint8),
        [0xFF] * len(kept),
        [0] * len(kept),
        2,
        [sorted(set(when)).index(one) for one in when],
    )
    sharing = {
        i
        for i in range(len(kept))
        for j in range(len(kept))
        if i != j and (spaces[i], kept[i].when) == (spaces[j], kept[j].when)
        if kept[i].start <= kept[j].end and kept[j].start <= kept[i].end
    }
    assert set(owners.sharing) == sharing


@given(cards(), st.lists(st.sampled_from(["ram", "rom", "io"]), min_size=12, max_size=12))
@settings(deadline=None)
def test_a_device_inside_a_memory_is_found_as_every_two_regions_give_it(
    regions: list[Region], kinds: list[str]
) -> None:
    kept = [replace(region, kind=kind) for region, kind in zip(regions, kinds, strict=False)]
    kept = [region for region in kept if region.end >= region.start]
    within = [
        i
        for i, one in enumerate(kept)
        if one.when is None and "io" in (one.kind, one.space)
        if any(
            "io" not in (other.kind, other.space)
            and one.space == other.space
            and one.start <= other.end
            and other.start <= one.end
            for other in kept
        )
    ]
    assert RegionMap(kept)._within == within
