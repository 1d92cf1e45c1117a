"""The sixth world is deterministic, and its truth agrees with its captures."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.outside.sixth import truth
from tests.outside.sixth.case import Case, make, write
from tests.outside.sixth.core6800 import Core6800
from tests.outside.sixth.unusual import KINDS, make_unusual


@pytest.fixture(scope="module")
def single() -> Case:
    return make("single", 2)


def test_the_same_seed_gives_the_same_capture(single: Case, tmp_path: Path) -> None:
    write(single, tmp_path / "one")
    write(make("single", 2), tmp_path / "two")
    for name in ("capture.vcd", "board.toml", "truth.json", "rom.bin"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_playing_the_accesses_again_with_every_fault_gives_the_capture(single: Case) -> None:
    assert truth.play(single.layout.card, single.faults, single.log) == single.log.data


def test_a_mended_card_reads_as_the_books_say(single: Case) -> None:
    levels = truth.play(single.layout.card, [], single.log)
    wrong = [i for i, e in enumerate(single.books.expected) if e >= 0 and levels[i] != e]
    assert single.books.mismatch and not wrong


def test_a_fault_reads_like_itself(single: Case) -> None:
    entry = single.facts["faults"][0]
    assert entry["component"] in {d["component"] for d in entry["distinguishable"]}


def test_a_healthy_run_has_no_mismatch() -> None:
    assert not make("healthy", 3).books.mismatch


def test_registers_in_memory_show_as_mismatches_of_no_part() -> None:
    case = make_unusual(KINDS.index("device"))
    assert case.books.mismatch and case.facts["innocent"] and case.facts["rivals"] == ["device"]


def test_the_6800_adds_and_branches() -> None:
    memory = bytearray(65536)
    memory[0x100:0x109] = bytes([0x86, 0x7F, 0x8B, 0x01, 0x29, 0x01, 0x01, 0x97, 0x20])  # LDAA ADDA BVS STAA
    core = Core6800(lambda a: memory[a], memory.__setitem__, lambda _a: None)
    core.pc = 0x100
    for _ in range(4):
        core.step()
    assert memory[0x20] == 0x80 and core.n and not core.v and not core.c and core.h
