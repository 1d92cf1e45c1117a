"""What cells on the other side of an address line explain: of a clip that shows the line wrongly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["either_side", "partners_of"]


def partners_of(story: Story, bit: int) -> NDArray[np.int32]:
    """The cell on the other side of an address line, int32 a cell, -1 where no region has it."""
    space = story.study.cells
    found = np.full(max(1, space.total), -1, np.int32)
    spaces: dict[object, list[int]] = {}
    for r, region in enumerate(story.regions):
        spaces.setdefault(region.space, []).append(r)
    for members in spaces.values():
        mine = np.concatenate([np.arange(space.base[r], space.base[r] + space.size[r]) for r in members])
        found[mine] = space.last_at(members, story.address[mine] ^ (1 << bit))
    return found


def either_side(
    story: Story, partners: NDArray[np.int32], first: int = 0
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Two values a row, from row ``first`` on, as ``story_kernel.either`` gives them: 1 = a wrong read that the cell or
    its partner explains, 2 = one of which nothing is known on one of the sides; 1 = a right read at which the partner
    held something else. ROM images are known from the start."""
    rows, total = story.rows, max(1, story.study.cells.total)
    held, count = np.zeros((total, kernel.SIDES), np.uint32), np.zeros(total, np.int8)
    value, known = story.study.images()
    held[: len(value), 0], count[: len(known)] = value, known != 0
    hit, open_ = np.zeros(len(rows), np.uint8), np.zeros(len(rows), np.uint8)
    kernel.either(
        rows.cell, rows.is_write, rows.data, rows.sure, rows.compared, rows.wrong, first, partners, held, count, hit,
        open_,
    )  # fmt: skip
    return hit, open_
