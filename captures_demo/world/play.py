"""Run a machine: stimulus and faults in, bus cycles and the truth about them out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world import card_kernel as k
from busledger.captures_demo.world.arrays import Given, Shown
from busledger.captures_demo.world.buses import BUS_KINDS
from busledger.captures_demo.world.faults import Fault, activity, fault_rows
from busledger.captures_demo.world.machine import Machine
from busledger.captures_demo.world.stimulus import Stimulus

__all__ = ["Run", "play", "prepare"]

_FLOATS = {"keep": k.KEEPS, "up": k.PULLED_UP, "down": k.PULLED_DOWN}


@dataclass(slots=True)
class Run:
    """What the bus carried, one row a cycle, and what it should have.

    Attributes
    ----------
    time_ns : int64, the sampling edge
    start_ns, end_ns : int64, the beginning and the end of the cycle
    kind : uint8, index into ``KINDS``
    address : int64; data : int64, CPU-side data lines at the sampling edge
    kept : int64, the data lines as the cycle began: what they show while nobody drives them
    card_lines : int64[n, cards], each card's own data lines at the sampling edge
    selects : uint8[n, regions], 1 = selected
    expected : int64, compared : bool, wrong : int64 (differing lanes): this world's own ledger
    active : uint8[n, faults], when each fault acted
    """

    machine: Machine
    faults: tuple[Fault, ...]
    time_ns: NDArray[np.int64]
    start_ns: NDArray[np.int64]
    end_ns: NDArray[np.int64]
    kind: NDArray[np.uint8]
    address: NDArray[np.int64]
    data: NDArray[np.int64]
    kept: NDArray[np.int64]
    card_lines: NDArray[np.int64]
    selects: NDArray[np.uint8]
    expected: NDArray[np.int64]
    compared: NDArray[np.bool_]
    wrong: NDArray[np.int64]
    active: NDArray[np.uint8]

    KINDS = ("read", "write", "idle", "opcode-fetch")

    def __len__(self) -> int:
        return int(self.time_ns.shape[0])

    @property
    def mismatches(self) -> int:
        """How many compared reads came back wrong."""
        return int(np.count_nonzero(self.wrong))


def clock_cycles(machine: Machine, stimulus: Stimulus) -> NDArray[np.int64]:
    """Clock periods that each bus cycle takes on this kind of bus, int64[n]."""
    kind = BUS_KINDS[machine.bus]
    if not kind.opcode_clocks:
        return stimulus.cycles
    each = np.where(stimulus.opcode, kind.opcode_clocks, kind.other_clocks)
    return np.where(stimulus.op == 2, stimulus.cycles, each).astype(np.int64)


def sampling_edges(
    machine: Machine, stimulus: Stimulus, start_ns: NDArray[np.int64], end_ns: NDArray[np.int64]
) -> NDArray[np.int64]:
    """When the data of each cycle count: the clock falling, or the end of the strobe (int64[n], ns)."""
    kind = BUS_KINDS[machine.bus]
    if not kind.opcode_clocks:
        return end_ns
    clocks = np.where(stimulus.opcode, kind.opcode_edge, kind.other_edge)
    offset = clocks * 1e9 / machine.clock_hz + kind.edge_ns
    edges = start_ns + np.rint(offset).astype(np.int64)
    return np.where(stimulus.op == 2, end_ns, edges)


def prepare(
    machine: Machine, faults: tuple[Fault, ...], stimulus: Stimulus, seed: int, *, fill: str = "random"
) -> tuple[Given, NDArray[np.int64], NDArray[np.int64]]:
    """The kernel's arguments, and when each cycle starts and ends (int64[n], nanoseconds)."""
    rng = np.random.default_rng(seed)
    period = 1e9 / machine.clock_hz
    ends = np.cumsum(clock_cycles(machine, stimulus))
    end_ns = np.rint((ends + 2) * period).astype(np.int64)
    start_ns = np.concatenate([[round(2 * period)], end_ns[:-1]]).astype(np.int64)[: len(stimulus)]
    edge_ns = sampling_edges(machine, stimulus, start_ns, end_ns)
    regions, cards, chips, memory = _tables(machine, rng, fill)
    lanes = (1 << machine.data_bits) - 1
    active = activity(faults, stimulus.address, edge_ns, rng)
    given = Given(
        stimulus.op,
        stimulus.address,
        stimulus.value & lanes,
        stimulus.copy,
        edge_ns,
        active,
        rng.integers(0, lanes + 1, len(stimulus)),
        regions,
        cards,
        chips,
        fault_rows(machine, faults),
        memory,
        # How long each cell holds its charge differs from cell to cell.
        np.exp(rng.normal(0.0, 0.15, memory.shape[0])),
        np.array(
            [
                _FLOATS[machine.floats],
                int(machine.contention == "random"),
                lanes,
                int(BUS_KINDS[machine.bus].multiplexed),
            ],
            np.int64,
        ),
        _left_alone(machine, stimulus),
    )
    return given, start_ns, end_ns


def play(
    machine: Machine,
    faults: tuple[Fault, ...],
    stimulus: Stimulus,
    seed: int,
    *,
    fill: str = "random",
) -> Run:
    """Play ``stimulus`` on ``machine`` with ``faults``; the same arguments give the same run.

    ``fill``: "random" power-up contents, or "low" / "high".
    """
    given, start_ns, end_ns = prepare(machine, faults, stimulus, seed, fill=fill)
    n = len(stimulus)
    data = np.zeros(n, np.int64)
    kept = np.zeros(n, np.int64)
    card_lines = np.zeros((n, len(machine.cards)), np.int64)
    selects = np.zeros((n, len(machine.regions)), np.uint8)
    k.run_cards(given, Shown(data, kept, card_lines, selects))
    expected, compared = _expected(machine, stimulus, data)
    return Run(
        machine,
        faults,
        given.times,
        start_ns,
        end_ns,
        np.where(stimulus.opcode, 3, stimulus.op).astype(np.uint8),
        stimulus.address,
        data,
        kept,
        card_lines,
        selects,
        expected,
        compared,
        np.where(compared, data ^ expected, 0),
        given.active,
    )


def _left_alone(machine: Machine, stimulus: Stimulus) -> NDArray[np.uint8]:
    """1 after cycles in which nobody drives the bus for long: a refresh, a long pause."""
    long_pause = (stimulus.op == 2) & (stimulus.cycles > 1)
    if BUS_KINDS[machine.bus].rests_after_opcode:
        long_pause = stimulus.opcode | long_pause
    return np.asarray(long_pause, np.uint8)


def _tables(
    machine: Machine, rng: np.random.Generator, fill: str
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """The kernel's region, card, chip and memory tables."""
    regions = np.zeros((len(machine.regions), 8), np.int64)
    cards = np.zeros((len(machine.cards), 5), np.int64)
    chips: list[int] = []
    contents: list[NDArray[np.int64]] = []
    base = 0
    lanes = (1 << machine.data_bits) - 1
    for row, region in zip(regions, machine.regions, strict=True):
        masks = [chip.mask for chip in region.chips] or [lanes]
        row[:] = (region.card, region.start, region.end, region.size - 1, int(region.kind == "rom"), base, len(chips),
                  len(masks))  # fmt: skip
        chips.extend(masks)
        contents.append(_contents(region.image, region.size, lanes, rng, fill))
        base += region.size
    for index, card in enumerate(machine.cards):
        mine = [r for r, region in enumerate(machine.regions) if region.card == index]
        first = mine[0] if mine else 0
        cards[index] = (int(bool(card.buffer)), int(card.follows), _FLOATS[card.floats], first, len(mine))
    return regions, cards, np.array(chips, np.int64), np.concatenate(contents)


def _contents(image: bytes | None, size: int, lanes: int, rng: np.random.Generator, fill: str) -> NDArray[np.int64]:
    if image is not None:
        return np.frombuffer(image, np.uint8)[:size].astype(np.int64)
    if fill == "random":
        return rng.integers(0, lanes + 1, size)
    return np.full(size, lanes if fill == "high" else 0, np.int64)


def _expected(
    machine: Machine, stimulus: Stimulus, data: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """What each read had to give, by what was written before it or by the ROM's image."""
    compare = np.zeros(1 << machine.address_bits, np.uint8)
    fixed = np.zeros(1 << machine.address_bits, np.int64)
    for region in machine.regions:
        where = slice(region.start, region.end + 1)
        if region.kind == "ram":
            compare[where] = 1
        elif region.image is not None:
            compare[where] = 2
            fixed[where] = np.frombuffer(region.image, np.uint8)[: region.size]
    expected = np.zeros(len(stimulus), np.int64)
    known = np.zeros(len(stimulus), np.uint8)
    k.expect(stimulus.op, stimulus.address, data, compare, fixed, expected, known)
    return expected, known.astype(np.bool_)
