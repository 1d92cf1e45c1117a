"""A write that may have gone to one of several cells: each of them holds its old value or the new one from then on."""

import numpy as np

from busledger.decoder.inner_kernel import inner

PAGE_BITS = 10
PAGE_MASK = (1 << PAGE_BITS) - 1
# Columns of an area: those of ``areas.TABLE``, which no kernel may import.
START, END, INSIDE, CELL_START, CELL_INSIDE, CELL_SPACE, LANES = range(7)
MAX_VALUES = 8  # distinct values a shared entry may hold before it counts as unknown


@inner(_nrt=False)
def cell_of(space, word, pages_a_space, slot_of_page):
    """The cell of a word, -1 where its page was never touched by an access that the ledger took."""
    slot = slot_of_page[np.int64(space) * pages_a_space + (word >> PAGE_BITS)]
    if slot < 0:
        return np.int64(-1)
    return (np.int64(slot) << PAGE_BITS) | (word & PAGE_MASK)


@inner(_nrt=False)
def lanes_of(width, data_bytes):
    """The data lanes of a mask of bytes."""
    lanes = np.uint32(0)
    for b in range(data_bytes):
        if (width >> b) & 1:
            lanes |= np.uint32(0xFF) << np.uint32(8 * b)
    return lanes


@inner(_nrt=False)
def bits_in(mask):
    """How many bits are set."""
    count = 0
    while mask:
        mask &= mask - 1
        count += 1
    return count


@inner(_nrt=False)
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


@inner(_nrt=False)
def add_value(cell, data, clear, values, cares, count):
    """One more value that a shared entry may hold; ``clear`` are the bits of it that are known."""
    if count[cell] > MAX_VALUES:
        return
    for k in range(count[cell]):
        if cares[cell, k] == clear and values[cell, k] == (data & clear):
            return
    if count[cell] == MAX_VALUES:
        count[cell] = MAX_VALUES + 1
        return
    values[cell, count[cell]] = data & clear
    cares[cell, count[cell]] = clear
    count[cell] += 1


@inner(_nrt=False)
def blur_shared(area, address, unknown, unwired, clear, data, placing, entries, index):
    """As ``blur`` for entries that several cells share: each may hold one value more."""
    shift, pages_a_space, slot_of_page = placing.shift, placing.pages_a_space, placing.slot_of_page
    start, inside = area[START], area[INSIDE]
    cell_start, cell_inside, space = area[CELL_START], area[CELL_INSIDE], area[CELL_SPACE]
    mask = (np.int64(unknown) & ~np.int64(unwired) & inside) >> shift
    base = ((np.int64(address) & ~np.int64(unknown) & inside) | (start & ~inside)) >> shift
    part = mask
    while True:
        word = base | part
        cell = cell_of(space, (((word << shift) & cell_inside) | cell_start) >> shift, pages_a_space, slot_of_page)
        if cell >= 0:
            add_value(cell, data, clear, entries.values, entries.cares, entries.held)
            entries.writer[cell] = index
        if part == 0:
            break
        part = (part - 1) & mask
