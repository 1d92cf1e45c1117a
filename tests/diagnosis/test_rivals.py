"""Every row of the table of rivals (diagnosis.md, section 4): a capture that shows it, and a bad card like it."""

from __future__ import annotations

import pytest

from busledger.captures_demo.world.faults import Fault, When
from busledger.decoder.diagnosis import rivals_unread, with_sure
from tests.captures_demo import unusual
from tests.diagnosis.unusual_captures import Found, healthy, look


@pytest.fixture(scope="module")
def run():
    return healthy()


def ram(run):
    return next(region for region in run.machine.regions if region.kind == "ram")


def rom(run):
    return next(region for region in run.machine.regions if region.kind == "rom")


@pytest.fixture(scope="module")
def with_image():
    """A machine whose ROM comes with an image."""
    return next(r for r in map(healthy, range(4, 20)) if rom(r).image is not None)


def test_a_sound_machine_has_no_rival(run, tmp_path):
    found = look(run, tmp_path)
    assert (found.wrong, found.rivals, found.verdict) == (0, [], None)


# -- places that are not plain memory ---------------------------------------
PLACES = {
    "device": lambda run, rng: unusual.Device(run.machine, rng, ram(run).start + 16, ram(run).start + 19),
    "read-only": lambda run, rng: unusual.Protected(run.machine, rng, ram(run).start, ram(run).start + 511),
    "mirrored": lambda run, rng: unusual.Mirrored(run.machine, rng, ram(run).start, ram(run).end, 512),
    "contents-lost": lambda run, rng: unusual.Lost(run.machine, rng, 0, 0xFFFF, len(run) // 5),
    "banked": lambda run, rng: unusual.Banked(run.machine, rng, ram(run).start, ram(run).end, 900),
}


@pytest.mark.parametrize("with_board", [True, False], ids=["board", "no board"])
@pytest.mark.parametrize("fault", ["device", "read-only", "mirrored", "contents-lost", "banked"])
def test_an_unusual_place_is_named(fault, with_board, run, tmp_path):
    found = look(run, tmp_path, memory=PLACES[fault], with_board=with_board)
    assert found.wrong >= 4
    assert found.first.fault == fault
    assert found.first.explains == found.wrong
    assert found.left(found.first) == 0
    assert found.first.next_step.endswith(".")
    assert fault == "contents-lost" or found.first.propose[0] == "[[region]]"


def test_a_device_says_its_addresses_and_the_table_to_add(run, tmp_path):
    found = look(run, tmp_path, memory=PLACES["device"])
    start = ram(run).start
    assert found.first.summary.startswith(f"{start + 16:04X}-")
    assert "behaves like a device, not like memory: say so in the board file" in found.first.summary
    assert 'kind = "io"' in found.first.propose
    assert found.worth(found.first) > found.best_of_the_card()


def test_shared_memory_is_named_where_another_master_writes(run, tmp_path):
    def memory(run, rng):
        return unusual.Shared(run.machine, rng, ram(run).start, ram(run).start + 399, 12)

    found = look(run, tmp_path, memory=memory)
    assert found.first.fault == "shared"
    assert "shared = true" in found.first.propose


def test_narrow_memory_is_named_only_where_no_chips_are(run, tmp_path):
    def memory(run, rng):
        return unusual.Narrow(run.machine, rng, ram(run).start, ram(run).end)

    bare = look(run, tmp_path, memory=memory, with_board=False)
    assert "is 4 bits wide: nobody drives D4-D7" in bare.first.summary
    named = look(run, tmp_path, memory=memory)
    assert not any("bits wide" in rival.summary for rival in named.rivals)


def test_another_version_of_the_rom_is_no_fault(with_image, tmp_path):
    def memory(run, rng):
        return unusual.Elsewhere(run.machine, rng, rom(run).start, rom(run).end, 0.3)

    found = look(with_image, tmp_path, memory=memory)
    assert found.first.fault == "other-image"
    assert found.left(found.first) == 0
    assert found.worth(found.first) > found.best_of_the_card()


# -- clips -------------------------------------------------------------------
def test_a_data_clip_that_falls_off_takes_the_lane_out(run, tmp_path):
    found = look(run, tmp_path, bend=lambda kept, _: unusual.off(kept, "D3", level=1, start=0.5))
    assert (found.first.fault, found.first.scope, found.first.lines) == ("clip-off", "clip", ("D3",))
    assert found.first.stops_judging
    assert "the clip on D3 has come off at" in found.first.summary
    assert found.left(found.first) == 0
    assert found.worth(found.first) > found.best_of_the_card()


def test_a_data_clip_that_was_never_on_is_told_without_a_wrong_read(run, tmp_path):
    found = look(run, tmp_path, bend=lambda kept, _: unusual.off(kept, "D3", level=0), with_board=False)
    assert found.wrong == 0
    assert "the clip on D3 has come off: it never moved in" in found.first.summary
    assert found.verdict is not None
    assert (found.verdict.fault, found.verdict.lines) == ("clip-off", ("D3",))


@pytest.mark.parametrize(("start", "end"), [(0.0, 1.0), (0.5, 1.0), (0.4, 0.6)], ids=["always", "later", "a while"])
def test_an_address_clip_that_is_off_shows_two_cells_under_one_address(start, end, with_image, tmp_path):
    found = look(with_image, tmp_path, bend=lambda kept, _: unusual.off(kept, "A5", level=1, start=start, end=end))
    assert (found.first.fault, found.first.lines) == ("clip-off", ("A5",))
    assert found.left(found.first) <= 0.02 * found.wrong
    assert found.worth(found.first) > found.best_of_the_card()


def dipping(kept, rng, line="A5"):
    """A loose contact: the channel falls low for an access or two, some tens of times."""
    for start in rng.uniform(0.05, 0.95, 150):
        kept = unusual.off(kept, line, level=0, start=start, end=start + 1.5 / 9000)
    return kept


def test_a_loose_address_clip_shows_the_other_cell_and_the_program_goes_on_from_there(with_image, tmp_path):
    """Pulses far longer than a sample, which no count of runts shows."""
    found = look(with_image, tmp_path, bend=dipping)
    assert found.wrong >= 5
    assert (found.first.fault, found.first.lines) == ("clip-noisy", ("A5",))
    assert "the program goes on from there" in found.first.summary
    assert found.left(found.first) == 0
    assert found.worth(found.first) > found.best_of_the_card()


def test_a_card_that_takes_an_address_line_wrongly_now_and_then_has_no_loose_clip(with_image, tmp_path):
    """The same reads, but the processor goes on from the address that the bus shows."""
    now_and_then = When(mode="intermittent", rate=0.05)
    where = {"region": rom(with_image).name, "address_lines": (5,), "level": 1}
    found = look(healthy(4, faults=(Fault("address-stuck", "region", when=now_and_then, **where),)), tmp_path)
    assert found.wrong >= 5
    assert not any("goes on from there" in rival.summary for rival in found.rivals)


def test_a_select_at_rest_while_its_region_answers_is_its_clip(run, tmp_path):
    found = look(run, tmp_path, bend=lambda kept, _: unusual.off(kept, ram(run).select, level=1))
    assert (found.first.fault, found.first.lines) == ("clip-off", (ram(run).select,))
    assert found.first.explains == 0
    (told,) = with_sure((), rivals_unread(found.evidence), found.evidence.board.regions)
    assert told.region == ram(run).name


def test_a_select_that_rests_active_is_its_clip_where_other_reads_could_not_come_right(run, tmp_path):
    found = look(run, tmp_path, bend=lambda kept, _: unusual.off(kept, ram(run).select, level=0, start=0.5))
    off = next(rival for rival in found.rivals if rival.lines == (ram(run).select,))
    assert off.log_seen > 7.0
    assert "other regions came back right" in off.summary


def test_a_noisy_data_clip_is_named(run, tmp_path):
    found = look(run, tmp_path, bend=lambda kept, rng: unusual.noisy(kept, "D3", rng, 0.02))
    assert (found.first.fault, found.first.lines) == ("clip-noisy", ("D3",))


def test_a_noisy_line_that_tells_writes_from_reads_is_named_over_memory_that_changes_by_itself(run, tmp_path):
    """At a pulse a write is taken for a read, and nobody is seen to write what is read later; ROM is read, too."""
    found = look(run, tmp_path, bend=lambda kept, rng: unusual.noisy(kept, "RW", rng, 0.05))
    assert found.wrong >= 4
    assert (found.first.fault, found.first.lines) == ("clip-noisy", ("RW",))
    assert found.worth(found.first) > found.best_of_the_card()


def test_a_write_strobe_that_is_lost_explains_what_programs_go_on_writing(run, tmp_path):
    """Writes are then taken for reads that give something new, made as programs make their data."""
    found = look(run, tmp_path, bend=lambda kept, _: unusual.off(kept, "RW", level=1, start=0.4))
    assert (found.first.fault, found.first.lines) == ("clip-off", ("RW",))
    assert found.left(found.first) == 0


@pytest.mark.parametrize(("one", "two"), [("D2", "D5"), ("A2", "A7"), ("A2", "D5")])
def test_exchanged_clips_are_named(one, two, with_image, tmp_path):
    found = look(with_image, tmp_path, bend=lambda kept, _: unusual.exchanged(kept, one, two))
    assert found.first.fault == "clips-exchanged"
    assert set(found.first.lines) == {one, two}


def test_a_data_clip_on_an_address_line_is_told_by_when_it_moves(run, tmp_path):
    """Addresses move at the beginning of a cycle, data later, on every such bus; without a board file there is no
    image of a ROM to tell it by."""
    found = look(run, tmp_path, bend=lambda kept, _: unusual.exchanged(kept, "A2", "D5"), with_board=False)
    assert (found.first.fault, set(found.first.lines)) == ("clips-exchanged", {"A2", "D5"})
    assert found.verdict is not None and found.verdict.fault == "clips-exchanged"
    assert "A2 moves when the data lines do, D5 when the address lines do" in found.verdict.reason


# -- captures that cannot be judged ------------------------------------------
def test_three_samples_a_strobe_cannot_be_judged(run, tmp_path):
    found = look(run, tmp_path, rate_hz=3 / (0.5 / run.machine.clock_hz))
    assert found.verdict is not None
    assert found.verdict.code == "too-slow"
    assert "sampled too slowly" in found.verdict.reason


@pytest.mark.parametrize("with_board", [True, False], ids=["board", "no board"])
def test_a_capture_without_a_write_cannot_be_judged(with_board, run, tmp_path):
    found = look(run, tmp_path, bend=lambda kept, _: unusual.off(kept, "RW", level=1), with_board=with_board)
    assert found.verdict is not None
    assert found.verdict.code == "no-writes"


def test_a_strobe_that_stops_reading_stops_the_judging(run, tmp_path):
    found = look(run, tmp_path, bend=lambda kept, _: unusual.off(kept, "RW", level=0, start=0.5))
    off = next(rival for rival in found.rivals if rival.lines == ("RW",))
    assert off.stops_judging
    assert "not one read since" in off.summary
    assert off.explains == 0
    (told,) = with_sure((), rivals_unread(found.evidence), found.evidence.board.regions)
    assert (told.fault, told.scope, told.detail["clips"]) == ("clip-off", "clip", ["RW"])
    assert told.probability > 0.99


def test_what_no_line_proves_is_not_told_first(run, tmp_path):
    found = look(run, tmp_path)
    assert with_sure((), rivals_unread(found.evidence), found.evidence.board.regions) == ()


# -- bad cards that look alike: the card is not talked out of it ---------------
ALIKE = {
    "a lane of a chip, not a clip": Fault("stuck-low", "chip", chip="U1", lanes=(1,)),
    "a dead chip, not a device": Fault("dead", "chip", chip="U1"),
    "a cell, not a device": Fault("stuck-high", "cell", chip="U1", lanes=(2,), level=1, address=17),
    "a lane of the driver, not a clip": Fault("stuck-high", "buffer", card=1, lanes=(3,), level=1),
}


def card_wins(found: Found) -> bool:
    return all(found.worth(r) < found.best_of_the_card() for r in found.rivals if r.explains)


@pytest.mark.parametrize("name", list(ALIKE))
def test_a_fault_of_the_card_stays_one(name, tmp_path):
    buffered = next(seed for seed in range(4, 40) if healthy(seed).machine.cards[1].buffer)
    found = look(healthy(buffered, faults=(ALIKE[name],)), tmp_path)
    assert found.wrong > 0
    assert found.verdict is None
    assert card_wins(found)


def test_writes_that_never_take_tie_with_a_write_protected_region(run, tmp_path):
    """An open write line and a write-protect switch are one to every observer: neither may have it alone."""
    fault = Fault("write-lost", "region", region=ram(run).name)
    found = look(healthy(faults=(fault,)), tmp_path)
    assert found.first.fault == "read-only"
    assert abs(found.worth(found.first) - found.best_of_the_card()) < 0.5


def test_an_open_address_line_ties_with_a_mirror(run, tmp_path):
    fault = Fault("address-stuck", "region", region=ram(run).name, address_lines=(9,))
    found = look(healthy(faults=(fault,)), tmp_path)
    assert found.first.fault == "mirrored"
    assert "A9" in found.first.lines
    # The card has two names for it, the region's and the board's line, that tie as well.
    assert abs(found.worth(found.first) - found.best_of_the_card()) < 2.0
