"""A write that may have gone to one of several cells: each of them holds its old value or the new one from then on."""

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import INNER

PAGE_BITS = 10
PAGE_MASK = (1 << PAGE_BITS) - 1
# Columns of an area: those of ``areas.TABLE``, which no kernel may import.
START, END, INSIDE, CELL_START, CELL_INSIDE, CELL_SPACE, LANES = range(7)


@nb.njit(**INNER, _nrt=False)
def cell_of(space, word, pages_a_space, slot_of_page):
    """The cell of a word, -1 where its page was never touched by an access that the ledger took."""
    slot = slot_of_page[np.int64(space) * pages_a_space + (word >> PAGE_BITS)]
    if slot < 0:
        return np.int64(-1)
    return (np.int64(slot) << PAGE_BITS) | (word & PAGE_MASK)


@nb.njit(**INNER, _nrt=False)
def lanes_of(width, data_bytes):
    """The data lanes of a mask of bytes."""
    lanes = np.uint32(0)
    for b in range(data_bytes):
        if (width >> b) & 1:
            lanes |= np.uint32(0xFF) << np.uint32(8 * b)
    return lanes


@nb.njit(**INNER, _nrt=False)
def bits_in(mask):
    """How many bits are set."""
    count = 0
    while mask:
        mask &= mask - 1
        count += 1
    return count


@nb.njit(**INNER, _nrt=False)
def blur(area, address, unknown, lanes, clear, data, placing, cells, index):
    """The write may have reached any cell of ``area`` that the known address bits allow.

    ``area`` is a row of ``areas.TABLE``; ``placing``, ``cells``: see ``arrays.py``. A known bit stays known where the
    new level equals it.
    """
    shift, pages_a_space, slot_of_page = placing.shift, placing.pages_a_space, placing.slot_of_page
    start, end, inside = area[START], area[END], area[INSIDE]
    cell_start, cell_inside, space = area[CELL_START], area[CELL_INSIDE], area[CELL_SPACE]
    mask = (np.int64(unknown) & inside) >> shift
    base = ((np.int64(address) & ~np.int64(unknown) & inside) | (start & ~inside)) >> shift
    first, last = start >> shift, end >> shift
    pages = mask & ~PAGE_MASK
    page = pages
    while True:
        to = ((((base | page) << shift) & cell_inside) | cell_start) >> shift
        if slot_of_page[space * pages_a_space + (to >> PAGE_BITS)] >= 0:
            part = mask & PAGE_MASK
            while True:
                word = base | page | part
                if first <= word <= last:
                    cell = cell_of(space, (((word << shift) & cell_inside) | cell_start) >> shift,
                                   pages_a_space, slot_of_page)  # fmt: skip
                    if cell >= 0:
                        same = clear & ~(cells.value[cell] ^ data)
                        cells.known[cell] &= ~lanes | same
                        cells.seen_known[cell] &= ~lanes
                        cells.writer[cell] = index
                if part == 0:
                    break
                part = (part - 1) & mask & PAGE_MASK
        if page == 0:
            break
        page = (page - 1) & pages
