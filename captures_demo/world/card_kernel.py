"""The virtual card itself: what every bus cycle puts on the lines, faults included.

One cycle at a time, because memory, floating lines and coupled cells remember.
Row layouts of faults and regions are named in ``chip_kernel``, those of cards here.
"""

from __future__ import annotations

import numpy as np

from busledger.captures_demo.world.chip_kernel import (
    BUFFER,
    BUS,
    CARD,
    DECODER,
    ENABLE_STUCK,
    F_CARD,
    F_DOES,
    F_LINES,
    F_OTHER,
    F_PLACE,
    F_REGION,
    INPUT_OPEN,
    ON_READS,
    ON_WRITES,
    R_CHIP,
    R_CHIPS,
    R_END,
    R_ROM,
    R_START,
    REGION,
    SELECT_EXTRA,
    SELECT_MISSING,
    SELECT_SWAPPED,
    WRITE_LOST,
    bend_address,
    chip_read,
    chip_write,
    lanes_through,
    njit_cached,
)

# Columns of a card row.
C_BUFFER, C_FOLLOWS, C_FLOAT, C_REGION, C_REGIONS = range(5)
KEEPS, PULLED_UP, PULLED_DOWN = 0, 1, 2
# What a cycle does, and where the data of a write comes from.
OP_READ, OP_WRITE, OP_IDLE = 0, 1, 2
# Settings vector.
S_FLOAT, S_CONTENTION, S_LANES, S_SHARED = 0, 1, 2, 3
LOW_WINS, RANDOM_WINS = 0, 1


@njit_cached
def _float(mode, last, lanes):
    """The level of undriven lines: kept, pulled up or pulled down."""
    if mode == KEEPS:
        return last
    return lanes if mode == PULLED_UP else 0


@njit_cached
def _select(card, address, regions, cards, faults, active, selected):
    """Fill ``selected`` for the regions of one card; returns whether the card itself is addressed."""
    seen = address
    for f in range(faults.shape[0]):
        if active[f] and faults[f, F_DOES] == INPUT_OPEN and faults[f, F_CARD] == card:
            seen |= faults[f, F_LINES]  # an open TTL input reads high
    first = cards[card, C_REGION]
    last = first + cards[card, C_REGIONS]
    addressed = False
    for r in range(first, last):
        selected[r] = 1 if regions[r, R_START] <= seen <= regions[r, R_END] else 0
        addressed = addressed or selected[r] == 1
    for f in range(faults.shape[0]):
        if active[f] == 0 or faults[f, F_PLACE] != DECODER or faults[f, F_CARD] != card:
            continue
        r = faults[f, F_REGION]
        other = faults[f, F_OTHER]
        if faults[f, F_DOES] == SELECT_MISSING:
            selected[r] = 0
        elif faults[f, F_DOES] == SELECT_EXTRA:
            selected[r] = selected[r] | selected[other]
        elif faults[f, F_DOES] == SELECT_SWAPPED:
            selected[r], selected[other] = selected[other], selected[r]
        elif faults[f, F_DOES] == ENABLE_STUCK:
            addressed = True
    return addressed


@njit_cached
def _card_write(card, address, value, regions, cards, chips, faults, active, selected, memory, stamp, now):
    """Every selected region of a card takes the write."""
    for f in range(faults.shape[0]):
        if active[f] and faults[f, F_DOES] == WRITE_LOST and faults[f, F_PLACE] == CARD:
            return
    for r in range(cards[card, C_REGION], cards[card, C_REGION] + cards[card, C_REGIONS]):
        if selected[r] == 0 or regions[r, R_ROM] == 1:
            continue
        row = regions[r]
        at = bend_address(address, faults, active, REGION, r, card, 0)
        for c in range(row[R_CHIP], row[R_CHIP] + row[R_CHIPS]):
            chip_write(at, value, faults, active, r, chips[c], memory, stamp, row, now)


@njit_cached
def _card_read(card, address, before, given, i, selected, stamp):
    """(levels, driven lanes) on the card's own data lines in cycle ``i``."""
    regions, cards, chips, faults, memory = given.regions, given.cards, given.chips, given.faults, given.memory
    active, spread, now, settings, coin = given.active[i], given.spread, given.times[i], given.settings, given.coins[i]
    levels = 0
    driven = 0
    for r in range(cards[card, C_REGION], cards[card, C_REGION] + cards[card, C_REGIONS]):
        if selected[r] == 0:
            continue
        row = regions[r]
        at = bend_address(address, faults, active, REGION, r, card, 0)
        for c in range(row[R_CHIP], row[R_CHIP] + row[R_CHIPS]):
            chip = chips[c]
            value, floated = chip_read(at, before, faults, active, r, chip, memory, stamp, spread, row, now)
            levels, driven = _join(levels, driven, value, chip & ~floated, settings, coin)
    return levels, driven


@njit_cached
def _join(levels, driven, value, lanes, settings, coin):
    """Add one driver to a line that others may drive too: low wins, or nobody knows."""
    both = driven & lanes
    alone = lanes & ~driven
    fight = both & (levels ^ value)
    out = (levels & ~lanes) | (value & alone) | (levels & value & both)
    if settings[S_CONTENTION] == RANDOM_WINS:
        out |= fight & coin
    return out, driven | lanes


@njit_cached
def _inside_on_write(k, main, resting, addressed, cards, faults, act, lanes):
    """What a write puts on the card's own lines, through its buffer if it has one."""
    if not cards[k, C_BUFFER]:
        return main
    inside, off = lanes_through(main, 0, faults, act, BUFFER, 0, k, 0, ON_WRITES)
    if not addressed and not cards[k, C_FOLLOWS]:
        off = lanes
    return (inside & ~off) | (resting & off)


@njit_cached
def _address_first(low, cards, card_last):
    """The low address byte on the data lines; cards whose lines follow the bus carry it, too."""
    for k in range(cards.shape[0]):
        if cards[k, C_FOLLOWS] or not cards[k, C_BUFFER]:
            card_last[k] = low
    return low


@njit_cached
def run_cards(given, shown):
    """Play every cycle of ``Given`` into ``Shown``; returns the number of cycles played."""
    ops, addresses, literals, copies, times = given.ops, given.addresses, given.literals, given.copies, given.times
    active, coins, settings, refresh = given.active, given.coins, given.settings, given.refresh
    regions, cards, chips, faults, memory = given.regions, given.cards, given.chips, given.faults, given.memory
    data, kept, card_lines, select_lines = shown
    lanes = settings[S_LANES]
    stamp = np.full(memory.shape[0], -1, np.int64)
    selected = np.zeros(regions.shape[0], np.uint8)
    card_last = np.full(cards.shape[0], lanes, np.int64)
    main_last = lanes
    last_read = 0
    for i in range(ops.shape[0]):
        if settings[S_SHARED] and ops[i] != OP_IDLE:
            main_last = _address_first(addresses[i] & lanes, cards, card_last)
        kept[i] = main_last
        act = active[i]
        writing = ops[i] == OP_WRITE
        levels = 0
        driven = 0
        if writing:
            levels = (last_read + literals[i]) & lanes if copies[i] else literals[i]
            levels, _ = lanes_through(levels, 0, faults, act, BUS, 0, 0, 0, ON_WRITES)
            driven = lanes
        for k in range(cards.shape[0]):
            card_lines[i, k] = -1
            if ops[i] == OP_IDLE:
                continue
            at = bend_address(addresses[i], faults, act, CARD, 0, k, 0)
            addressed = _select(k, at, regions, cards, faults, act, selected)
            for r in range(cards[k, C_REGION], cards[k, C_REGION] + cards[k, C_REGIONS]):
                select_lines[i, r] = selected[r]
            resting = _float(cards[k, C_FLOAT], card_last[k], lanes)
            if writing:
                inside = _inside_on_write(k, levels, resting, addressed, cards, faults, act, lanes)
                card_lines[i, k] = inside
                _card_write(k, at, inside, regions, cards, chips, faults, act, selected, memory, stamp, times[i])
            elif addressed:
                inside, on = _card_read(k, at, resting, given, i, selected, stamp)
                if cards[k, C_BUFFER]:
                    inside = (inside & on) | (resting & ~on)
                    card_lines[i, k] = inside
                    inside, off = lanes_through(inside, 0, faults, act, BUFFER, 0, k, 0, ON_READS)
                    on = lanes & ~off
                levels, driven = _join(levels, driven, inside, on, settings, coins[i])
        if not writing:
            levels = (levels & driven) | (_float(settings[S_FLOAT], main_last, lanes) & ~driven)
            levels, _ = lanes_through(levels, 0, faults, act, BUS, 0, 0, 0, ON_READS)
            if ops[i] == OP_READ:
                last_read = levels
        data[i] = levels
        _settle(i, levels, cards, faults, act, card_last, card_lines, lanes)
        main_last = _float(settings[S_FLOAT], levels, lanes) if refresh[i] else levels
    return ops.shape[0]


@njit_cached
def _settle(i, main, cards, faults, act, card_last, card_lines, lanes):
    """What each card's own lines carry when the cycle is over."""
    for k in range(cards.shape[0]):
        if card_lines[i, k] < 0:
            # Not this card's cycle: its lines follow the bus through the buffer, or keep their charge.
            if not cards[k, C_BUFFER]:
                card_lines[i, k] = main
            elif cards[k, C_FOLLOWS]:
                inside, off = lanes_through(main, 0, faults, act, BUFFER, 0, k, 0, ON_WRITES)
                card_lines[i, k] = (inside & ~off) | (_float(cards[k, C_FLOAT], card_last[k], lanes) & off)
            else:
                card_lines[i, k] = _float(cards[k, C_FLOAT], card_last[k], lanes)
        card_last[k] = card_lines[i, k]


@njit_cached
def expect(ops, addresses, data, compare, fixed, expected, known):
    """An honest ledger of its own: what each read had to give; returns how many reads were compared.

    Parameters
    ----------
    ops, addresses, data : int64[n], as seen on the CPU side
    compare : uint8[65536 or more], 1 where an address is compared at all, 2 where it is a ROM with an image
    fixed : int64[same], a ROM's image
    expected : int64[n], output; known : uint8[n], output, 1 = this read is compared
    """
    held = fixed.copy()
    written = np.zeros(compare.shape[0], np.uint8)
    compared = 0
    for i in range(ops.shape[0]):
        a = addresses[i]
        if compare[a] == 0:
            continue
        if ops[i] == OP_WRITE and compare[a] == 1:
            held[a] = data[i]
            written[a] = 1
        elif ops[i] == OP_READ and (compare[a] == 2 or written[a] == 1):
            expected[i] = held[a]
            known[i] = 1
            compared += 1
    return compared
