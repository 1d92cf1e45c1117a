"""What another cell held before an access: whole blocks against one dictionary, in blocks of any size."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.board import Board, Region
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.intermittence.cell_contents import CellContents

BOARD = Board.from_regions("", [Region("bank", 0, 7), Region("monitor", 8, 15, "rom", image=bytes(range(100, 108)))])
row = st.tuples(
    st.integers(0, 7), st.booleans(), st.integers(0, 255), st.sampled_from([255, 255, 15]), st.integers(-1, 15)
)


@settings(max_examples=80)
@given(st.lists(row, max_size=50), st.integers(1, 51))
def test_blocks_equal_a_dictionary(rows: list[tuple[int, bool, int, int, int]], block: int) -> None:
    cells = CellSpace(BOARD.regions, 8, 8)
    contents = CellContents(BOARD, cells)
    memory = {8 + k: (100 + k, 255) for k in range(8)}
    wanted = []
    for cell, is_write, data, sure, asked in rows:
        wanted.append(memory.get(asked, (0, 0)) if asked >= 0 and not is_write else (0, 0))
        if is_write:
            memory[cell] = (data, sure)
    cell, is_write, data, sure, asked = (
        np.array([r[k] for r in rows], t) for k, t in enumerate((np.int32, bool, np.uint32, np.uint32, np.int32))
    )
    asked[is_write] = -1
    got = []
    for start in range(0, max(len(rows), 1), block):
        p = slice(start, start + block)
        value, valid = contents.feed(cell[p], is_write[p], data[p], sure[p], asked[p])
        again = contents.feed(cell[p], is_write[p], data[p], sure[p], asked[p])
        assert np.array_equal(value, again[0]) and np.array_equal(valid, again[1])  # asking changes nothing
        contents.keep(cell[p], is_write[p], data[p], sure[p])
        got += [(int(a), int(b)) for a, b in zip(value, valid, strict=True)]
    assert got == wanted
