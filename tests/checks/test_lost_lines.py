"""Clips that are off for a while, or from some moment on: what memory and the strobes show of a line that rests."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus import Cycles, Kind, Layout, line_needs, load_profile
from busledger.decoder.capture import Capture, Signal
from busledger.decoder.checks import LostLines
from busledger.decoder.checks.probes import lost_kernel as kernel
from busledger.decoder.checks.probes import lost_lines
from busledger.decoder.checks.probes.lost_rests import ended, rest_of_few, settled
from busledger.decoder.wiring import bind
from tests.reference.lost_twin import ADDRESS_BITS, LostTwin, rests_of

LINES = [*(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)), "RW", "PHI2"]
PROFILE = load_profile("6502")


def layout_of(profile=PROFILE, names=LINES) -> Layout:
    signals = [Signal(name, 1, str(n)) for n, name in enumerate(names)]
    return Layout(profile, bind(signals, line_needs(profile, ())), ())


def cycles_of(rows) -> Cycles:
    """``rows``: (kind, address, data), one every ten ticks."""
    n = len(rows)
    kind, address, data = (np.array([row[k] for row in rows], dtype) for k, dtype in enumerate(
        (np.uint8, np.uint32, np.uint32)
    ))  # fmt: skip
    none, time = np.zeros(n, np.uint32), 10 * np.arange(n, dtype=np.int64)
    return Cycles(
        sample=time.copy(), time=time, kind=kind, address=address, address_unknown=none, data=data,
        data_unknown=none.copy(), kept=none.copy(), region=np.full(n, -1, np.int16), flags=np.zeros(n, np.uint16),
        width=np.ones(n, np.uint8), rule=np.zeros(n, np.uint8),
    )  # fmt: skip


def no_rows() -> Capture:
    return Capture(np.zeros(0, np.int64), np.zeros((0, 1), np.uint64), np.zeros((0, 1), np.uint64), 1_000_000)


def found_in(rows) -> dict[str, tuple[int, int | None]]:
    """Line → first and last tick of the clips that are off."""
    lost = LostLines(PROFILE, layout_of())
    lost.feed(no_rows(), cycles_of(rows))
    return {one.line: (one.first, one.last) for one in lost.found()}


def code(start: int, length: int = 24) -> list[tuple[int, int, int]]:
    """A routine in ROM, fetched from one address to the next."""
    return [(Kind.READ, at, at * 151 + (at >> 8) * 11 & 0xFF) for at in range(start, start + length)]


def program(rounds: int) -> list[tuple[int, int, int]]:
    """Two routines on either side of A11, and a write to memory."""
    return [*code(0xE000), *code(0xE800), (Kind.WRITE, 0x0010, 0x55)] * rounds


def without_data(rows, lane: int, level: int = 0):
    return [(kind, at, data & ~(1 << lane) | level << lane) for kind, at, data in rows]


def without_address(rows, bit: int, level: int = 0):
    return [(kind, at & ~(1 << bit) | level << bit, data) for kind, at, data in rows]


def test_a_sound_capture_has_no_clip_off():
    assert found_in(program(30)) == {}


@pytest.mark.parametrize("level", [0, 1])
def test_a_data_clip_that_comes_off_is_found_by_code_that_differs_by_it_alone(level):
    found = found_in(program(10) + without_data(program(10), 3, level))
    assert list(found) == ["D3"]
    assert found["D3"][1] is None


def test_what_goes_into_a_pickle_goes_on_where_it_was():
    lost = LostLines(PROFILE, layout_of())
    lost.feed(no_rows(), cycles_of(program(10)))
    saved = pickle.dumps(lost)
    assert len(saved) < 200_000  # of 49 addresses
    again = pickle.loads(saved)
    rows, begun = program(10) + without_data(program(10), 3), len(program(10))
    cycles = cycles_of(rows).take(np.arange(begun, len(rows)))
    lost.feed(no_rows(), cycles)
    again.feed(no_rows(), cycles)
    assert again.found() == lost.found() != ()


def test_a_data_clip_that_is_back_again_was_off_for_a_while():
    rows = program(10) + without_data(program(10), 3) + program(10)
    first, last = found_in(rows)["D3"]
    assert 10 * len(program(9)) < first <= 10 * len(program(10))
    assert 10 * len(program(19)) < last < 10 * len(program(21))


def test_an_address_clip_that_comes_off_shows_what_stood_on_its_other_side():
    found = found_in(program(10) + without_address(program(10), 11))
    assert list(found) == ["A11"]
    assert found["A11"][1] is None


def test_code_that_is_copied_by_whoever_writes_it_is_no_clip():
    copy = [(Kind.WRITE, at ^ 0x0800, data) for _, at, data in code(0xE800)]
    assert found_in(program(10) + copy + without_address(program(10), 11)[24:48] * 10) == {}


def test_a_bank_that_is_switched_is_no_clip():
    other = [(kind, at, data ^ 0x5A) for kind, at, data in program(10)]
    assert found_in(program(10) + other) == {}


def test_a_line_that_is_stuck_on_the_card_moves_on_the_bus():
    """A program that adds up a ROM whose A11 is open inside the card: one half of it gives what the other gave."""
    loop, half = code(0xF800, 6), range(0xE000, 0xE800)
    add_up = [row for at in [*half, *(at | 0x0800 for at in half)] for row in [*loop, *code(at & ~0x0800, 1)]]
    at = [cell for cell in [*half, *(cell | 0x0800 for cell in half)] for _ in range(7)]
    rows = [(kind, cell if n % 7 == 6 else address, data) for n, ((kind, address, data), cell) in enumerate(
        zip(add_up, at, strict=True)
    )]  # fmt: skip
    assert found_in(rows) == {}


def test_a_line_that_a_program_leaves_alone_is_no_clip():
    assert found_in(program(10) + code(0xE000) * 40) == {}


def test_code_that_does_one_thing_over_and_over_is_no_clip(monkeypatch):
    """An unrolled loop is the same on both sides of any line: what it gives there is what it gives everywhere."""
    first = [one for at in range(0xE000, 0xE200) for one in (at, 0xE808 + at % 8)]  # A11 moves all the time
    rows = [(Kind.READ, at, 0x20 + at % 8) for at in [*first, *range(0xE900, 0xEA00)]]
    assert found_in(rows) == {}
    monkeypatch.setattr(lost_lines, "_ASIDE", len(rows))  # with nothing to measure it by
    assert found_in(rows) != {}


def test_one_cell_that_fails_now_and_then_is_no_clip():
    rows = program(20)
    rows[100::49] = without_data(rows[100::49], 3)
    assert found_in(rows) == {}


def test_chips_that_give_anything_are_no_clip():
    """Cells that were written give something new at each read: chips that do not drive, and not a line that writes."""
    cells = [(Kind.WRITE, at, at & 0xFF) for at in range(0x0400, 0x0440)]
    look = [
        row
        for n in range(12)
        for at in range(0x0400, 0x0440)
        for row in [*code(0xE000, 8), (Kind.READ, at, at * 37 + n * 101 & 0xFF)]
    ]
    assert found_in(cells + look) == {}


def test_a_long_look_at_what_was_written_is_no_clip_even_where_cells_fail():
    cells = [(Kind.WRITE, at, at & 0xFF) for at in range(0x0400, 0x0480)]
    look = [row for at in range(0x0400, 0x0480) for row in [*code(0xE000, 8), (Kind.READ, at, at & 0xFF)]]
    look[8::63] = without_data(look[8::63], 2)
    assert found_in(cells + look * 3) == {}


# -- strobes, in the rows of the capture -----------------------------------------------------------------------------
Z80 = load_profile("z80")
STROBES = [*(f"A{bit}" for bit in range(8)), *(f"D{bit}" for bit in range(8)), "MREQ", "RD", "WR"]


WIRED = layout_of(Z80, STROBES)


def place(line: str) -> int:
    """Where a line lies in the rows of a capture that is read for this layout."""
    return WIRED.bit(line)


def z80_rows(rounds: int) -> np.ndarray:
    """Fetches, and a write every eighth time; the strobes are low when active (Z80 CPU User Manual, timing)."""
    idle = {"MREQ": 1, "RD": 1, "WR": 1}
    rows = []
    for n in range(rounds):
        strobe = "WR" if n % 8 == 7 else "RD"
        for lines in (idle, {**idle, "MREQ": 0, strobe: 0}, idle):
            address = sum((n >> k & 1) << place(f"A{k}") for k in range(8))
            rows.append(address | sum(level << place(line) for line, level in lines.items()))
    return np.array(rows, np.uint64)


def strobes_found(levels: np.ndarray) -> dict[str, bool]:
    """Strobe → whether it is off to the end."""
    lost = LostLines(Z80, WIRED)
    time = np.arange(len(levels), dtype=np.int64)
    for part in np.array_split(np.arange(len(levels)), 3):
        column = levels[part].reshape(-1, 1)
        lost.feed(Capture(time[part], column, np.zeros_like(column), 1_000_000), cycles_of([]))
    return {one.line: one.last is None for one in lost.found()}


def test_strobes_that_come_and_go_are_on():
    assert strobes_found(z80_rows(1000)) == {}


@pytest.mark.parametrize("level", [0, 1])
def test_a_read_strobe_that_rests_while_addresses_go_by_has_lost_its_clip(level):
    levels, bit = z80_rows(1000), np.uint64(1 << place("RD"))
    off = slice(1500, None)
    levels[off] = levels[off] | bit if level else levels[off] & ~bit
    assert strobes_found(levels) == {"RD": True}


def test_a_program_that_writes_no_more_has_not_lost_the_clip_of_the_write_strobe():
    levels, bit = z80_rows(1000), np.uint64(1 << place("WR"))
    levels[1500:] |= bit
    assert strobes_found(levels) == {}


def test_a_sector_that_a_controller_writes_leaves_the_read_strobe_alone():
    levels = z80_rows(1000)
    read, write = (np.uint64(1 << place(line)) for line in ("RD", "WR"))
    moved = levels[600:2136]
    active = (moved & read == 0) | (moved & write == 0)
    levels[600:2136] = np.where(active, (moved | read) & ~write, moved)
    assert strobes_found(levels) == {}


# -- the kernels and their twins -------------------------------------------------------------------------------------
_WAYS = {Kind.READ: "read", Kind.WRITE: "write", Kind.REFRESH: "other", Kind.IO_READ: "read"}


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_the_kernel_counts_as_its_slow_twin(data):
    wired, lanes = 0b10111, 3
    kinds = st.sampled_from([Kind.READ] * 6 + [Kind.WRITE, Kind.REFRESH, Kind.IO_READ])
    row = st.tuples(kinds, st.integers(0, 31), st.integers(0, 7))
    rows = data.draw(st.lists(row, max_size=60)) + data.draw(st.lists(row, max_size=30)) * 4
    rows = [(kind, at & wired, word) for kind, at, word in rows]
    held, level = data.draw(st.sampled_from([0, 1, 2, 4])), data.draw(st.integers(0, 1))
    half = len(rows) // 2
    rows = rows[:half] + without_address(rows[half:], held, level)
    unknown = data.draw(st.lists(st.sampled_from([0] * 12 + [1, 4]), min_size=len(rows), max_size=len(rows)))
    hidden = data.draw(st.lists(st.sampled_from([0] * 12 + [1, 4]), min_size=len(rows), max_size=len(rows)))
    cycles = cycles_of(rows)
    cycles.address_unknown[:] = hidden
    cycles.address &= ~cycles.address_unknown
    cycles.data_unknown[:] = unknown
    cycles.data &= ~cycles.data_unknown

    twin = LostTwin(wired, lanes)
    way, memory = np.zeros(len(Kind), np.uint8), np.ones(len(Kind), np.uint8)
    way[[Kind.READ, Kind.IO_READ]], way[Kind.WRITE], memory[Kind.IO_READ] = kernel.READ, kernel.WRITE, 0
    slots = np.full((kernel.SLOTS, kernel.SLOT_SIZE), kernel.NO_KEY, np.int64)
    bits, state = np.zeros((64, kernel.BIT_SIZE), np.int64), np.zeros(kernel.STATE_SIZE, np.int64)
    changes = np.zeros((kernel.GROUP, kernel.CHANGE_SIZE), np.int64)
    columns = (
        cycles.time, cycles.kind, cycles.flags, cycles.address, cycles.address_unknown, cycles.data,
        cycles.data_unknown,
    )  # fmt: skip
    for part in np.array_split(np.arange(len(rows)), 3):
        kernel.look(tuple(c[part] for c in columns), way, memory, lanes, wired, slots, bits, state, changes)
    bits = settled(bits, state)
    for n, (kind, _, _) in enumerate(rows):
        words = (int(cycles.address[n]), hidden[n]), (int(cycles.data[n]), unknown[n])
        twin.transfer(10 * n, _WAYS[kind], kind != Kind.IO_READ, *words)

    names = ("count", "shown", "shown reads", "back", "fresh", "fresh reads", "in a row", "odd", "missed")
    names += ("aside", "chance")
    for bit in [0, 1, 2, 4, *(ADDRESS_BITS + lane for lane in range(lanes))]:
        best, seen = twin.best(bit), bits[bit, kernel.BEST : kernel.OTHER].tolist()
        longest = twin.longest_but(bit)
        assert bits[bit, kernel.OTHER] == longest or max(bits[bit, kernel.OTHER], longest) < kernel.SHORT
        if best is None:
            assert seen[kernel.SHOWN] == seen[kernel.FRESH] == 0
            continue
        first, last, level_of, counts = best
        assert seen[: kernel.COUNT] == [first, last, level_of]
        assert seen[kernel.COUNT :] == [counts[name] for name in names]


@settings(max_examples=160, deadline=None)
@given(st.lists(st.integers(0, 15), min_size=1, max_size=60), st.booleans(), st.integers(1, 2))
def test_rests_of_strobes_are_those_of_the_slow_twin(levels, few, many):
    """Two strobes, the second for writes, and an address line, in the last of ``many`` words a row."""
    words, places = np.full(2, many - 1), np.array([1, 2], np.uint64)
    rows, time = np.zeros((len(levels), many), np.uint64), np.arange(len(levels), dtype=np.int64)
    address, writes, watched = np.zeros((3, many), np.uint64)
    rows[:, -1], address[-1], writes[-1], watched[-1] = levels, 8, 2, 3
    number = np.arange(64 * many) % 64
    before, since = np.zeros(many, np.uint64), np.zeros((2, kernel.SINCE_SIZE), np.int64)
    total, rests = np.zeros(kernel.TOTAL_SIZE, np.int64), np.zeros((4, kernel.REST_SIZE), np.int64)
    for part in np.array_split(np.arange(len(levels)), 3):
        carried = (before, since, total, rests)
        if few and len(part):
            rest_of_few(time[part], rows[part], (address, writes), words, places, *carried)
        else:
            kernel.rest(time[part], rows[part], address, writes, watched, number, (0,) * many, *carried)
    rests = ended((before[words] & places) != 0, since, total, rests)
    for line in (0, 1):
        for level, found in rests_of(levels, line, 8, 2).items():
            lengths = sorted((moved for moved, _, _ in found), reverse=True)
            row = rests[2 * line + level]
            assert row[kernel.R_LONGEST] == max(lengths, default=0)
            assert row[kernel.R_SECOND] == (lengths[1] if len(lengths) > 1 else 0)
            if row[kernel.R_LONGEST]:
                longest = next(one for one in found if one[0] == row[kernel.R_LONGEST])
                assert (row[kernel.R_FROM], row[kernel.R_WRITES]) == longest[1:]
