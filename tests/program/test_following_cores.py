"""Whole programs on processors that others wrote: every instruction must begin where an emulator says that it does.

The captures are of HDL cores (``tests/shared_captures.py``); the emulators are those of the ``z80`` package and py65,
fed with the very bytes that the capture shows. What the 65C816 and the 8085 tell of their fetches was logged as well.
"""

from __future__ import annotations

import numpy as np
import pytest
import z80

from busledger.decoder.bus import KIND_NAMES
from busledger.decoder.pipeline import Request, followed_blocks, follower_for, open_run
from busledger.decoder.program.following.columns import Flow, Followed, Instructions, State
from tests.program.replaying import instructions_of_z80
from tests.shared_captures import FOREIGN, each_shared, or_skip, shared_captures


def follow(path, board, processor=None):
    """(transfers as (kind, address, data), their row numbers, columns, instructions, glossary) of a whole capture."""
    run = open_run(Request(capture=path, board=board))
    try:
        follower = follower_for(run, processor)
        blocks = list(followed_blocks(follower, run.blocks()))
    finally:
        run.file.close()
    followed = Followed.concat([block.followed for block in blocks])
    found = Instructions.concat([block.instructions for block in blocks])
    rows = [
        (KIND_NAMES[k], a, d)
        for block in blocks
        for k, a, d in zip(
            block.cycles.kind.tolist(), block.cycles.address.tolist(), block.cycles.data.tolist(), strict=True
        )
    ]
    index = [n for n, row in enumerate(rows) if row[0] not in ("refresh", "idle", "halt")]
    return [rows[n] for n in index], index, followed, found, follower.glossary


def foreign(name):
    return or_skip(pytest.param(c, id=str(c)) for c in shared_captures(FOREIGN) if c.folder.name == name)


def check_against(machine, capture, rows=None):
    log, index, _, found, glossary = follow(capture.path, capture.board)
    first = next(n for n, row in enumerate(log) if row[0] == "opcode-fetch" and row[1] == 0)
    began = instructions_of_z80(log[first:][:rows], machine)
    assert len(began) > 1000
    expected = [(index[first + at], address) for at, address in began]
    begin = found.row.tolist().index(expected[0][0])
    got = list(zip(found.row.tolist(), found.address.tolist(), strict=True))[begin : begin + len(expected)]
    assert got == expected
    texts = {glossary.readings[k].text for k in found.text[begin : begin + len(expected)].tolist()}
    assert not any(text.startswith("?") for text in texts)
    return texts


@pytest.mark.parametrize("capture", each_shared(lambda c: c.folder.name.startswith("z80") and "events" in c.file))
def test_every_instruction_of_a_z80_core(capture):
    check_against(z80.Z80Machine(), capture)


@pytest.mark.parametrize("capture", foreign("8085-stuck"))
def test_an_8085_core_as_an_8080_runs_its_program(capture):
    """As far as the core agrees with the part: its CMP leaves the zero flag alone, and so it goes its own way later."""
    texts = check_against(z80.I8080Machine(), capture, rows=3000)
    assert {"JZ ??17H", "MVI B,5AH", "CALL 0100H"} <= texts  # the last byte of a jump not taken is not read


@pytest.mark.parametrize("capture", [*foreign("65c816-stuck"), *foreign("8085-stuck")])
def test_instructions_reach_to_the_next_fetch_that_the_core_tells(capture):
    """The memory model logged the core's own fetches; each instruction's bytes must reach to the next, or it jumps."""
    log, index, _, found, glossary = follow(capture.path, capture.board)
    fetches = [index[n] for n, row in enumerate(log) if row[0] == "opcode-fetch"]
    assert found.row[found.state != State.ACKNOWLEDGE].tolist() == fetches
    # Before the reset is over the buses show no program.
    whole = np.flatnonzero(found.state == State.WHOLE)[10:-1]
    straight = whole[glossary.flow[found.text[whole]] == Flow.NEXT]
    assert len(straight) > 2000
    assert (found.address[straight] + found.size[straight] == found.address[straight + 1]).all()
    jumps = whole[np.isin(glossary.flow[found.text[whole]], (Flow.JUMP, Flow.CALL, Flow.BRANCH))]
    targets, behind = glossary.target[found.text[jumps]], found.address[jumps] + found.size[jumps]
    assert len(jumps) > 300
    assert ((found.address[jumps + 1] == targets) | (found.address[jumps + 1] == behind)).all()
