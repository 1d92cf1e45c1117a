"""The machine: what the accesses of a program give on a card with these faults. Columns in, columns out.

Levels, not voltages: a lane that several parts drive is low if one of them pulls low (NMOS and TTL outputs sink more
than they source); one that nobody drives keeps its last level (its capacitance) or is high (its pull-up).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.outside.third.accesses import FETCH, IOR, READ, WRITE, Accesses, Bools, Ints
from tests.outside.third.card import Card, Chip, Region
from tests.outside.third.faults import Fault
from tests.outside.third.odd import odd_answer, odd_cells, odd_taking


@dataclass
class Seen:
    """What stood on the buses. ``data``, ``far``: processor's and card's side, n values; ``selects``: by bank.

    ``enabled``: the card's driver is on; ``wrong``: lanes of a read that differ from what was last written there (0
    where nothing was); ``known``: reads whose cell was written before, or lies in ROM.
    """

    data: Ints
    far: Ints
    selects: dict[str, Bools]
    enabled: Bools
    wrong: Ints
    known: Bools
    truth: Ints = field(default_factory=lambda: np.zeros(0, np.int64))


def last_written(cell: Ints, writes: Bools, value: Ints) -> tuple[Ints, Ints]:
    """For each access the value that the last write before it left in its cell, and that write's index (-1: none)."""
    n = len(cell)
    order = np.argsort(cell, kind="stable")
    at = np.arange(n)
    fresh = np.ones(n, bool)
    fresh[1:] = cell[order][1:] != cell[order][:-1]
    start = np.maximum.accumulate(np.where(fresh, at, 0))
    mark = np.where(writes[order], at, -1)
    before = np.concatenate([[-1], np.maximum.accumulate(mark)[:-1]]) if n else mark
    found = before >= start
    index = np.full(n, -1)
    index[order] = np.where(found, order[np.maximum(before, 0)], -1)
    return np.where(index >= 0, value[np.maximum(index, 0)], 0), index


def settle(driven: Ints, level: Ints, style: str, width: int) -> Ints:
    """Levels of the lines where ``driven`` lacks bits: kept from the access before, or high."""
    full = (1 << width) - 1
    if style == "high":
        return (level & driven) | (full & ~driven)
    out = np.zeros_like(level)
    at = np.arange(len(level))
    for lane in range(width):
        on = (driven >> lane) & 1 == 1
        last = np.maximum.accumulate(np.where(on, at, -1))
        out |= np.where(last >= 0, (level[np.maximum(last, 0)] >> lane) & 1, 1) << lane
    return out


def mixed(cell: Ints, salt: int) -> Ints:
    """Power-up contents and other things that differ from cell to cell: a hash, 0 … 2³¹."""
    x = (cell.astype(np.uint64) + np.uint64(salt * 7919 + 12345)) * np.uint64(0x9E3779B97F4A7C15)
    return ((x >> np.uint64(29)) & np.uint64(0x7FFFFFFF)).astype(np.int64)


def forced(address: Ints, fault: Fault, gate: Bools) -> Ints:
    """Address with one line stuck, or two lines shorted to each other."""
    one = 1 << fault.bit
    if "stuck" in fault.what:
        out = address | one if fault.level else address & ~one
    else:
        first, second = (address >> fault.bit) & 1, (address >> fault.bit2) & 1
        both = first | second if fault.level else first & second
        out = (address & ~(one | (1 << fault.bit2))) | (both << fault.bit) | (both << fault.bit2)
    return np.where(gate, out, address)


def bridged(value: Ints, fault: Fault, gate: Bools) -> Ints:
    first, second = (value >> fault.lane) & 1, (value >> fault.lane2) & 1
    both = first | second if fault.level else first & second
    out = (value & ~((1 << fault.lane) | (1 << fault.lane2))) | (both << fault.lane) | (both << fault.lane2)
    return np.where(gate, out, value)


def stuck(value: Ints, lane: int, level: int, gate: Bools) -> Ints:
    return np.where(gate, value | (1 << lane) if level else value & ~(1 << lane), value)


def selected(card: Card, acc: Accesses, faults: list[Fault]) -> dict[str, Bools]:
    """The decoder's outputs, as they leave it: by bank."""
    memory = acc.op <= FETCH
    out: dict[str, Bools] = {}
    d = card.decoder
    if d is None:
        return {r.name: memory & (acc.address >= r.start) & (acc.address <= r.end) for r in card.banks}
    code = sum(((acc.address >> bit) & 1) << k for k, bit in enumerate(d.code))
    assert not isinstance(code, int)
    on = memory.copy()
    for line, level in d.ties:
        if line[0] == "A" and line[1:].isdigit():
            on &= ((acc.address >> int(line[1:])) & 1) == level
    mine = [f for f in faults if f.site == "decoder"]
    for f in mine:
        if f.what == "input-stuck":
            one = 1 << f.bit
            code = np.where(f.when(len(acc)), code | one if f.level else code & ~one, code)
    for r in card.banks:
        out[r.name] = on & (code == r.slot)
    names = {r.slot: r.name for r in card.banks}
    for f in mine:
        gate = f.when(len(acc))
        if f.what == "output-dead":
            out[names[f.lane]] = out[names[f.lane]] & ~gate
        if f.what == "merged":
            both = out[names[f.lane]] | out[names[f.lane2]]
            for lane in (f.lane, f.lane2):
                out[names[lane]] = np.where(gate, both, out[names[lane]])
    return out


def _faulty_chip(
    chip: Chip, fault: Fault, cell: Ints, writes: Bools, data: Ints, gate: Bools, time: Ints, salt: int
) -> tuple[Ints, Ints, Ints]:
    """One chip with a fault: its output, the lanes it drives (in a read), and the lanes it answers for at all."""
    n = len(cell)
    mask = np.full(n, chip.mask)
    cells = chip.memory.cells
    rng = np.random.default_rng([fault.seed, 3])
    if fault.what in ("address-stuck", "address-short"):
        cell = forced(cell, fault, gate)
    if fault.what == "data-open":
        data = stuck(data, fault.lane, fault.level, gate)
    if fault.what == "write-open":
        writes = writes & ~gate
    if fault.what == "dead":
        writes = writes & ~gate
    flip = np.zeros(n, np.int64)
    if fault.what == "flaky":
        hot = 1 << rng.choice(chip.lanes, n)
        flip = np.where(gate, hot, 0)
        if fault.seed % 2:  # it takes writes wrong as well
            data = np.where(writes, data ^ flip, data)
    value, index = last_written(cell, writes, data)
    value = np.where(index >= 0, value, mixed(cell, salt))
    driven = mask.copy()
    lane = 1 << fault.lane if fault.lane >= 0 else 0
    columns = cells // chip.memory.rows
    if fault.what == "out-stuck":
        value = stuck(value, fault.lane, fault.level, gate)
    elif fault.what == "cell-stuck":
        value = stuck(value, fault.lane, fault.level, gate & (cell == fault.cell))
    elif fault.what == "row-dead":
        hit = gate & (cell // columns == fault.cell // columns)
        value = np.where(hit, mask if fault.level else 0, value)
    elif fault.what == "column-dead":
        value = stuck(value, fault.lane, fault.level, gate & (cell % columns == fault.cell % columns))
    elif fault.what == "leak":
        weak = mixed(cell, fault.seed % 1000 + 5) % 100000 < fault.share * 100000
        limit = fault.tau_ns * (0.6 + (mixed(cell, fault.seed % 1000 + 6) % 1000) / 1000)
        age = time - np.where(index >= 0, time[np.maximum(index, 0)], time)
        gone = weak & (age > limit)
        for k in chip.lanes:
            # every cell of an array decays to its own side: one lane of a wide chip is the weak one
            if k == fault.lane or chip.memory.width == 1:
                value = stuck(value, k, fault.level, gone)
    elif fault.what == "flaky":
        value = value ^ flip
    elif fault.what in ("dead", "slow"):
        driven = np.where(gate, 0, driven)
    elif fault.what == "data-open":
        driven = np.where(gate, driven & ~lane, driven)
    return value & mask, driven, mask


def _region(
    card: Card, region: Region, acc: Accesses, rows: Ints, cell: Ints, data: Ints, writes: Bools, faults: list[Fault],
    time: Ints,
) -> tuple[Ints, Ints]:
    """All chips of a bank at the accesses ``rows``: levels and lanes driven."""
    salt = sum(region.name.encode())
    value, index = last_written(cell, writes, data)
    value = np.where(index >= 0, value, mixed(cell, salt)) & 0xFF
    value = odd_answer(card, region, acc, rows, value, index)
    driven = np.full(len(rows), 0xFF)
    for chip in region.chips:
        # one story a chip
        for fault in faults:
            if fault.site == "chip" and fault.part == chip.designator:
                gate = fault.when(len(acc))[rows]
                size = chip.memory.cells
                one, on, mask = _faulty_chip(chip, fault, cell % size, writes, data, gate, time[rows], salt)
                value = (value & ~mask) | one
                driven = (driven & ~mask) | on
    return value, driven


def play(
    card: Card, acc: Accesses, rom: dict[int, int], faults: list[Fault], period_ns: float, device: int = 1
) -> Seen:
    """Runs the program; writes that pass on what was read pass on what was really read."""
    data = acc.data.copy()
    for _ in range(12):
        seen = _play(card, acc, data, rom, faults, period_ns, device)
        copies = acc.copied >= 0
        new = np.where(copies, (seen.data[np.maximum(acc.copied, 0)] + acc.twist) & 0xFF, data)
        if np.array_equal(new, data):
            break
        data = new
    return seen


def _play(
    card: Card, acc: Accesses, data: Ints, rom: dict[int, int], faults: list[Fault], period_ns: float, device: int
) -> Seen:
    n = len(acc)
    time = (np.cumsum(acc.states) * period_ns).astype(np.int64)
    writes = acc.op == WRITE
    reads = (acc.op == READ) | (acc.op == FETCH)
    selects = selected(card, acc, faults)
    enabled = np.zeros(n, bool)
    for on in selects.values():
        enabled |= on
    at = acc.address.copy()
    for f in faults:
        if f.site == "address":
            at = forced(at, f, f.when(n))
    inward = data.copy()  # what the card's lanes carry in a write
    blind = np.zeros(n, bool)
    for f in faults:
        gate = f.when(n)
        if f.site == "data" and f.what == "lane-stuck" and f.seed % 3 == 0:
            inward = stuck(inward, f.lane, f.level, gate)
        if f.site == "data" and f.what == "lane-open":
            inward = stuck(inward, f.lane, 1 if card.floating == "high" else f.level, gate)
        if f.site == "data" and f.what == "no-write":
            inward = np.where(gate, 0xFF, inward)
        if f.site == "data" and f.what == "no-read":
            blind |= gate
        if f.site == "bus":
            inward = bridged(inward, f, gate & enabled)
    level = np.full(n, 0xFF)
    driven = np.zeros(n, np.int64)
    twin = card.odd.get("twin")
    for region in card.banks:
        if region.name == twin:
            continue  # it has no cells of its own
        on = selects[region.name]
        if twin and region.name == card.odd["bank"]:
            on = on | selects[twin]
        taking = writes & odd_taking(card, region, acc)
        giving = reads.copy()
        for f in faults:
            if f.site == "region" and f.region == region.name:
                if f.what == "no-answer":
                    on = on & ~f.when(n)
                elif f.what == "write-open":
                    taking &= ~f.when(n)
                else:  # the row's output enable: it takes writes and says nothing
                    giving &= ~f.when(n)
        rows = np.nonzero(on)[0]
        if not len(rows):
            continue
        # the chips see the low address lines; a bank whose base is not tidy is filled all the same
        cell = at[rows] % (1 << (region.size - 1).bit_length())
        cell = odd_cells(card, region, acc, rows, cell)
        one, mask = _region(card, region, acc, rows, cell, inward[rows], taking[rows], faults, time)
        mask = np.where(giving[rows], mask, 0)
        level[rows] &= one | ~mask
        driven[rows] |= mask
    # the card's own lanes: chips in a read, the driver in a write
    far_driven = np.where(writes & enabled, 0xFF, driven)
    far = settle(far_driven, np.where(writes, inward, level), card.floating, 8)
    if card.data_driver:
        bus_driven = np.where(writes, 0xFF, np.where(enabled & ~blind, 0xFF, 0))
        bus = far.copy()
    else:
        bus_driven = np.where(writes, 0xFF, driven)
        bus = level.copy()
    for f in faults:
        gate = f.when(n) & reads & enabled
        if f.site == "bus":
            bus = bridged(bus, f, gate)
            far = bridged(far, f, gate)
        if f.site == "data" and f.what == "lane-stuck":
            bus = stuck(bus, f.lane, f.level, gate)
        if f.site == "data" and f.what == "lane-open":
            bus_driven = np.where(gate, bus_driven & ~(1 << f.lane), bus_driven)
    bus = np.where(writes, data, bus)
    _others(card, acc, data, rom, bus, bus_driven, device)
    seen = settle(bus_driven, bus, card.floating, 8)
    if not card.data_driver:
        far = seen
    expected, known = ledger(card, acc, seen, rom)
    compared = reads & known
    return Seen(seen, far, selects, enabled, np.where(compared, seen ^ expected, 0), compared, expected)


def _others(
    card: Card, acc: Accesses, data: Ints, rom: dict[int, int], bus: Ints, driven: Ints, device: int
) -> None:
    """ROM, the machine's own memory and devices put their levels on the processor's bus, in place."""
    table = np.full(0x10000, 0xFF)
    if rom:
        table[np.array(list(rom))] = np.array(list(rom.values()))
    for region in card.regions:
        if region in card.banks:
            continue
        inside = (acc.address >= region.start) & (acc.address <= region.end) & (acc.op <= FETCH)
        rows = np.nonzero(inside & (acc.op != WRITE))[0]
        if region.kind == "rom":
            bus[rows] = table[acc.address[rows]]
        elif region.kind == "ram":
            every = np.nonzero(inside)[0]
            cell = acc.address[every]
            value, index = last_written(cell, acc.op[every] == WRITE, data[every])
            value = np.where(index >= 0, value, mixed(cell, 99) & 0xFF)
            mine = np.isin(every, rows)
            bus[rows] = value[mine]
        else:  # a status register that changes by itself, a counter that counts
            bus[rows] = np.where(acc.address[rows] & 1, rows // 7 & 0xFF, mixed(rows // 50, device) & 0xFF)
        driven[rows] = 0xFF
    ports = np.nonzero(acc.op == IOR)[0]
    bus[ports] = mixed(ports, device) & 0xFF
    driven[ports] = 0xFF


def ledger(card: Card, acc: Accesses, data: Ints, rom: dict[int, int]) -> tuple[Ints, Bools]:
    """What each read should give after the writes seen on the bus, and whether that is known. ROM is left out."""
    memory = acc.op <= FETCH
    ram = np.zeros(len(acc), bool)
    for region in card.regions:
        if region.kind == "ram":
            ram |= (acc.address >= region.start) & (acc.address <= region.end)
    value, index = last_written(acc.address, (acc.op == WRITE) & memory, data)
    return value, (index >= 0) & ram & memory
