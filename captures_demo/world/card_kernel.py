"""The virtual card itself: what every bus cycle puts on the lines, faults included.

Pure functions of arrays. Row layouts are named by the constants below; one
cycle at a time, because memory, floating lines and coupled cells remember.
All words are int64; lanes and address lines are bit masks.
"""

from __future__ import annotations

import numba
import numpy as np

# Where a fault sits.
CELL, CHIP, REGION, CARD, DECODER, BUFFER, BUS = range(7)

# What it does there.
(
    STUCK,
    FLOATING,
    BRIDGED,
    WRITE_LOST,
    DEAD,
    ADDRESS_STUCK,
    ADDRESS_BRIDGED,
    SELECT_MISSING,
    SELECT_EXTRA,
    SELECT_SWAPPED,
    DIRECTION,
    COUPLED,
    SLOW,
    LEAKY,
    INPUT_OPEN,
    ENABLE_STUCK,
    TRANSITION,
    READ_FLIPS,
    READ_FLIPS_LATE,
    READ_WRONG,
    WRITE_FLIPS,
    ADDRESS_CELLS,
) = range(22)

# Columns of a fault row.
(
    F_DOES,
    F_PLACE,
    F_REGION,
    F_CARD,
    F_LANES,
    F_CHIP,
    F_LINES,
    F_LEVEL,
    F_CELL,
    F_VICTIM,
    F_OTHER,
    F_ACTS,
    F_EFFECT,
    F_TRIGGER,
    F_AGGRESSOR,
    F_AGE,
    F_IF_MASK,
    F_IF_VALUE,
) = range(18)
FAULT_COLUMNS = 18

ON_READS, ON_WRITES, READS_REFRESH = 1, 2, 4
EFFECT_LOW, EFFECT_HIGH, EFFECT_INVERT = 0, 1, 2
RISE, FALL, ANY_WRITE, WHILE_HIGH, WHILE_LOW = 1, 2, 4, 8, 16

# Columns of a region row.
R_CARD, R_START, R_END, R_MASK, R_ROM, R_BASE, R_CHIP, R_CHIPS = range(8)
# Columns of a card row.
C_BUFFER, C_FOLLOWS, C_FLOAT, C_REGION, C_REGIONS = range(5)
KEEPS, PULLED_UP, PULLED_DOWN = 0, 1, 2
# What a cycle does, and where the data of a write comes from.
OP_READ, OP_WRITE, OP_IDLE = 0, 1, 2
# Settings vector.
S_FLOAT, S_CONTENTION, S_LANES = 0, 1, 2
LOW_WINS, RANDOM_WINS = 0, 1

_njit = numba.njit(cache=True, nogil=True)


@_njit
def _float(mode, last, lanes):
    """The level of undriven lines: kept, pulled up or pulled down."""
    if mode == KEEPS:
        return last
    return lanes if mode == PULLED_UP else 0


@_njit
def _bend_address(address, faults, active, place, region, card, chip):
    """The address as ``place`` sees it through its stuck and bridged address lines."""
    for f in range(faults.shape[0]):
        does = faults[f, F_DOES]
        if active[f] == 0 or faults[f, F_PLACE] != place or (does != ADDRESS_STUCK and does != ADDRESS_BRIDGED):
            continue
        if place == CARD and faults[f, F_CARD] != card and faults[f, F_CARD] >= 0:
            continue
        if place != CARD and faults[f, F_REGION] != region:
            continue
        if place == CHIP and faults[f, F_CHIP] != chip:
            continue
        lines = faults[f, F_LINES]
        high = faults[f, F_LEVEL] == 1
        if does == ADDRESS_BRIDGED:
            seen = address & lines
            high = seen != 0 if high else seen == lines
        address = address | lines if high else address & ~lines
    return address


@_njit
def _lanes_through(value, floated, faults, active, place, region, card, chip, direction):
    """Data after the lanes of one place: (levels, lanes that this place does not drive)."""
    for f in range(faults.shape[0]):
        if active[f] == 0 or faults[f, F_PLACE] != place or (faults[f, F_ACTS] & direction) == 0:
            continue
        if place == CHIP and (faults[f, F_REGION] != region or faults[f, F_CHIP] != chip):
            continue
        if place == BUFFER and faults[f, F_CARD] != card:
            continue
        if (value & faults[f, F_IF_MASK]) != faults[f, F_IF_VALUE]:
            continue
        does = faults[f, F_DOES]
        lanes = faults[f, F_LANES]
        if does == STUCK:
            value = value | lanes if faults[f, F_LEVEL] == 1 else value & ~lanes
            floated &= ~lanes
        elif does == BRIDGED:
            seen = value & lanes
            high = seen != 0 if faults[f, F_LEVEL] == 1 else seen == lanes
            value = value | lanes if high else value & ~lanes
        elif does == FLOATING or does == DIRECTION:
            floated |= lanes
    return value, floated


@_njit
def _cells_of(offset, faults, active, region, chip):
    """The one or two cells that an address reaches, -1 for none (address decoder faults)."""
    first = offset
    second = -1
    for f in range(faults.shape[0]):
        if active[f] == 0 or faults[f, F_DOES] != ADDRESS_CELLS or faults[f, F_CELL] != offset:
            continue
        if faults[f, F_REGION] != region or faults[f, F_CHIP] != chip:
            continue
        mode = faults[f, F_LEVEL]
        if mode == 0:
            first = -1
        elif mode == 1:
            first = faults[f, F_VICTIM]
        else:
            second = faults[f, F_VICTIM]
    return first, second


@_njit
def _leak(cell, faults, active, region, chip, memory, stamp, spread, base, now):
    """Let a cell decay whose charge is older than its retention time."""
    for f in range(faults.shape[0]):
        if active[f] == 0 or faults[f, F_DOES] != LEAKY or faults[f, F_REGION] != region or faults[f, F_CHIP] != chip:
            continue
        if faults[f, F_PLACE] == CELL and faults[f, F_CELL] != cell:
            continue
        if stamp[base + cell] >= 0 and now - stamp[base + cell] > faults[f, F_AGE] * spread[base + cell]:
            lanes = faults[f, F_LANES]
            was = memory[base + cell]
            memory[base + cell] = was | lanes if faults[f, F_LEVEL] == 1 else was & ~lanes
        elif faults[f, F_ACTS] & READS_REFRESH:
            stamp[base + cell] = now


@_njit
def _read_cell(cell, faults, active, region, chip, memory, base):
    """What one cell answers; the reading itself may change it (read-disturb faults)."""
    value = memory[base + cell] & chip
    for f in range(faults.shape[0]):
        if active[f] == 0 or faults[f, F_PLACE] != CELL or faults[f, F_REGION] != region or faults[f, F_CHIP] != chip:
            continue
        if faults[f, F_CELL] != cell:
            continue
        does = faults[f, F_DOES]
        lanes = faults[f, F_LANES]
        if does == STUCK:
            value = value | lanes if faults[f, F_LEVEL] == 1 else value & ~lanes
        elif does >= READ_FLIPS and does <= READ_WRONG:
            hit = lanes & (value if faults[f, F_LEVEL] == 1 else ~value)
            if does != READ_WRONG:
                memory[base + cell] ^= hit
            if does != READ_FLIPS_LATE:
                value ^= hit
    return value


@_njit
def _couple(cell, was, faults, active, region, memory, base):
    """Cells that change because ``cell`` was written (or holds a state)."""
    for f in range(faults.shape[0]):
        if active[f] == 0 or faults[f, F_DOES] != COUPLED or faults[f, F_REGION] != region:
            continue
        trigger = faults[f, F_TRIGGER]
        lanes = faults[f, F_AGGRESSOR]
        fired = False
        if trigger & (WHILE_HIGH | WHILE_LOW):
            now = memory[base + faults[f, F_CELL]] & lanes
            fired = now == lanes if trigger & WHILE_HIGH else now == 0
        elif cell == faults[f, F_CELL]:
            now = memory[base + cell]
            rose = (~was & now & lanes) != 0
            fell = (was & ~now & lanes) != 0
            fired = bool(trigger & ANY_WRITE) or (rose and bool(trigger & RISE)) or (fell and bool(trigger & FALL))
        if fired:
            victim = base + faults[f, F_VICTIM]
            if faults[f, F_EFFECT] == EFFECT_INVERT:
                memory[victim] ^= faults[f, F_LANES]
            elif faults[f, F_EFFECT] == EFFECT_HIGH:
                memory[victim] |= faults[f, F_LANES]
            else:
                memory[victim] &= ~faults[f, F_LANES]


@_njit
def _write_cell(cell, value, faults, active, region, chip, memory, stamp, base, now):
    """Store ``value`` in one cell through its own faults."""
    was = memory[base + cell]
    new = (was & ~chip) | (value & chip)
    for f in range(faults.shape[0]):
        if active[f] == 0 or faults[f, F_PLACE] != CELL or faults[f, F_REGION] != region or faults[f, F_CHIP] != chip:
            continue
        if faults[f, F_CELL] != cell:
            continue
        does = faults[f, F_DOES]
        lanes = faults[f, F_LANES]
        if does == STUCK:
            new = new | lanes if faults[f, F_LEVEL] == 1 else new & ~lanes
        elif does == TRANSITION:
            blocked = lanes & ((~was & new) if faults[f, F_LEVEL] == 1 else (was & ~new))
            new ^= blocked
        elif does == WRITE_FLIPS:
            same = lanes & ~(was ^ new)
            new ^= same & (new if faults[f, F_LEVEL] == 1 else ~new)
    memory[base + cell] = new
    stamp[base + cell] = now
    _couple(cell, was, faults, active, region, memory, base)


@_njit
def _chip_has(does, faults, active, region, chip):
    """Whether a fault of this kind is active on a chip or on the region around it."""
    for f in range(faults.shape[0]):
        if active[f] == 0 or faults[f, F_DOES] != does or faults[f, F_REGION] != region:
            continue
        if faults[f, F_PLACE] == REGION or (faults[f, F_PLACE] == CHIP and faults[f, F_CHIP] == chip):
            return True
    return False


@_njit
def _chip_write(address, value, faults, active, region, chip, memory, stamp, row, now):
    if _chip_has(WRITE_LOST, faults, active, region, chip) or _chip_has(DEAD, faults, active, region, chip):
        return
    offset = _bend_address(address, faults, active, CHIP, region, 0, chip) & row[R_MASK]
    taken, open_lanes = _lanes_through(value, 0, faults, active, CHIP, region, 0, chip, ON_WRITES)
    taken |= open_lanes  # an open input floats high
    first, second = _cells_of(offset, faults, active, region, chip)
    if first >= 0:
        _write_cell(first, taken, faults, active, region, chip, memory, stamp, row[R_BASE], now)
    if second >= 0:
        _write_cell(second, taken, faults, active, region, chip, memory, stamp, row[R_BASE], now)


@_njit
def _chip_read(address, before, faults, active, region, chip, memory, stamp, spread, row, now):
    """(levels, lanes left undriven) of one chip that is selected for reading."""
    if _chip_has(DEAD, faults, active, region, chip):
        return 0, chip
    offset = _bend_address(address, faults, active, CHIP, region, 0, chip) & row[R_MASK]
    first, second = _cells_of(offset, faults, active, region, chip)
    if first < 0 and second < 0:
        return 0, chip
    if first < 0:
        first, second = second, -1
    base = row[R_BASE]
    _leak(first, faults, active, region, chip, memory, stamp, spread, base, now)
    value = _read_cell(first, faults, active, region, chip, memory, base)
    if second >= 0:
        value &= _read_cell(second, faults, active, region, chip, memory, base)
    value, floated = _lanes_through(value, 0, faults, active, CHIP, region, 0, chip, ON_READS)
    if _chip_has(SLOW, faults, active, region, chip):
        value = before
    return value & chip, floated & chip


@_njit
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


@_njit
def _card_write(card, address, value, regions, cards, chips, faults, active, selected, memory, stamp, now):
    """Every selected region of a card takes the write."""
    for f in range(faults.shape[0]):
        if active[f] and faults[f, F_DOES] == WRITE_LOST and faults[f, F_PLACE] == CARD:
            return
    for r in range(cards[card, C_REGION], cards[card, C_REGION] + cards[card, C_REGIONS]):
        if selected[r] == 0 or regions[r, R_ROM] == 1:
            continue
        row = regions[r]
        at = _bend_address(address, faults, active, REGION, r, card, 0)
        for c in range(row[R_CHIP], row[R_CHIP] + row[R_CHIPS]):
            _chip_write(at, value, faults, active, r, chips[c], memory, stamp, row, now)


@_njit
def _card_read(
    card, address, before, regions, cards, chips, faults, active, selected, memory, stamp, spread, now, settings, coin
):
    """(levels, driven lanes) on the card's own data lines."""
    levels = 0
    driven = 0
    for r in range(cards[card, C_REGION], cards[card, C_REGION] + cards[card, C_REGIONS]):
        if selected[r] == 0:
            continue
        row = regions[r]
        at = _bend_address(address, faults, active, REGION, r, card, 0)
        for c in range(row[R_CHIP], row[R_CHIP] + row[R_CHIPS]):
            chip = chips[c]
            value, floated = _chip_read(at, before, faults, active, r, chip, memory, stamp, spread, row, now)
            levels, driven = _join(levels, driven, value, chip & ~floated, settings, coin)
    return levels, driven


@_njit
def _join(levels, driven, value, lanes, settings, coin):
    """Add one driver to a line that others may drive too: low wins, or nobody knows."""
    both = driven & lanes
    alone = lanes & ~driven
    fight = both & (levels ^ value)
    out = (levels & ~lanes) | (value & alone) | (levels & value & both)
    if settings[S_CONTENTION] == RANDOM_WINS:
        out |= fight & coin
    return out, driven | lanes


@_njit
def _inside_on_write(k, main, resting, addressed, cards, faults, act, lanes):
    """What a write puts on the card's own lines, through its buffer if it has one."""
    if not cards[k, C_BUFFER]:
        return main
    inside, off = _lanes_through(main, 0, faults, act, BUFFER, 0, k, 0, ON_WRITES)
    if not addressed and not cards[k, C_FOLLOWS]:
        off = lanes
    return (inside & ~off) | (resting & off)


@_njit
def run_cards(
    ops,
    addresses,
    literals,
    copies,
    times,
    active,
    coins,
    regions,
    cards,
    chips,
    faults,
    memory,
    spread,
    settings,
    refresh,
    data,
    kept,
    card_lines,
    select_lines,
):
    """Play every cycle; returns the number of cycles played.

    Parameters
    ----------
    ops : int64[n], OP_READ, OP_WRITE or OP_IDLE
    addresses, literals : int64[n], bus address; data of a write
    copies : uint8[n], 1 = the write stores what the last read gave, plus the literal
    times : int64[n], when the cycle ends, in nanoseconds
    active : uint8[n, faults], whether each fault acts in this cycle
    coins : int64[n], random levels for contention
    regions, cards, faults : int64 rows as the column constants say; chips : int64[c], lanes of each chip
    memory : int64[cells], initial contents, changed in place
    spread : float64[cells], factor on the retention time of each cell
    settings : int64[3], how the CPU side floats, contention, mask of lanes
    refresh : uint8[n], 1 = the bus is left alone after this cycle long enough to float
    data, kept : int64[n], outputs: CPU-side lines at the sampling edge, and as the cycle began
    card_lines : int64[n, cards], output: each card's own data lines at the sampling edge
    select_lines : uint8[n, regions], output: 1 = the region is selected in this cycle
    """
    lanes = settings[S_LANES]
    stamp = np.full(memory.shape[0], -1, np.int64)
    selected = np.zeros(regions.shape[0], np.uint8)
    card_last = np.full(cards.shape[0], lanes, np.int64)
    main_last = lanes
    last_read = 0
    for i in range(ops.shape[0]):
        kept[i] = main_last
        act = active[i]
        writing = ops[i] == OP_WRITE
        levels = 0
        driven = 0
        if writing:
            levels = (last_read + literals[i]) & lanes if copies[i] else literals[i]
            levels, _ = _lanes_through(levels, 0, faults, act, BUS, 0, 0, 0, ON_WRITES)
            driven = lanes
        for k in range(cards.shape[0]):
            card_lines[i, k] = -1
            if ops[i] == OP_IDLE:
                continue
            at = _bend_address(addresses[i], faults, act, CARD, 0, k, 0)
            addressed = _select(k, at, regions, cards, faults, act, selected)
            for r in range(cards[k, C_REGION], cards[k, C_REGION] + cards[k, C_REGIONS]):
                select_lines[i, r] = selected[r]
            resting = _float(cards[k, C_FLOAT], card_last[k], lanes)
            if writing:
                inside = _inside_on_write(k, levels, resting, addressed, cards, faults, act, lanes)
                card_lines[i, k] = inside
                _card_write(k, at, inside, regions, cards, chips, faults, act, selected, memory, stamp, times[i])
            elif addressed:
                inside, on = _card_read(
                    k, at, resting, regions, cards, chips, faults, act, selected, memory, stamp, spread, times[i],
                    settings, coins[i],
                )  # fmt: skip
                if cards[k, C_BUFFER]:
                    inside = (inside & on) | (resting & ~on)
                    card_lines[i, k] = inside
                    inside, off = _lanes_through(inside, 0, faults, act, BUFFER, 0, k, 0, ON_READS)
                    on = lanes & ~off
                levels, driven = _join(levels, driven, inside, on, settings, coins[i])
        if not writing:
            levels = (levels & driven) | (_float(settings[S_FLOAT], main_last, lanes) & ~driven)
            levels, _ = _lanes_through(levels, 0, faults, act, BUS, 0, 0, 0, ON_READS)
            if ops[i] == OP_READ:
                last_read = levels
        data[i] = levels
        _settle(i, levels, cards, faults, act, card_last, card_lines, lanes)
        main_last = _float(settings[S_FLOAT], levels, lanes) if refresh[i] else levels
    return ops.shape[0]


@_njit
def _settle(i, main, cards, faults, act, card_last, card_lines, lanes):
    """What each card's own lines carry when the cycle is over."""
    for k in range(cards.shape[0]):
        if card_lines[i, k] < 0:
            # Not this card's cycle: its lines follow the bus through the buffer, or keep their charge.
            if not cards[k, C_BUFFER]:
                card_lines[i, k] = main
            elif cards[k, C_FOLLOWS]:
                inside, off = _lanes_through(main, 0, faults, act, BUFFER, 0, k, 0, ON_WRITES)
                card_lines[i, k] = (inside & ~off) | (_float(cards[k, C_FLOAT], card_last[k], lanes) & off)
            else:
                card_lines[i, k] = _float(cards[k, C_FLOAT], card_last[k], lanes)
        card_last[k] = card_lines[i, k]


@_njit
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
