"""The program as a witness of what the processor took: sound machines, and machines with a fault past the clips."""

from __future__ import annotations

from busledger.decoder.bus.columns import Kind
from busledger.decoder.program.following import Follower, Witness, load_set
from busledger.decoder.program.following.columns import Part
from busledger.decoder.program.following.witness import opcode_lanes
from tests.program.machines import Card, image, run_6502, run_z80
from tests.program.test_derailing import Z80_ROM


def witness(card, name="z80"):
    follower = Follower(load_set(name))
    seen = Witness(follower.glossary)
    seen.feed(follower.feed(*card.columns()).instructions)
    seen.feed(follower.finish().instructions)
    return seen


def test_a_sound_machine_took_what_the_clips_saw():
    found = witness(run_z80(Card(Z80_ROM), 500)).finding()
    assert found.differs == 0
    assert found.told == found.agrees > 300
    assert all(found.lanes[f"D{lane}"] > 0 for lane in range(8))


def test_a_lane_that_is_broken_between_the_clips_and_the_processor():
    """D5 does not reach the processor in ROM reads: it takes other opcodes and other targets than the clips see."""
    card = run_z80(Card(Z80_ROM, past=lambda address, byte: byte & ~0x20 if address < 0x100 else byte), 60)
    seen = witness(card)
    found = seen.finding()
    assert seen.credible
    assert found.differs > 0
    assert "D5" in found.differs_lanes
    assert "the processor fetched next from" in found.sentences[0]


def test_an_interrupt_is_no_disagreement():
    """SYNC marks the fetch that comes to nothing as an IRQ is taken: INX there was not run, and is no instruction."""
    rom = image((0xF000, "A2FF 9A 58 E8 E8 4C04F0"), (0xF100, "40"), (0xFFFC, "00F0 00F1"))
    card = run_6502(Card(rom), 6)
    at = next(n for n, row in enumerate(card.log) if row[0] == Kind.OPCODE_FETCH and row[1] == 0xF004)
    taken = [(Kind.OPCODE_FETCH, 0xF004, 0xE8, 0xE8), (Kind.READ, 0xF004, 0xE8, 0xE8)]
    taken += [(Kind.WRITE, 0x1FF - n, 0, None) for n in range(3)]
    taken += [(Kind.READ, 0xFFFE, 0x00, 0x00), (Kind.READ, 0xFFFF, 0xF1, 0xF1), (Kind.OPCODE_FETCH, 0xF100, 0x40, 0x40)]
    card.log[at:at] = taken
    follower = Follower(load_set("6502"))
    seen = Witness(follower.glossary)
    blocks = [follower.feed(*card.columns()), follower.finish()]
    for block in blocks:
        seen.feed(block.instructions)
    assert seen.finding().differs == 0
    parts = [int(part) for block in blocks for part in block.followed.part]
    assert parts[at : at + 8] == [Part.INTERRUPT] * 7 + [Part.OPCODE]
    assert 0xF100 in {int(address) for block in blocks for address in block.instructions.address}


def test_what_the_clips_see_wrong_as_well_is_no_matter_of_the_witness():
    """A bad memory chip is seen by clips and processor alike: they agree."""
    card = run_z80(Card(Z80_ROM, spoil=lambda address, byte: byte | 4 if address > 0x1000 else byte), 200)
    assert witness(card).finding().differs == 0


def test_a_program_of_another_processor_is_not_believed():
    card = run_z80(Card(image((0, "DD210040 DD3605AA DD7E05 ED44 CB27 DD23 C30000"))), 300)
    assert witness(card).credible
    assert not witness(card, "8080").credible


def test_lanes_that_an_opcode_can_tell():
    """By hand: NOP (00) beside LD BC,nn (01), LD (BC),A (02), INC B (04), EX AF (08), DJNZ (10), JR NZ (20), 40, 80."""
    lanes = opcode_lanes(load_set("z80"))[0]
    assert lanes[0x00] == 0b0011_0001  # two bytes more, or a relative jump's one; the others are one byte long as well
    assert lanes[0xC9] >> 3 & 1  # RET beside POP BC
