"""One cell that changes when another is written."""

import numba as nb
import numpy as np

from busledger.decoder.diagnosis.replay.effect_kernel import mix
from busledger.decoder.inner_kernel import INNER

# Columns of a tally, as in replay_kernel.
HIT, MISS, OTHER, EXPLAINED = range(4)
TALLY = 4
# What sets it off, on one lane of the other cell; what it does to the victim. Idempotent and inversion coupling
# faults of van de Goor, Testing Semiconductor Memories, 1991 (from memory).
RISES, FALLS, CHANGES, ANY_WRITE = range(4)
GOES_LOW, GOES_HIGH, INVERTS = range(3)
WAYS = 12


@nb.njit(cache=True, nogil=True)
def written_between(cell, is_write, compared, wrong, victim, lane, first_cell, since, failed, right):
    """For every cell: in how many intervals before a failing read of the victim it was written, and before a right one.

    ``since`` uint8 a cell, written since the victim's last access, carried;
    ``failed``, ``right`` int64 a cell, added to. An interval begins at the
    victim's last access.
    """
    bit = np.uint32(1) << np.uint32(lane)
    for i in range(cell.shape[0]):
        c = cell[i]
        if c == victim:
            if not is_write[i] and compared[i] & bit:
                target = failed if wrong[i] & bit else right
                for k in range(since.shape[0]):
                    target[k] += since[k]
            since[:] = 0
        elif is_write[i]:
            since[c - first_cell] = 1


@nb.njit(**INNER, _nrt=False)
def fire(k, old, old_known, new, lanes, fired, theory):
    """A write of cell k, slot by slot of (lane, trigger, effect): note it, and let the hard theory's victim change."""
    for j in range(lanes.shape[0]):
        was = (old >> lanes[j]) & 1
        now = (new >> lanes[j]) & 1
        known = (old_known >> lanes[j]) & 1
        for trigger in range(4):
            goes = trigger == ANY_WRITE
            if known and was != now:
                goes = goes or trigger == CHANGES or ((trigger == RISES) == (now == 1) and trigger < CHANGES)
            if not goes:
                continue
            for effect in range(3):
                h = j * WAYS + trigger * 3 + effect
                fired[k, h] += 1
                theory[k, h] = theory[k, h] ^ 1 if effect == INVERTS else effect


@nb.njit(cache=True, nogil=True, _nrt=False)
def look(index, read, expected, compared, belief, alone, fired, theory, counts, bits):
    """One read of the victim: every hypothesis is judged; returns nothing, ``fired`` starts anew."""
    hard, some, hashes = counts
    for k in range(fired.shape[0]):
        for h in range(fired.shape[1]):
            effect = h % 3
            want = belief
            if fired[k, h]:
                want = (belief ^ (fired[k, h] & 1)) if effect == INVERTS else effect
            if belief >= 0:
                if want != belief:
                    some[k, h, HIT if read == want else MISS] += 1
                elif read != belief:
                    some[k, h, OTHER] += 1
                if read != expected and compared and (want == read) and alone:
                    some[k, h, EXPLAINED] += 1
            fired[k, h] = 0
            if compared == 0:
                continue
            told = theory[k, h]
            if told != expected:
                hashes[k, h] += mix(index, bits)
                hard[k, h, HIT if read == told else MISS] += 1
                if read == told and alone:
                    hard[k, h, EXPLAINED] += 1
            elif read != expected:
                hard[k, h, OTHER] += 1


@nb.njit(cache=True, nogil=True)
def couple(rows, victim, state, counts):
    """One block of accesses (``CellRows``) of a region through all hypotheses about one victim bit (``Victim``).

    ``state``: ``Aggressors``, carried. ``counts``: ``CouplingCounts``, added to.
    """
    cell, is_write, data, sure, expected, compared, wrong, index, _ = rows
    victim_cell, lane, first_cell, slot, lanes = victim
    values, known, belief, fired, theory = state
    bit = np.uint32(1) << np.uint32(lane)
    for i in range(cell.shape[0]):
        c = cell[i]
        if c == victim_cell:
            if sure[i] & bit == 0:
                continue
            level = np.int64((data[i] >> lane) & 1)
            if is_write[i]:
                theory[:] = level
                fired[:] = 0
            else:
                want = np.int64((expected[i] >> lane) & 1)
                alone = wrong[i] & ~bit == 0
                seen = 1 if compared[i] & bit else 0
                look(index[i], level, want, seen, belief[0], alone, fired, theory, counts, bit)
            belief[0] = level
        elif is_write[i]:
            k = slot[c - first_cell]
            if k >= 0:
                fire(k, values[k], known[k], data[i], lanes, fired, theory)
                values[k] = data[i]
                known[k] = sure[i]
