"""One chip of the virtual card, and what lanes and address lines do on their way to it.

Pure functions of arrays. Row layouts are named by the constants below. All
words are int64; lanes and address lines are bit masks. ``active`` is one
cycle's row of uint8, one a fault: whether it acts now.
"""

from __future__ import annotations

import numba

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

njit_cached = numba.njit(cache=True, nogil=True)


@njit_cached
def bend_address(address, faults, active, place, region, card, chip):
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


@njit_cached
def lanes_through(value, floated, faults, active, place, region, card, chip, direction):
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
        elif does in (FLOATING, DIRECTION):
            floated |= lanes
    return value, floated


@njit_cached
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


@njit_cached
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


@njit_cached
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


@njit_cached
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


@njit_cached
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


@njit_cached
def _chip_has(does, faults, active, region, chip):
    """Whether a fault of this kind is active on a chip or on the region around it."""
    for f in range(faults.shape[0]):
        if active[f] == 0 or faults[f, F_DOES] != does or faults[f, F_REGION] != region:
            continue
        if faults[f, F_PLACE] == REGION or (faults[f, F_PLACE] == CHIP and faults[f, F_CHIP] == chip):
            return True
    return False


@njit_cached
def chip_write(address, value, faults, active, region, chip, memory, stamp, row, now):
    """A chip that is selected for writing takes ``value``, as far as its faults let it."""
    if _chip_has(WRITE_LOST, faults, active, region, chip) or _chip_has(DEAD, faults, active, region, chip):
        return
    offset = bend_address(address, faults, active, CHIP, region, 0, chip) & row[R_MASK]
    taken, open_lanes = lanes_through(value, 0, faults, active, CHIP, region, 0, chip, ON_WRITES)
    taken |= open_lanes  # an open input floats high
    first, second = _cells_of(offset, faults, active, region, chip)
    if first >= 0:
        _write_cell(first, taken, faults, active, region, chip, memory, stamp, row[R_BASE], now)
    if second >= 0:
        _write_cell(second, taken, faults, active, region, chip, memory, stamp, row[R_BASE], now)


@njit_cached
def chip_read(address, before, faults, active, region, chip, memory, stamp, spread, row, now):
    """(levels, lanes left undriven) of one chip that is selected for reading."""
    if _chip_has(DEAD, faults, active, region, chip):
        return 0, chip
    offset = bend_address(address, faults, active, CHIP, region, 0, chip) & row[R_MASK]
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
    value, floated = lanes_through(value, 0, faults, active, CHIP, region, 0, chip, ON_READS)
    if _chip_has(SLOW, faults, active, region, chip):
        value = before
    return value & chip, floated & chip
