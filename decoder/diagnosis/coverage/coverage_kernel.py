"""What each access proves: levels on lanes, address lines and selects told apart. Arrays in, counts added."""

import numba as nb
import numpy as np

from busledger.decoder.bits_kernel import lowest_bit
from busledger.decoder.inner_kernel import inner

WRITTEN = 1
READ = 2
COMPARED = 4
RIGHT = 0
WRONG = 1


@inner(_nrt=False)
def _store(cell, lanes, data, unknown, value, valid, stamp, clock):
    """A write: the cell's known lanes take the data, unknown ones become unknown."""
    sure = lanes & ~unknown
    value[cell] = (value[cell] & ~lanes) | (data & sure)
    valid[cell] = (valid[cell] & ~lanes) | sure
    stamp[cell] = clock


@inner(_nrt=False)
def _spread(seen, levels, moves, pairs):
    """Adds ``seen`` int64 (3, regions, 256), right reads of whole words by expected value, by the lanes that rose
    and by those that fell from what the idle bus held, to the counts a lane."""
    lanes = pairs.shape[1]
    for r in range(seen.shape[1]):
        for value in range(256):
            times, rose, fell = seen[0, r, value], seen[1, r, value], seen[2, r, value]
            if times == 0 and rose == 0 and fell == 0:
                continue
            for i in range(lanes):
                bit = (value >> i) & 1
                levels[r, RIGHT, i, bit] += times
                moves[r, i, 1] += rose * bit
                moves[r, i, 0] += fell * bit
                for j in range(i + 1, lanes):
                    pairs[r, i, j] += times * (bit ^ ((value >> j) & 1))


@inner(_nrt=False)
def _count_lanes(r, expected, known, wrong, kept, levels, moves, driven, before, until):
    """Levels and transitions of the compared lanes; ``driven``: right reads that the idle bus did not hold already."""
    lanes = levels.shape[2]
    for lane in range(lanes):
        if not (known >> lane) & 1:
            continue
        high = (expected >> lane) & 1
        bad = (wrong >> lane) & 1
        if bad:
            first = before[lane, 0, 0] < 0
            for region in range(levels.shape[0]):  # one by one: slices would take seconds to compile
                for level in range(2):
                    until[lane, region, level] = levels[region, RIGHT, lane, level]
                    if first:
                        before[lane, region, level] = levels[region, RIGHT, lane, level]
        levels[r, bad, lane, high] += 1
        if ((kept >> lane) & 1) != high:
            moves[r, lane, high] += 1
    if wrong == 0 and (expected ^ kept) & known:
        driven[r] += 1


@inner(_nrt=False)
def _count_pairs(r, expected, known, pairs):
    """Right reads in which lanes i < j were due at different levels, as a short between them would have shown."""
    lanes = pairs.shape[1]
    for i in range(lanes):
        if (known >> i) & 1:
            others = (expected if not (expected >> i) & 1 else ~expected) & known
            for j in range(i + 1, lanes):
                pairs[r, i, j] += (others >> j) & 1


@inner(_nrt=False, forceinline=True)
def _told_apart(cell, other, expected, known, held, value, valid, stamp):
    """Whether a read of ``cell`` comes right only if ``other`` is another cell.

    ``other`` held known, different data; where cells are ``held`` by writing, it was
    written after ``cell``, so that one shared cell would have lost its value.
    """
    differs = (value[other] ^ expected) & valid[other] & known
    return differs != 0 and (not held or stamp[other] > stamp[cell])


@nb.njit(cache=True, nogil=True)
def observe(accesses, regions, state, sums):
    """Add a block of accesses, all inside a region, in time order: see ``arrays.py``."""
    cell, word, region, is_write, data, unknown, lanes, judged, expected, known, mismatch, kept = accesses
    base, size, bits, rom, comparable = regions
    value, valid, stamp, clock, flags, last = state
    levels, moves, driven, before, until, pairs, toggled, alias, apart = sums
    full = (1 << pairs.shape[1]) - 1
    # Where nothing is wrong and values are few, reads are counted by value first: far less work a read.
    by_value = pairs.shape[1] <= 8 and not mismatch.any()
    seen = np.zeros((3, base.shape[0] if by_value else 0, 256), np.int64)
    for i in range(cell.shape[0]):
        r = region[i]
        c = cell[i]
        if is_write[i]:
            clock[0] += 1
            flags[c] |= WRITTEN
            _store(c, lanes[i], data[i], unknown[i], value, valid, stamp, clock[0])
            continue
        flags[c] |= READ
        if not judged[i]:
            continue
        flags[c] |= COMPARED
        whole = by_value and known[i] == full
        if whole:
            moved = (kept[i] ^ expected[i]) & full
            seen[0, r, expected[i] & full] += 1
            seen[1, r, moved & expected[i]] += 1
            seen[2, r, moved & ~expected[i]] += 1
            driven[r] += moved != 0
        else:
            _count_lanes(r, expected[i], known[i], mismatch[i], kept[i], levels, moves, driven, before, until)
        offset = word[i] & (size[r] - 1)
        if last[r] >= 0:
            changed = np.uint64(last[r] ^ offset)
            while changed != np.uint64(0):
                toggled[r, lowest_bit(changed)] += 1
                changed &= changed - np.uint64(1)
        last[r] = offset
        if rom[r]:
            value[c] = (value[c] & ~known[i]) | (expected[i] & known[i])
            valid[c] |= known[i]
        wrong = WRONG if mismatch[i] != 0 else RIGHT
        for b in range(bits[r]):
            other = base[r] + (offset ^ (1 << b))
            if _told_apart(c, other, expected[i], known[i], not rom[r], value, valid, stamp):
                alias[r, wrong, b, (offset >> b) & 1] += 1
        if wrong:
            continue
        if not whole:
            _count_pairs(r, expected[i], known[i], pairs)
        for s in range(base.shape[0]):
            if comparable[r, s]:
                other = base[s] + (word[i] & (size[s] - 1))
                if _told_apart(c, other, expected[i], known[i], not (rom[r] or rom[s]), value, valid, stamp):
                    apart[r, s] += 1
    _spread(seen, levels, moves, pairs)
