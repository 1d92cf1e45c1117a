"""Where the machine left its road: whole machines with one fault each, on processors that others wrote."""

from __future__ import annotations

from itertools import pairwise

import pytest

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.program.following import Beginning, Follower, RoadWatch, Symbols, load_set
from tests.program.machines import Card, image, run_6502, run_z80

# Fill a cell, call a routine at 0040 that writes and returns, and go round; the stack lies at 43FF.
Z80_ROM = image((0, "31FF43 213412 CD4000 7E 18F9"), (0x40, "3600 23 C9"))
ENTRY_6502 = image((0xF000, "A2FF 9A 200 0F1 4C03F0".replace(" ", "")), (0xF100, "E8 60"), (0xFFFC, "00F0"))


def derailed(name, card, *, cuts=(), whole_card=True, symbols=None):
    follower = Follower(load_set(name))
    road = RoadWatch(follower.glossary, 1e-6, whole_card=whole_card, address_digits=4, symbols=symbols)
    cycles, compared = card.columns()
    edges = [0, *cuts, len(cycles)]
    for a, b in pairwise(edges):
        road.feed(follower.feed(cycles.slice(a, b), compared.slice(a, b)))
    road.feed(follower.finish())
    return road.found


def low(lane, place):
    """A spoiler: the lane reads low at the places."""
    return lambda address, byte: byte & ~(1 << lane) if address in place else byte


def test_a_sound_machine_stays_on_its_road():
    assert derailed("z80", run_z80(Card(Z80_ROM), 500)) is None
    assert derailed("6502", run_6502(Card(ENTRY_6502), 500)) is None


def test_a_return_address_that_came_back_wrong():
    # The call from 0006 pushes 0009 at 43FD; its D3 reads low: back to 0001.
    card = run_z80(Card(Z80_ROM, spoil=low(3, range(0x4000, 0x4400))), 40)
    found = derailed("z80", card)
    read = next(n for n, row in enumerate(card.log) if row[1] == 0x43FD and row[0] == Kind.READ)
    assert (found.kind, found.cycle, found.address, found.went_on_at) == ("return", read, 0x43FD, 1)
    assert card.log[found.went_on_cycle][:2] == (Kind.OPCODE_FETCH, 1)
    assert found.sentence == (
        f"RET at 0043 gave 0001 as its return address, where 0009 belongs: a byte of it at 43FD was read as 01 where "
        f"09 was written (D3 low for high) at cycle {read}; at cycle {found.went_on_cycle} the program went on at 0001."
    )


def test_symbols_name_the_places():
    card = run_z80(Card(Z80_ROM, spoil=low(3, range(0x4000, 0x4400))), 40)
    found = derailed("z80", card, symbols=Symbols([("WRITE", 0x40), ("TURN", 9)]))
    assert "where 0009 (TURN) belongs" in found.sentence


@pytest.mark.parametrize("cut", range(5, 40, 3))
def test_wherever_the_blocks_are_cut(cut):
    card = run_z80(Card(Z80_ROM, spoil=low(3, range(0x4000, 0x4400))), 40)
    assert derailed("z80", card, cuts=(cut, cut + 1)) == derailed("z80", card)


def test_a_reset_vector_that_came_back_wrong():
    card = run_6502(Card(ENTRY_6502, outside=range(0x8000, 0xE000), spoil=low(5, [0xFFFD])), 5)
    found = derailed("6502", card)
    assert (found.kind, found.cycle, found.went_on_at) == ("vector", 1, 0xD000)
    assert found.sentence.startswith(
        "The reset vector gave D000, where F000 belongs: a byte of it at FFFD was read as D0 where F0 belongs"
    )
    assert found.sentence.endswith("the program went on at D000, where the card has no memory.")


def test_a_vector_behind_which_no_program_is():
    """Without SYNC, and nothing but FF where the wrong vector leads: no instruction to follow, but a road left."""
    card = run_6502(Card(ENTRY_6502, outside=range(0x8000, 0xE000), spoil=low(5, [0xFFFD])), 1)
    card.log = card.log[:2] + [(Kind.READ, 0xD000 + n // 2, 0xFF, None) for n in range(1200)]
    cycles, compared = card.columns()
    follower = Follower(load_set("6502"), told=False)
    road = RoadWatch(follower.glossary, 1e-6, whole_card=True, address_digits=4)
    for block in (follower.feed(cycles, compared), follower.finish()):
        road.feed(block)
    assert (road.found.kind, road.found.cycle, road.found.went_on_at) == ("vector", 1, 0xD000)
    assert "where the card has no memory" in road.found.sentence


def test_a_return_address_of_a_6502_counts_one_further():
    card = run_6502(Card(ENTRY_6502, spoil=low(2, [0x01FE])), 12)
    found = derailed("6502", card)
    assert found.kind == "return"
    assert "RTS at F101 gave F002 as its return address, where F006 belongs" in found.sentence


def test_a_pointer_through_which_the_program_jumps():
    # LDA #00, STA 10, LDA #F2, STA 11, JMP (0010): D1 of the cell 11 reads low.
    rom = image((0xF000, "A900 8510 A9F2 8511 6C1000"), (0xF200, "4C00F2"), (0xF000 + 0xF, "EA"), (0xFFFC, "00F0"))
    card = run_6502(Card(rom, spoil=low(1, [0x11])), 10)
    found = derailed("6502", card)
    assert (found.kind, found.went_on_at) == ("pointer", 0xF000)
    assert "JMP ($0010) at F008 gave F000 as its pointer, where F200 belongs" in found.sentence


def test_a_pointer_that_went_through_a_register():
    # PUSH of 1200, POP HL, JP (HL): the high byte comes back with D1 low.
    rom = image((0, "31FF43 210012 E5 E1 E9"), (0x1000, "18FE"), (0x1200, "18FE"))
    card = run_z80(Card(rom, spoil=low(1, [0x43FE])), 8)
    found = derailed("z80", card)
    assert (found.kind, found.went_on_at) == ("pointer", 0x1000)
    assert "1000" in found.sentence
    assert "1200" in found.sentence


def test_a_byte_of_the_program_that_is_not_what_the_rom_holds():
    card = run_z80(Card(Z80_ROM, spoil=low(5, [0x0003])), 10)  # LD HL,1234H is fetched as LD BC,1234H
    found = derailed("z80", card)
    assert (found.kind, found.address) == ("fetch", 3)
    assert "the opcode at 0003 was read as 01 where 21 belongs (D5 low for high)" in found.sentence
    assert "ran LD BC,1234H" in found.sentence


def test_a_jump_to_where_no_memory_is():
    rom = image((0, "31FF43 C300C0"))
    found = derailed("z80", run_z80(Card(rom, outside=range(0xC000, 0x10000)), 4))
    assert (found.kind, found.went_on_at) == ("nowhere", 0xC000)
    assert derailed("z80", run_z80(Card(rom, outside=range(0xC000, 0x10000)), 4), whole_card=False) is None


def test_a_machine_that_does_nothing_is_told_from_its_reset():
    """Half of the vector's low byte is not seen, and every byte behind it is FF, which is no instruction."""
    rows = [(Kind.READ, 0xFFFC, 0x00), (Kind.READ, 0xFFFD, 0xF0)] + [(Kind.READ, 0xF000 + n, 0xFF) for n in range(300)]
    cycles, compared = Cycles.empty(len(rows)), Compared.empty(len(rows))
    for i, (kind, address, data) in enumerate(rows):
        cycles.kind[i], cycles.address[i], cycles.data[i] = kind, address, data
    cycles.data_unknown[0] = 0x0F
    follower = Follower(load_set("6502"), told=False)
    beginning = Beginning(follower.glossary)
    for block in (follower.feed(cycles, compared), follower.finish()):
        beginning.feed(block)
    assert beginning.sentence() == (
        "The reset vector was read as F00? (cycle 1), and no program can be read behind it."
    )


def test_a_program_that_runs_is_not_told_from_its_beginning():
    card = run_6502(Card(ENTRY_6502), 400)
    follower = Follower(load_set("6502"))
    beginning = Beginning(follower.glossary)
    for block in (follower.feed(*card.columns()), follower.finish()):
        beginning.feed(block)
    assert beginning.sentence() == ""


def test_a_memory_test_that_reads_wrong_stays_on_its_road():
    # LD A,55 / LD (4000),A / LD A,(4000) / CP 55 / JR loop: the cell is bad, the program is not.
    rom = image((0, "3E55 320040 3A0040 FE55 18F4"))
    card = run_z80(Card(rom, spoil=low(0, [0x4000])), 60)
    assert any(row[1] == 0x4000 and row[2] == 0x54 for row in card.log)
    assert derailed("z80", card) is None


def test_a_68000_that_does_nothing_is_told_from_its_reset():
    """Four words of the program space are read, the stack and the program counter; then nothing that can be read."""
    rows = [(0, 0x0000), (2, 0x7000), (4, 0x0000), (6, 0x1000)] + [(0x1000 + 2 * n, 0x4AFB) for n in range(300)]
    cycles, compared = Cycles.empty(len(rows)), Compared.empty(len(rows))
    for i, (address, data) in enumerate(rows):
        cycles.kind[i], cycles.address[i], cycles.data[i], cycles.width[i] = Kind.OPCODE_FETCH, address, data, 3
    follower = Follower(load_set("68000"))
    beginning = Beginning(follower.glossary)
    for block in (follower.feed(cycles, compared), follower.finish()):
        beginning.feed(block)
    assert beginning.sentence() == (
        "The reset vector was read as 00001000 (cycle 3), and no program can be read behind it."
    )
