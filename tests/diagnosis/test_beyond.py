"""Reads that are nobody's fault: of what the board file leaves out, of another ROM, and one slip of the analyser."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.board import Board, Region
from busledger.decoder.diagnosis import Evidence, ProfileFacts
from busledger.decoder.diagnosis.card import Card
from busledger.decoder.diagnosis.overlay import FoundFault
from busledger.decoder.diagnosis.path import Innocent
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.rivals.beyond import beyond
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.screening import replay_all

from .rows_of import acting, candidate, laid_over, study_of
from .small_cards import Access, Bend, log_of, two_banks, walk

IMAGE = np.random.default_rng(5).integers(0, 256, 64).astype(np.uint8).tobytes()
ROM = 0xE000


def _board() -> Board:
    rom = Region("monitor", ROM, ROM + 63, "rom", "memory", None, (), IMAGE)
    return replace(two_banks(), regions=(*two_banks().regions, rom))


def _study(accesses: list[Access], bend: Bend, unwired: int = 0) -> Study:
    board = _board()
    return Study(Evidence(board, ProfileFacts(16, 8, unwired), (), log_of(board, accesses, bend), 1e-9))


def _program() -> list[Access]:
    """The monitor read through three times, and between its passes a device at its last four addresses."""
    rng = np.random.default_rng(1)
    made: list[Access] = []
    for _ in range(3):
        made += [("r", ROM + k, IMAGE[k]) for k in range(60)]
        made += [("r", ROM + 60 + k, int(rng.integers(0, 256))) for k in (0, 1, 0, 2, 3, 1)]
    return made


@pytest.mark.parametrize("unwired", [0xE000, 0])
def test_a_device_at_high_lines_that_are_not_clipped_is_not_the_rom(unwired: int) -> None:
    found = list(beyond(Story.of(_study(_program(), lambda _, data: data, unwired))))
    if not unwired:
        assert found == []
        return
    (rival,) = found
    assert (rival.fault, rival.region, rival.addresses) == ("device", 2, (ROM + 60, ROM + 63))
    assert rival.explains == 18
    assert "A13-A15 are not clipped" in rival.summary
    study = _study(_program(), lambda _, data: data, unwired)
    card = Card(study, study.rows())
    innocent = card.weigh((Innocent(rival, (0, 1, 2)),))
    assert innocent.log_total > card.weigh(()).log_total
    assert not innocent.rows.wrong.any()


def test_a_rom_that_differs_is_not_read_from_another_regions_unknown_cells() -> None:
    """Exchanged selects would have the ROM's reads come from memory that nobody ever wrote: all that it holds would be
    chance, the right bytes as well as the wrong ones."""
    accesses = [("r", ROM + k, IMAGE[k]) for _ in range(4) for k in range(16)]
    study = _study(accesses, lambda address, data: data ^ (0x15 if address % 16 < 3 else 0))
    rows = study.rows()
    mine = candidate(study, "select-swapped", "decoder", region=0, other=1)
    behaviour = PathFault("swapped", (2, 0), 0xFF, (0, 2))
    swapped = replace(mine, region=2, other=0, variants=(mine.variants[0]._replace(behaviour=behaviour),))
    always, _ = replay_all(study, [swapped], study.survey([rows]), rows)[behaviour]
    assert always.tally.hits > 0
    assert always.log_contents is not None and always.log_contents < -60.0


def test_one_slip_of_the_analyser_is_not_as_many_bad_chips_as_a_read_has() -> None:
    accesses = walk(40)
    last = max(k for k, (kind, _, _) in enumerate(accesses) if kind == "r")
    reads = [k for k, (kind, _, _) in enumerate(accesses) if kind == "r"]
    number = iter(range(len(reads)))
    study = study_of(accesses, lambda _, data: data ^ (0x33 if next(number) == len(reads) - 40 else 0))
    state = Card(study, study.rows()).weigh(())
    assert last > 0 and np.count_nonzero(state.rows.wrong) == 1
    assert state.bad.max() < 0.2


def test_what_a_fault_could_excuse_and_does_not_take_is_told() -> None:
    """Cell 3 is given 7 and then 5 and reads something that was in it at no time: a lost write may have had a part."""
    accesses: list[Access] = [("w", 3, 7), ("r", 3, 7), ("w", 3, 5), ("r", 3, 5), ("r", 3, 5)]
    reads = iter([False, True, False])
    study = study_of(accesses, lambda _, data: data ^ 4 if next(reads) else data)
    strict = replace(acting(candidate(study, "write-lost", "region", region=0), hard=False), strict=True)
    found = FoundFault(strict, study)
    left = laid_over(found, study.rows())
    assert found.excusable.tolist() == left.index[left.wrong != 0].tolist() == [3]
