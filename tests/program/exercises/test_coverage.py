"""Every test against every published kind of fault, run on a processor: found or missed exactly as published.

The counts for March C- and March Y are those of an exhaustive simulation of four one-bit cells with the definitions of
van de Goor 1991 and van de Goor & Al-Ars 2000 (a fault counts as found when it is found whatever the cells held at
first), made independently of this program. They agree with the tables of detected faults in van de Goor, "Using March
Tests to Test SRAMs", IEEE Design & Test 10(1), 1993. For the other tests the words that people are told are held
against what the run finds.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.stimulus import Accesses, weave
from busledger.decoder.program import Wanted, make_program, memory_test, memory_tests, processors
from tests.external.test_march_coverage import CLASSES, DETECTS, MISSES
from tests.external.test_march_coverage import machine as card
from tests.program.exercises.faulty_memory import BitMemory, Fault, Memory, every_fault
from tests.program.exercises.machines import RUNNERS

CELLS = range(0x40FE, 0x4102)  # four cells, the last two on another page
PUBLISHED = {
    "march-c": {"SAF": 8, "TF": 8, "CFin": 24, "CFid": 48, "CFst": 48, "AFA": 8, "AFB": 24, "AFC": 12, "AFD": 24,
                "RDF": 8, "DRDF": 0, "WDF": 0},
    "march-y": {"SAF": 8, "TF": 8, "CFin": 24, "CFid": 24, "CFst": 36, "AFA": 8, "AFB": 24, "AFC": 12, "AFD": 24,
                "RDF": 8, "DRDF": 8, "WDF": 0},
}  # fmt: skip
FIRST = (0b0000, 0b1111, 0b0101, 0b0011)  # what bit 0 of the four cells holds at first


@cache
def program_of(cpu: str, name: str):
    processor = next(one for one in processors() if one.name == cpu)
    asked = Wanted(processor, memory_test(name), ((CELLS.start, CELLS.stop - 1),), 0x0200, pause_s=0.11)
    return make_program(asked)


@cache
def found(cpu: str, name: str, fault: Fault) -> bool:
    """Whether the program ends where it ends at a failure, whatever the cells held at first."""
    program = program_of(cpu, name)
    for first in FIRST:
        memory = BitMemory(fault, watched=CELLS)
        for n, cell in enumerate(CELLS):
            memory.cells[cell] = 0xFE * (first >> n & 1) | (first >> n & 1)
        ended = RUNNERS[cpu](program, memory).pc
        assert ended in (program.labels["HALTED"], program.labels["DONE"])
        if ended == program.labels["DONE"]:
            return False
    return True


@pytest.mark.parametrize("name", PUBLISHED)
@pytest.mark.parametrize("kind", PUBLISHED["march-c"])
def test_a_march_finds_as_many_faults_as_published(name, kind):
    faults = list(every_fault(kind, CELLS))
    assert sum(found("z80", name, fault) for fault in faults) == PUBLISHED[name][kind]


@pytest.mark.parametrize("cpu", sorted(set(RUNNERS) - {"z80"}))
@pytest.mark.parametrize("kind", ["SAF", "AFD", "CFid", "DRDF"])
def test_on_every_processor_alike(cpu, kind):
    for name in PUBLISHED:
        faults = list(every_fault(kind, CELLS))[::3]
        assert [found(cpu, name, f) for f in faults] == [found("z80", name, f) for f in faults]


# Our words for kinds, and the faults that stand for each.
STAND_FOR = {"AF": ("AFA", "AFB", "AFC", "AFD")}


def share(name: str, kind: str) -> str:
    """all, some or none of the faults of a kind."""
    faults = [fault for one in STAND_FOR.get(kind, (kind,)) for fault in every_fault(one, CELLS)]
    outcome = {found("z80", name, fault) for fault in faults}
    if (name, kind) == ("address", "AF"):  # the four cells have different sums; 4001 and 4100 have not
        outcome.add(found_among_two(Fault("AFC", 0x4001, 0x4100)))
    return "some" if len(outcome) == 2 else "all" if outcome == {True} else "none"


def found_among_two(fault: Fault) -> bool:
    processor = next(one for one in processors() if one.name == "z80")
    asked = Wanted(processor, memory_test("address"), ((0x4001, 0x4001), (0x4100, 0x4100)), 0x0200)
    program = make_program(asked)
    return RUNNERS["z80"](program, BitMemory(fault, watched=range(0x4000, 0x4200))).pc == program.labels["HALTED"]


@pytest.mark.parametrize("name", [test.name for test in memory_tests().test])
def test_what_people_are_told_is_what_the_run_finds(name):
    test = memory_test(name)
    told = {
        **dict.fromkeys(test.finds, "all"),
        **dict.fromkeys(test.part, "some"),
        **dict.fromkeys(test.misses, "none"),
    }
    assert set(told) == {kind.name for kind in memory_tests().kind}
    assert {kind: share(name, kind) for kind in told} == told


# -- the same on the virtual card: the accesses that the program makes, played against its faults -------------------
TITLES = {"march-c": "March C-", "march-y": "March Y"}


@cache
def played(cpu: str, name: str):
    """The program's accesses to eight one-bit cells, as the virtual card takes them."""
    processor = next(one for one in processors() if one.name == cpu)
    program = make_program(Wanted(processor, memory_test(name), ((0x4000, 0x4007),), 0x0200))
    memory = Memory(watched=range(0x4000, 0x4008))
    RUNNERS[cpu](program, memory)
    writes, cells, values = zip(*((k == "write", a - 0x4000, v & 1) for k, a, v in memory.log), strict=True)
    accesses = Accesses.plain(np.array(writes), np.array(cells), np.array(values))
    return weave(accesses, None, np.random.default_rng(0))


def seen_on_the_card(cpu: str, name: str, faults) -> bool:
    stimulus = played(cpu, name)
    return all(
        play(card(floats), faults, stimulus, seed=1, fill=fill).mismatches > 0
        for floats in ("up", "down")
        for fill in ("low", "high")
    ) and all(play(card(), faults, stimulus, seed=seed).mismatches > 0 for seed in range(3))


@pytest.mark.parametrize("cpu", sorted(RUNNERS))
@pytest.mark.parametrize("name", TITLES)
def test_the_virtual_card_finds_and_misses_what_is_published(cpu, name):
    for kind in DETECTS[TITLES[name]]:
        faults = list(CLASSES[kind]())[:: 1 if cpu == "z80" else 5]
        assert [one for one in faults if not seen_on_the_card(cpu, name, one)] == []
    for kind in MISSES[TITLES[name]]:
        assert not all(seen_on_the_card(cpu, name, one) for one in CLASSES[kind]())
