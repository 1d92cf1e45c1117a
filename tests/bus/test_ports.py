"""IN n and OUT n where no clip tells I/O from memory: the 8085 puts n on both halves of the address (Intel MCS-85
User's Manual, IN and OUT)."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.bus import Cycles, Kind, Layout, Ports, line_needs, load_profile
from busledger.decoder.capture import Signal
from busledger.decoder.wiring import bind

CLIPPED = [*(f"AD{n}" for n in range(8)), *(f"A{n}" for n in range(8, 16)), "ALE", "RD", "WR"]


def ports(*more: str) -> Ports:
    profile = load_profile("8085")
    names = [*CLIPPED, *more]
    return Ports(profile, Layout(profile, bind([Signal(n) for n in names], line_needs(profile))))


def cycles(*rows: tuple[Kind, int, int]) -> Cycles:
    made = Cycles.empty(len(rows))
    made.kind[:], made.address[:], made.data[:] = np.array(rows).T
    return made


R, W = Kind.READ, Kind.WRITE
IN = [(R, 0x0100, 0xDB), (R, 0x0101, 0x10), (R, 0x1010, 0x77), (R, 0x0102, 0x00)]
OUT = [(R, 0x0100, 0xD3), (R, 0x0101, 0x11), (W, 0x1111, 0x77), (R, 0x0102, 0x00)]


@pytest.mark.parametrize("parts", [1, 2, 4])
@pytest.mark.parametrize(("program", "kind"), [(IN, Kind.IO_READ), (OUT, Kind.IO_WRITE)])
def test_an_access_after_an_instruction_of_io_at_its_port_is_io_in_whatever_blocks_it_comes(program, kind, parts):
    turn = ports()
    made = [cycles(*program[i : i + 4 // parts]) for i in range(0, 4, 4 // parts)]
    for block in made:
        turn.feed(block)
    found = Cycles.concat(made)
    assert found.kind.tolist() == [R, R, kind, R]
    assert load_profile("8085").space(int(found.rule[2])) == "io"
    assert int(found.address[2]) == program[2][1] & 0xFF
    (note,) = turn.notes()
    assert note.code == "assumed-io"
    assert note.text.startswith("IOM not clipped: 1 access right after")


def test_memory_at_such_an_address_stays_memory():
    turn = ports()
    block = cycles(
        (R, 0x0100, 0x3A), (R, 0x0101, 0x10), (R, 0x0102, 0x10), (R, 0x1010, 0x77),  # LDA 1010
        (R, 0x0103, 0xDB), (R, 0x0104, 0x10), (R, 0x1011, 0x77),  # not the port
        (R, 0x2000, 0xDB), (R, 0x0105, 0x10), (R, 0x1010, 0x77),  # not one after the other
    )  # fmt: skip
    turn.feed(block)
    assert (block.kind == R).all()
    assert turn.notes() == []


def test_a_clipped_line_tells_and_the_program_is_not_asked():
    turn, block = ports("IOM"), cycles(*IN)
    turn.feed(block)
    assert (block.kind == R).all()

