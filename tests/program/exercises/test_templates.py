"""The templates are data: they say what they must, no name is misspelled, and a processor more needs no Python."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from busledger.bus_profiles import __path__ as profiles
from busledger.decoder.program import Wanted, make_program, memory_test, memory_tests, processors
from busledger.decoder.program.exercises.notation import elements_of, turned_pairs
from busledger.decoder.program.exercises.rows import OutOfReach, fill_row, parse_fragment, spoken_row
from busledger.decoder.program.exercises.schema import ProcessorFile

FOLDER = Path(__file__).parents[3] / "decoder" / "program" / "exercises"
WRITING = (FOLDER / "WRITING.md").read_text(encoding="utf-8")
BUSES = {path.stem for folder in profiles for path in Path(folder).glob("*.toml")}


@pytest.mark.parametrize("processor", processors(), ids=lambda one: one.name)
def test_a_processor_says_what_it_must(processor):
    assert processor.source and processor.start and processor.stop
    assert processor.name in processor.names
    assert set(processor.buses) <= BUSES
    assert all(name == name.lower() for name in processor.names)
    for layout in processor.layout:
        assert layout.like is None or layout.like in {one.name for one in processor.layout}
    for fragments in (processor.fragment, *processor.op.values(), *(one.fragment for one in processor.layout)):
        for text in fragments.values():
            for row in parse_fragment(text):
                assert row.clocks >= 0
                assert row.mnemonic or not row.parts or row.comment, row


@pytest.mark.parametrize("processor", processors(), ids=lambda one: one.name)
def test_every_fragment_is_one_that_the_writing_guide_names(processor):
    named = set(re.findall(r"`([a-z_0-9]+)`", WRITING))
    for fragments in (processor.fragment, *(one.fragment for one in processor.layout)):
        assert set(fragments) <= named
    for ops in (processor.op, *(one.op for one in processor.layout)):
        for ways in ops.values():
            assert set(ways) <= named


def test_no_two_processors_share_a_name():
    names = [name for one in processors() for name in one.names]
    assert sorted(set(names)) == sorted(names)


def test_the_tests_speak_of_every_kind_of_fault_once():
    kinds = [kind.name for kind in memory_tests().kind]
    for test in memory_tests().test:
        assert sorted([*test.finds, *test.part, *test.misses]) == sorted(kinds)
        assert test.source


def test_a_processor_more_is_a_file_more():
    """A made-up machine: one pointer, one register, two-byte instructions, long jumps with the high byte first."""
    text = """
name = "toy"
title = "toy"
names = ["toy"]
buses = ["sram"]
source = "this test"
number = "@{}"
word_order = "high first"
clocks_an_access = 1
pause_clocks = 1
stop = "stops"
start = "run {origin}"
character = "Q"
[reset]
entry = 0
[fragment]
begin = "01 00 | BEGIN | 1 |"
value = "02 {v0} | SET {v0} | 1 |"
done = "DONE: 03 {DONE:w} | JUMP {DONE:w} | 1 |"
fail0 = "FAIL0: 04 {FADDR:w} | KEEP {FADDR:w} | 1 |"
fail1 = "FAIL1: 05 {FADDR:w} | KEEPINV {FADDR:w} | 1 |"
fail_stop = "HALTED: 03 {HALTED:w} | JUMP {HALTED:w} | 1 |"
[op.w0]
plain = "10 00 | STORE | 1 |"
[op.w1]
plain = "11 00 | STOREINV | 1 |"
[op.r0]
far = "12 {FAIL0:w} | TEST {FAIL0:w} | 1 |"
[op.r1]
far = "13 {FAIL1:w} | TESTINV {FAIL1:w} | 1 |"
[[layout]]
name = "only"
[layout.fragment]
up_open = "20 {first:w} | POINT {first:w} | 1 |"
up_close = "21 {after:w} {loop:r} | NEXT {after:w},{loop:r} | 1 |"
down_open = "20 {last:w} | POINT {last:w} | 1 |"
down_close = "22 {before:w} {loop:r} | BACK {before:w},{loop:r} | 1 |"
"""
    toy = ProcessorFile.model_validate(tomllib.loads(text))
    program = make_program(Wanted(toy, memory_test("march-y"), ((0x4000, 0x40FF),), 0x100))
    assert program.data.startswith(bytes.fromhex("0100 0200 204000 1000 214100FA 204000 12013B 1100 130138"))
    assert program.lines[4].mnemonic == "NEXT @4100,@0107"
    assert {"DONE", "HALTED", "FADDR"} <= set(program.labels)


@pytest.mark.parametrize(
    ("line", "at", "made"),
    [
        ("3E {n} | LD A,{n}", 0, "3E 34"),
        ("3E {n:h}", 0, "3E 12"),
        ("21 {n:w}", 0, "21 34 12"),
        ("21 {n+1:w}", 0, "21 35 12"),
        ("21 {n-0:w}", 0, "21 34 12"),
        ("4E F9 {n:l}", 0, "4E F9 34 12 00 00"),
        ("18 {n:r}", 0x1234, "18 FE"),
        ("18 {n:r}", 0x1232, "18 00"),
        ("E9 {n:d}", 0x1000, "E9 31 02"),
    ],
)
def test_holes(line, at, made):
    (row,) = parse_fragment(line)
    assert fill_row(row, at, {"n": 0x1234}.__getitem__, high_first=False) == bytes.fromhex(made)


@pytest.mark.parametrize(("distance", "reached"), [(127, True), (128, False), (-128, True), (-129, False)])
def test_a_relative_branch_reaches_as_far_as_a_signed_byte(distance, reached):
    (row,) = parse_fragment("18 {n:r}")
    value = {"n": 0x1002 + distance}.__getitem__
    if reached:
        assert fill_row(row, 0x1000, value, high_first=False)[1] == distance % 256
    else:
        with pytest.raises(OutOfReach):
            fill_row(row, 0x1000, value, high_first=False)


@pytest.mark.parametrize("line", ["3 | X", "3E {n | X", "3E5 | X", "GG | X"])
def test_what_is_no_byte_is_refused(line):
    with pytest.raises(ValueError, match=r"hexadecimal|invalid literal"):
        parse_fragment(line)


def test_figures_are_written_as_each_assembler_wants_them():
    value = {"n": 0xFE01}.__getitem__
    assert spoken_row("LD HL,{n:w}", value, "{}H") == "LD HL,0FE01H"
    assert spoken_row("LDX #{n:w}", value, "${}") == "LDX #$FE01"
    assert spoken_row("CP {n}", value, "{}H") == "CP 01H"


def test_elements_that_differ_in_0_and_1_alone_share_a_loop():
    groups = turned_pairs(elements_of(memory_test("march-c").elements))
    assert [[one.text for one in group] for group in groups] == [
        ["any(w0)"], ["up(r0,w1)", "up(r1,w0)"], ["dn(r0,w1)", "dn(r1,w0)"], ["any(r0)"],
    ]  # fmt: skip
    assert [len(group) for group in turned_pairs(elements_of("any(w0); any(w1); any(w0)"))] == [2, 1]
    assert [len(group) for group in turned_pairs(elements_of("up(r0); dn(r1); wait; wait"))] == [1, 1, 1, 1]
