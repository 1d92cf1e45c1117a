"""Two faults of one card that stand in each other's way: both are named, and nothing that is sound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.diagnosis import diagnose
from busledger.decoder.diagnosis.card import Card
from busledger.decoder.diagnosis.out_of_view import beside
from busledger.decoder.diagnosis.overlay import Blind, FoundFault
from busledger.decoder.diagnosis.path import PathFaultState, pull_apart, told_twice
from busledger.decoder.diagnosis.paths import other_names, propose_paths
from busledger.decoder.diagnosis.replay.foretold import FirstReads
from busledger.decoder.diagnosis.replay.replay import Effect
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import Noise, Tally
from busledger.decoder.diagnosis.screening import _promising, replay_all
from busledger.decoder.diagnosis.worth import prospect, share_of, worth_trying

from .faulty_cards import CHIPS, HIGH_NIBBLE, LOW_NIBBLE, Hardware, evidence_of
from .rows_of import acting, candidate, laid_over, study_of, study_on
from .small_cards import Access


class LaneAndLostWrites(Hardware):
    """U1 reads D1 low in every read; one write in six to bank 0 is lost."""

    def write(self, address: int, data: int) -> None:
        if address >= 16 or self.rng.random() > 1 / 6:
            self.put(address, data)

    def read(self, address: int) -> int:
        data = self.cells[address]
        return data & ~0x02 if address < 16 else data


class ShortAndLane(Hardware):
    """D3 and D4 of the bus are joined, low wins. U1 reads D3 low in one read of five of bank 0; ``seen``: D3 high in
    one of four, too, which only its low neighbour hides."""

    seen = True

    def read(self, address: int) -> int:
        data = self.cells[address]
        if address < 16 and self.rng.random() < 1 / 5:
            data &= ~0x08
        elif self.seen and address < 16 and self.rng.random() < 1 / 4:
            data |= 0x08
        return data if data & 0x18 == 0x18 else data & ~0x18


class ShortAndEither(ShortAndLane):
    """Only what the chip behind D4 may have given as well."""

    seen = False


class ShortAndEitherOfBoth(ShortAndEither):
    """The same behind the lanes of bank 1, too."""

    def read(self, address: int) -> int:
        return super().read(address) if address < 16 else self.of_bank_1(address)

    def of_bank_1(self, address: int) -> int:
        data = self.cells[address]
        if self.rng.random() < 1 / 5:
            data &= ~0x08
        return data if data & 0x18 == 0x18 else data & ~0x18


class LateRowAndBlock(Hardware):
    """Bank 0 is late in one read of forty, and the lanes are pulled up; U1 reads D0 high in cells 4 to 7."""

    def read(self, address: int) -> int:
        data = self.cells[address]
        if address < 16 and self.rng.random() < 1 / 40:
            return 0xFF
        return data | 0x01 if address in range(4, 8) else data


class LostWritesAndChipAddress(Hardware):
    """One write in five is lost, of any bank; U4 follows A2 but for one access in thirty."""

    def at(self, address: int) -> int:
        return address & ~4 if address >= 16 and self.rng.random() < 1 / 30 else address

    def write(self, address: int, data: int) -> None:
        if self.rng.random() < 1 / 5:
            return
        self.put(address, data, LOW_NIBBLE)
        self.put(self.at(address), data, HIGH_NIBBLE)

    def read(self, address: int) -> int:
        return self.cells[address] & LOW_NIBBLE | self.cells[self.at(address)] & HIGH_NIBBLE


class AddressAndChip(Hardware):
    """Bank 0 sees A2 high in one access of five, U1 reads D0 high half the time: most reads that the line spoils show
    U1's own fault, too."""

    def at(self, address: int) -> int:
        return address | 4 if address < 16 and self.rng.random() < 1 / 5 else address

    def write(self, address: int, data: int) -> None:
        self.put(self.at(address), data)

    def read(self, address: int) -> int:
        data = self.cells[self.at(address)]
        return data | 0x01 if address < 16 and self.rng.random() < 1 / 2 else data


class DriverLaneAndRow(Hardware):
    """The driver reads D2 low in two reads of three, of both banks; bank 0 never answers in time, its lanes rise."""

    def read(self, address: int) -> int:
        data = 0xFF if address < 16 else self.cells[address]
        return data & ~0x04 if self.rng.random() < 2 / 3 else data


class SilentRowAndShort(Hardware):
    """Bank 0 never answers, so that its reads show what the bus was left with; D6 and D7 of the bus are joined in one
    read of six, low wins."""

    left = 0

    def write(self, address: int, data: int) -> None:
        self.left = data
        if address >= 16:
            self.put(address, data)

    def read(self, address: int) -> int:
        data = self.cells[address] if address >= 16 else self.left
        joined = data & 0xC0 != 0xC0 and self.rng.random() < 1 / 6
        self.left = data & ~0xC0 if joined else data
        return self.left


def test_what_a_silent_row_hides_was_not_overlooked_by_a_short_that_was_judged_without_its_chips():
    """The chips of the row are sound as far as anybody can tell: none of their reads is in view."""
    found = diagnose(evidence_of(SilentRowAndShort(np.random.default_rng(1)), rounds=40))
    likely = {s.fault for s in found.suspects if s.probability >= 0.5}
    assert likely == {"bridged", "select-missing"}
    assert not {part.component for part in found.parts if part.bad >= 0.5} & set(CHIPS)


def test_a_row_that_never_answers_is_judged_beside_a_lane_that_comes_and_goes():
    """Of a row that rises the lane shows a low level whenever the driver's fault is at work: no read of the row's."""
    study = study_on(DriverLaneAndRow(np.random.default_rng(3)), rounds=40)
    card = Card(study, study.rows())
    lane = candidate(study, "stuck-low", "buffer", component="U10", lanes=0x04)
    found = [p for p in propose_paths(study, card.rows, (), None) if p.key[:6] == lane.key[:6]]
    state = max((card.weigh((path,)) for path in found), key=lambda s: s.log_total)
    rows = propose_paths(study, state.rows, state.paths, None, beside(card, state))
    silent = [p for p in rows if p.key[:2] == ("no-answer", "region") and p.scored.hard and p.blind is not None]
    assert [(p.scored.effect.tally.misses, p.scored.effect.tally.other) for p in silent] == [(0, 0)]
    assert card.weigh((*state.paths, *silent)).log_total > state.log_total + 100.0


# Seeds on which both are found: of the two cards with address lines that come and go seven of the first eight, of the
# others all.
CARDS = [
    (LaneAndLostWrites, {("stuck-low", "chip"), ("write-lost", "region")}, {"U1"}, (3, 6)),
    (LateRowAndBlock, {("stuck-high", "chip"), ("slow", "region")}, {"U1"}, (3, 6)),
    (AddressAndChip, {("stuck-high", "chip"), ("address-stuck", "region")}, {"U1"}, (2, 8)),
    (LostWritesAndChipAddress, {("address-stuck", "chip"), ("write-lost", "board")}, {"U4"}, (3, 6)),
]


@pytest.mark.parametrize(
    ("hardware", "told", "bad", "seed"),
    [(*card[:3], seed) for card in CARDS for seed in card[3]],
    ids=[f"{card[0].__name__}-{seed}" for card in CARDS for seed in card[3]],
)
def test_both_are_named_and_no_part_that_is_sound(hardware, told, bad, seed):
    found = diagnose(evidence_of(hardware(np.random.default_rng(seed)), rounds=60))
    likely = {(s.fault, s.scope) for s in found.suspects if s.probability >= 0.5 and s.scope != "chip"}
    assert likely == {one for one in told if one[1] != "chip"}, [(s.summary, s.probability) for s in found.suspects]
    assert {part.component for part in found.parts if part.bad >= 0.5} == bad


def _pair(first: int, second: int) -> PathFault:
    return PathFault("joined-board", (first, second, 0), 0xFF, (0, 1))


def _effects(hard: Tally, some: Tally) -> tuple[Effect, Effect]:
    counts = np.zeros((1024, 2), np.int64)
    return Effect(hard, 1, (), counts), Effect(some, 2, (), counts)


def test_what_explains_its_own_reads_exactly_is_not_crowded_out_by_what_explains_a_little_of_all():
    """One pair of lines explains ten reads of sixty whenever it acts; nine others more of them, each at a tenth of its
    chances: were they alone on the card, they would be likelier."""
    exact = _pair(4, 5)
    often = _effects(Tally(0, 90, 10), Tally(hits=30, misses=270, other=20, explained=40))
    first = {_pair(k, 15): often for k in range(9)}
    first[exact] = _effects(Tally(hits=10, misses=1, explained=10), Tally(hits=16, misses=160, explained=16))
    kept = _promising(first, dict.fromkeys(first, -9.0), Noise(60, 600, 8), of_a_part=4)
    assert exact in kept


def test_levels_of_lanes_that_nobody_drives_take_no_other_lines_place():
    """One pair of lines in each of three ways that undriven lanes may show, and a second pair: two pairs are kept."""
    ways = [_pair(4, 5)._replace(floats=floats) for floats in range(3)]
    second = _pair(6, 7)
    often = _effects(Tally(0, 90, 10), Tally(hits=30, misses=270, other=20, explained=40))
    first = {**dict.fromkeys(ways, often), second: _effects(Tally(0, 90, 10), often[1].tally._replace(hits=29))}
    prior = {fault: -9.0 - 30.0 * (fault == second) for fault in first}
    kept = _promising(first, prior, Noise(60, 600, 8), of_a_part=2)
    assert {*ways, second} <= set(kept)


def test_what_unwritten_cells_show_through_a_stuck_lane_speaks_for_it_once():
    """Behind a lane that is high in every read of both banks nothing is known of what any cell held."""
    accesses: list[Access] = [("r", cell, 0xFF) for cell in range(8)]
    accesses += [(kind, cell, 0x10 + cell) for cell in range(8) for kind in ("w", "r")]
    study = study_of(accesses, lambda _, data: data | 0x01)
    lane = candidate(study, "stuck-high", "buffer", component="U10", lanes=1)
    rows = study.rows()
    gain = FirstReads(study, rows).log_gain(lane.variants[0].behaviour)
    left = laid_over(FoundFault(acting(lane, hard=True), study), rows)
    assert gain > 0.0
    assert FirstReads(study, left).log_gain(lane.variants[0].behaviour) == 0.0
    assert not (left.sure[~left.is_write] & 1).any() and (left.sure[left.is_write] & 1).all()


def test_a_fault_that_explains_all_wrong_reads_of_its_chips_is_not_outdone_by_what_explains_a_few():
    """Two chips that cost 1 100 nats each by 500 and 600 wrong reads: one fault of both at 2 188 nats explains all,
    another one a sixth of them at 560."""
    lost, wrong = np.array([1100.0, 1100.0]), np.array([500, 600])
    assert share_of(lost, wrong, 600) - 2188.0 == pytest.approx(12.0)
    assert share_of(lost, wrong, 100) - 560.0 < 0.0


def test_lanes_that_nobody_drives_are_not_pulled_both_ways():
    """Two address faults that lead reads to nobody would need one bus that falls and rises by itself."""
    study = study_of([("w", 0, 0), ("r", 0, 0)])
    stray = candidate(study, "no-answer", "region", region=0)
    up, down = (
        PathFaultState(acting(stray, hard=False, way=way), 0.0, study)
        for way, one in enumerate(stray.variants)
        if one.label in ("the lanes are pulled up", "the lanes are pulled down")
    )
    assert pull_apart(up, down)
    assert not pull_apart(up, up)


def test_one_short_is_not_two_shorts_of_one_net():
    """Two lines of the card that are joined for all its banks are joined for each of them."""
    study = study_of([("w", 0, 0), ("r", 0, 0)])

    def short(scope: str, lines: tuple[int, ...], **wanted: object) -> PathFaultState:
        found = candidate(study, "address-bridged", scope, lines=lines, **wanted)
        return PathFaultState(acting(found, hard=False), 0.0, study)

    card, first = short("board", (0, 1)), short("region", (0, 1), region=0)
    assert told_twice(card, first)
    assert not told_twice(first, short("region", (0, 1), region=1)), "each bank's own lines may be"
    assert not told_twice(first, short("region", (1, 2), region=0))
    lanes = candidate(study, "bridged", "bus", lanes=0x03)
    assert told_twice(*(PathFaultState(acting(lanes, hard=True, way=way), 0.0, study) for way in (0, 1)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_of_two_joined_lanes_that_read_low_one_chip_is_to_blame_and_not_both(seed):
    told = {p.component: p.bad for p in diagnose(evidence_of(ShortAndLane(np.random.default_rng(seed)))).parts}
    assert told["U1"] > 0.95 and told["U2"] < 0.1
    tied = {p.component: p.bad for p in diagnose(evidence_of(ShortAndEither(np.random.default_rng(seed)))).parts}
    assert abs(tied["U1"] - 0.5) < 0.2 and abs(tied["U1"] + tied["U2"] - 1.0) < 0.05
    found = diagnose(evidence_of(ShortAndEitherOfBoth(np.random.default_rng(seed)))).parts
    each = {p.component: p.bad for p in found if p.component in ("U1", "U2", "U3", "U4")}
    assert len(each) == 4 and all(abs(bad - 0.5) < 0.2 for bad in each.values()), "two ties, and no chip convicted"


class RowThatSlips(Hardware):
    """Bank 0 does not answer in a few reads, and the lanes rise."""

    def __init__(self, rng: np.random.Generator) -> None:
        super().__init__(rng)
        self.reads = 0

    def read(self, address: int) -> int:
        self.reads += 1
        return 0xFF if address < 16 and self.reads in (80, 90, 100, 110) else self.cells[address]


def test_what_explains_reads_that_were_let_pass_gains_what_they_cost():
    """No chip is charged with one or two reads that all chips of the row would share; what explains them gains that."""
    study = study_on(RowThatSlips(np.random.default_rng(2)))
    card = Card(study, study.rows())
    base = card.weigh(())
    assert 1 <= len(base.passed) <= 2 and base.owed > 15.0 and not base.gains.sum() > 1.0
    assert prospect(base) > base.log_total
    proposed = [p for p in propose_paths(study, base.rows, (), None) if p.scored.candidate.fault == "no-answer"]
    gain, path = max(worth_trying(card, base, proposed, base.log_total, 3), key=lambda one: one[0])
    assert gain == pytest.approx(card.weigh((path,)).log_total - base.log_total, abs=1.0)


def test_copies_of_one_fault_take_one_place_among_those_that_are_tried():
    """Judged without the chips of bank 1 it has just the same to say of bank 0."""
    study = study_on(RowThatSlips(np.random.default_rng(2)))
    card = Card(study, study.rows())
    base = card.weigh(())
    proposed = [p for p in propose_paths(study, base.rows, (), None) if p.scored.candidate.region == 0]
    copies = [replace(p, blind=Blind({1: 0xFF}, 2)) for p in proposed]
    tried = worth_trying(card, base, [*proposed, *copies], base.log_total, 3)
    assert [path for _, path in tried] == [path for _, path in worth_trying(card, base, proposed, base.log_total, 3)]


class LaneAtTimes(Hardware):
    """D0 is read low in one read of four, whatever the bank."""

    def read(self, address: int) -> int:
        data = self.cells[address]
        return data & ~0x01 if self.rng.random() < 1 / 4 else data


def test_a_fault_that_two_parts_may_have_is_known_by_the_name_of_either():
    study = study_on(LaneAtTimes(np.random.default_rng(1)))
    rows = study.rows()
    low = [p for p in propose_paths(study, rows, (), None) if p.key[0] == "stuck-low" and p.mask == 1]
    of_bus = next(p for p in low if p.key[1] == "bus" and not p.scored.hard and p.scored.path is None)
    others = other_names(of_bus, study, rows, ())
    assert {one.scored.candidate.component for one in others} == {"U10"}
    assert {one.scored.effect.hash_ for one in others} == {of_bus.scored.effect.hash_}
    assert not other_names(of_bus, study, rows, [of_bus, *others]), "no name that the set has already"


def test_joined_address_lines_are_asked_about_where_nobody_asked_about_each_line_alone():
    """Beside chips that show a short of A0 and A1 nothing else is asked for."""
    study = study_of([("w", 0, 0x11), ("w", 1, 0x22), ("r", 1, 0x11), ("r", 0, 0x11)])
    short = candidate(study, "address-bridged", "region", region=0, lines=(0, 1))
    rows = study.rows()
    assert replay_all(study, [short], study.survey([rows]), rows)
