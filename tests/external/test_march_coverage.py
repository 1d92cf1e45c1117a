"""Published memory tests on the virtual card: what the literature says they detect, and what it says they miss.

Sources, all from memory of the works named: A. J. van de Goor, *Testing
Semiconductor Memories: Theory and Practice*, Wiley 1991 (the march tests, the
fault models of chapter 4, and the address-decoder theorem); van de Goor,
"Using March Tests to Test SRAMs", IEEE Design & Test 10(1), 1993 (the summary
table of detected faults); van de Goor & Al-Ars, VTS 2000, and Hamdioui, van de
Goor, Rodgers, "March SS: A Test for All Static Simple RAM Faults", MTDT 2002
(read-disturb and write-disturb faults).

A fault counts as detected when a read disagrees for every initial content of
the array; as missed when for at least one fault of the class no read
disagrees for some initial content. The array is one chip of eight one-bit words.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.machine import Card, Chip, Machine, Region
from busledger.captures_demo.world.marches import MARCHES, march, march_elements
from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.stimulus import Accesses, Stimulus, pause, weave

WORDS = 8
CHIP = "U1"


def machine(floats: str = "keep") -> Machine:
    region = Region("array", 0, WORDS - 1, (Chip(CHIP, "2102", (0,)),))
    return Machine("one chip", "6502", (Card(),), (region,), data_bits=1, address_bits=3, floats=floats)


def accesses(name: str) -> Stimulus:
    return weave(march(name, np.arange(WORDS), mask=1), None, np.random.default_rng(0))


def detected(name: str, faults: tuple[Fault, ...]) -> bool:
    """Whether some read disagrees whatever the array held at first and whatever an undriven line shows."""
    stimulus = accesses(name)
    for floats in ("up", "down"):
        for fill in ("low", "high"):
            if play(machine(floats), faults, stimulus, seed=1, fill=fill).mismatches == 0:
                return False
        for seed in range(6):
            if play(machine(floats), faults, stimulus, seed=seed).mismatches == 0:
                return False
    return True


def cell(fault: str, address: int, level: int = 0) -> Fault:
    return Fault(fault, "cell", chip=CHIP, lanes=(0,), address=address, level=level)


def pairs() -> Iterator[tuple[int, int]]:
    """Aggressor and victim, in both orders, near and far."""
    yield from itertools.permutations((0, 1, 4, 7), 2)


def stuck() -> Iterator[tuple[Fault, ...]]:
    for address, fault in itertools.product(range(WORDS), ("stuck-low", "stuck-high")):
        yield (cell(fault, address),)


def transition() -> Iterator[tuple[Fault, ...]]:
    for address, level in itertools.product(range(WORDS), (0, 1)):
        yield (cell("transition", address, level),)


def coupled(effects: tuple[str, ...], triggers: tuple[str, ...]) -> Iterator[tuple[Fault, ...]]:
    for (aggressor, victim), effect, trigger in itertools.product(pairs(), effects, triggers):
        base = cell("coupled", victim)
        yield (replace(base, aggressor=aggressor, effect=effect, trigger=trigger),)


def inversion() -> Iterator[tuple[Fault, ...]]:
    """CFin: a transition of the aggressor inverts the victim."""
    return coupled(("invert",), ("rise", "fall"))


def idempotent() -> Iterator[tuple[Fault, ...]]:
    """CFid: a transition of the aggressor forces the victim."""
    return coupled(("low", "high"), ("rise", "fall"))


def state() -> Iterator[tuple[Fault, ...]]:
    """CFst: the victim is forced while the aggressor is in a state."""
    return coupled(("low", "high"), ("while-high", "while-low"))


def address_decoder() -> Iterator[tuple[Fault, ...]]:
    """The four combinations A, B, C, D of van de Goor's address faults 1 to 4."""
    for x, y in pairs():
        none = cell("address-cells", x, 0)
        yield (none,)
        yield (none, replace(cell("address-cells", y, 2), aggressor=x))
        yield (replace(cell("address-cells", x, 1), aggressor=y),)
        yield (replace(cell("address-cells", x, 2), aggressor=y),)


def disturb(kind: str) -> Iterator[tuple[Fault, ...]]:
    for address, level in itertools.product(range(WORDS), (0, 1)):
        yield (cell(kind, address, level),)


CLASSES = {
    "SAF": stuck,
    "TF": transition,
    "CFin": inversion,
    "CFid": idempotent,
    "CFst": state,
    "AF": address_decoder,
    "RDF": lambda: disturb("read-flips"),
    "DRDF": lambda: disturb("read-flips-late"),
    "IRF": lambda: disturb("read-wrong"),
    "WDF": lambda: disturb("write-flips"),
}

# van de Goor 1991, tables of march tests; 1993, table of detected faults. Stuck-at faults and the address
# decoder theorem hold from MATS+ on; March C- is the shortest listed test for all unlinked coupling faults.
DETECTS = {
    "MATS": ("SAF",),
    "MATS+": ("SAF", "AF"),
    "MATS++": ("SAF", "TF", "AF"),
    "March X": ("SAF", "TF", "AF", "CFin"),
    "March Y": ("SAF", "TF", "AF", "CFin"),
    "March C": ("SAF", "TF", "AF", "CFin", "CFid", "CFst"),
    "March C-": ("SAF", "TF", "AF", "CFin", "CFid", "CFst"),
    "March A": ("SAF", "TF", "AF", "CFin", "CFid"),
    "March B": ("SAF", "TF", "AF", "CFin", "CFid"),
    "March LR": ("SAF", "TF", "AF", "CFin", "CFid", "CFst"),
    "March SS": ("SAF", "TF", "AF", "CFin", "CFid", "CFst", "RDF", "DRDF", "IRF", "WDF"),
    "Marching 1/0": ("SAF", "TF", "AF"),
}
MISSES = {
    "MATS": ("TF", "CFin", "CFid", "CFst"),
    "MATS+": ("TF", "CFin", "CFid", "CFst"),
    "MATS++": ("CFin", "CFid", "CFst"),
    "March X": ("CFid", "CFst"),
    "March Y": ("CFid", "CFst"),
    "March C-": ("DRDF", "WDF"),
    "March A": ("DRDF", "WDF"),
    "March B": ("DRDF", "WDF"),
    "March LR": ("DRDF", "WDF"),
}
# Operations a cell, as published with each test. For March C the printed seven elements count eleven;
# van de Goor's March C- drops the redundant read and is published as 10n.
LENGTHS = {
    "MATS": 4,
    "MATS+": 5,
    "MATS++": 6,
    "March X": 6,
    "March Y": 8,
    "March C": 11,
    "March C-": 10,
    "March A": 15,
    "March B": 17,
    "March LR": 14,
    "March SS": 22,
    "Marching 1/0": 14,
}


@pytest.mark.parametrize("name", MARCHES)
def test_length_is_as_published(name: str) -> None:
    assert sum(len(operations) for _, operations in march_elements(name)) == LENGTHS[name]
    assert len(march(name, np.arange(WORDS))) == LENGTHS[name] * WORDS


@pytest.mark.parametrize("name", MARCHES)
def test_a_good_array_passes(name: str) -> None:
    for seed in range(4):
        assert play(machine(), (), accesses(name), seed=seed).mismatches == 0


@pytest.mark.parametrize(("name", "kind"), [(name, kind) for name, kinds in DETECTS.items() for kind in kinds])
def test_detects(name: str, kind: str) -> None:
    missed = [faults for faults in CLASSES[kind]() if not detected(name, faults)]
    assert missed == []


@pytest.mark.parametrize(("name", "kind"), [(name, kind) for name, kinds in MISSES.items() for kind in kinds])
def test_misses(name: str, kind: str) -> None:
    assert not all(detected(name, faults) for faults in CLASSES[kind]())


def test_transition_faults_are_missed_one_way_by_mats_plus() -> None:
    """MATS+ never reads after its last write: the falling transition goes unseen, the rising one does not."""
    for address in range(WORDS):
        assert detected("MATS+", (cell("transition", address, 1),))
        assert not detected("MATS+", (cell("transition", address, 0),))


def test_march_y_sees_a_transition_fault_linked_with_an_inversion() -> None:
    """March Y is March X with a read after each write, for transition faults linked with CFin (van de Goor 1991).

    The victim cannot fall; when the aggressor falls after it (it lies below, and the march descends), the
    inversion hides that from March X's last read. March Y has read in between.
    """
    for aggressor, victim in pairs():
        linked = (
            cell("transition", victim, 0),
            replace(cell("coupled", victim), aggressor=aggressor, effect="invert", trigger="fall"),
        )
        assert detected("March Y", linked)
        if aggressor < victim:
            assert not detected("March X", linked)


def test_retention_needs_a_pause() -> None:
    """Data retention faults need a wait between write and read (Dekker, Beenker, Thijssen, ITC 1988)."""
    leak = Fault("leaky", "cell", chip=CHIP, lanes=(0,), address=3, level=0, age_s=1e-3)
    assert play(machine(), (leak,), accesses("March C-"), seed=1).mismatches == 0
    cells = np.arange(WORDS)
    ones = Accesses.plain(np.ones(WORDS, np.bool_), cells, np.ones(WORDS, np.int64))
    read = Accesses.plain(np.zeros(WORDS, np.bool_), cells, np.zeros(WORDS, np.int64))
    waited = weave(Accesses.join([ones, pause(3000), read]), None, np.random.default_rng(0))
    assert play(machine(), (leak,), waited, seed=1).mismatches == 1
