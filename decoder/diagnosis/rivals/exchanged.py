"""Two clips exchanged, as the checks found them: which wrong reads that explains, and which it does not."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.urns import log_values
from busledger.decoder.diagnosis.replay.weighing import HARD, LOG_SLIP, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["clips_exchanged"]

# Nats, judged: what the checks ask for before they say so of an address line and a data line (probes.mixed_clips,
# probes.swapped_clips) is more than any fault of a card could show.
_SEEN = 100.0
_SELECTS = 64  # bits of ``Rows.selected``


def clips_exchanged(story: Story) -> Iterator[Rival]:
    """The pair that the checks found, if any.

    Memory that is written and read over the same two clips looks well; what they spoil is ROM, and reads of memory at
    addresses that belong elsewhere once the lines are put back. All other wrong reads stay for others to explain:
    exchanged selects of a decoder look alike in a ROM, but not in the memory beside it.
    """
    exchanged = story.study.evidence.exchanged
    signs = story.study.evidence.signs
    if exchanged is None:
        return
    lines, sentence = exchanged
    rows = story.rows
    wrong = rows.wrong != 0
    fits, against, unknown = np.zeros(len(rows), np.bool_), np.zeros(len(rows), np.bool_), wrong.copy()
    count, seen = 1, 0.0
    if signs is not None:
        places = {line: ("address", bit) for bit, line in signs.address_lines.items()}
        places.update({line: ("data", bit) for bit, line in signs.data_lines.items()})
        count = len(places) * (len(places) - 1) // 2
        kinds = tuple(places.get(line, ("", 0))[0] for line in lines)
        bits = (places.get(lines[0], ("", 0))[1], places.get(lines[1], ("", 0))[1])
        if kinds == ("data", "data"):
            fits, against, unknown = _data(story, bits)
        elif kinds == ("address", "address"):
            fits, against, unknown, seen = _address(story, bits)
        elif sorted(kinds) == ["address", "data"]:
            seen = _SEEN
    explained = wrong & (fits | unknown)
    own = log_rate(int(np.count_nonzero(fits)), int(np.count_nonzero(against)), HARD)
    own += log_values(rows.cell[unknown], rows.data[unknown], rows.compared[unknown])
    yield Rival(
        fault="clips-exchanged",
        scope="clip",
        lines=lines,
        log_prior=prior_of("clips-exchanged", chips=True) - math.log(max(1, count)),
        log_own=own + seen,
        log_seen=seen,
        explains=int(np.count_nonzero(explained)),
        against=int(np.count_nonzero(against)),
        summary=f"the clips on {lines[0]} and {lines[1]} are exchanged",
        evidence=(sentence,),
        next_step=f"Exchange the clips on {lines[0]} and {lines[1]} (or their lines in the wiring) and check again.",
        propose=("[wiring]", f"# exchange the channels of {lines[0]} and {lines[1]}"),
        stops_judging=True,
        index=rows.index[explained],
        taken=Excused(rows.index[explained]),
    )


Masks = tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]


def _data(story: Story, bits: tuple[int, int]) -> Masks:
    """(fits, speaks against, cannot be known) for two data lines: ROM alone tells."""
    rows = story.rows
    told = (rows.compared != 0) & _of_kind(story, "rom")[rows.region]
    differs = (_exchange(rows.data.astype(np.int64), bits) ^ rows.expected) & rows.compared
    telling = told & ((rows.wrong != 0) | (differs != 0))
    return telling & (differs == 0), telling & (differs != 0), np.zeros(len(rows), np.bool_)


def _address(story: Story, bits: tuple[int, int]) -> tuple[*Masks, float]:
    """The same for two address lines: what a read gives belongs to the address with the two put back.

    Last, nats that other things add: reads of cells which nobody wrote to before show the image's bytes, and selects
    that are clipped come where the lines lead that are put back; any other cause would owe both to chance.
    """
    rows, space = story.rows, story.study.cells
    address = story.address
    true = _exchange(address, bits)
    value, known = story.study.images()
    total = max(1, space.total)
    target = np.full(total, -1, np.int64)
    owner = np.full(total + 1, -1, np.int64)
    for s, region in enumerate(story.regions):
        there = (true >= region.start) & (true <= region.end)
        target = np.where(there, space.base[s] + ((true >> space.shift) & (space.size[s] - 1)), target)
        owner[space.span(s)] = s
    moved = true != address
    image = np.zeros(total, np.uint32)
    sure = np.zeros(total, np.uint32)
    image[: len(value)], sure[: len(known)] = value, known
    at = np.maximum(target[rows.cell], 0)
    in_image = (target[rows.cell] >= 0) & (sure[at] != 0)
    given = _given(story, target, owner, image, sure)
    told = ~rows.is_write & (rows.compared != 0) & moved[rows.cell]
    fits, against = told & (given == 1), told & ((given == 2) | (given == 3))
    # What lies outside all regions, and what nobody was seen to write, may be anything.
    loose = told & (rows.wrong != 0) & ((given == 0) | (given == 4))
    first = ~rows.is_write & (rows.compared == 0) & moved[rows.cell] & in_image
    lanes = rows.sure & sure[at]
    as_image = first & ((image[at] ^ rows.data) & lanes == 0)
    cells, one = np.unique(rows.cell[as_image], return_index=True)
    odd = len(np.unique(rows.cell[first & ~as_image]))
    bits_told = int(np.bitwise_count(lanes[as_image][one]).sum())
    told_first = log_rate(len(cells), odd, HARD) + bits_told * math.log(2.0)
    seen = max(0.0, told_first) + _log_selected(story, owner[target[rows.cell]], moved[rows.cell])
    return fits, against, loose, seen


def _given(
    story: Story, target: NDArray[np.int64], owner: NDArray[np.int64], image: NDArray[np.uint32],
    sure: NDArray[np.uint32],
) -> NDArray[np.uint8]:  # fmt: skip
    """A value a row, as ``story_kernel.folded`` has it: what the memory gives that is meant with the lines put back."""
    rows, total = story.rows, len(image)
    rom = np.append(_of_kind(story, "rom"), False)
    cell = target[rows.cell]
    # Nobody writes to a ROM; and what was written at addresses that are shown to be a ROM's was not logged, so that
    # nothing is known of the memory there.
    as_rom = rom[rows.region.astype(np.int64)]
    cell = np.where((cell < 0) | np.where(rom[owner[cell]], rows.is_write, as_rom), total, cell)
    found = np.zeros(len(rows), np.uint8)
    memory, known = image.copy(), sure.copy()
    lives_in = np.append(np.arange(total, dtype=np.int32), np.int32(-1))
    seen = (rows.is_write, rows.data, rows.sure, rows.lanes, rows.compared, rows.wrong)
    kernel.folded(cell.astype(np.int32), *seen, lives_in, memory, known, found)
    return found


def _log_selected(story: Story, meant: NDArray[np.int64], moved: NDArray[np.bool_]) -> float:
    """Log odds of what clipped selects showed in accesses that lead to another region (``meant``, -1 = none) with the
    lines put back, against a card whose selects follow the lines as they are shown."""
    rows = story.rows
    odds = 0
    for region, sign in ((meant, 1), (rows.region.astype(np.int64), -1)):
        able = moved & (meant != rows.region) & (region >= 0) & (region < _SELECTS)
        line = np.uint64(1) << np.where(able, region, 0).astype(np.uint64)
        able &= rows.selects_seen & line != 0
        came = int(np.count_nonzero(able & (rows.selected & line != 0)))
        odds += sign * (2 * came - int(np.count_nonzero(able)))
    return -LOG_SLIP * odds


def _of_kind(story: Story, kind: str) -> NDArray[np.bool_]:
    return np.array([region.kind == kind for region in story.regions] or [False], np.bool_)


def _exchange(words: NDArray[np.int64], bits: tuple[int, int]) -> NDArray[np.int64]:
    differ = ((words >> bits[0]) ^ (words >> bits[1])) & 1
    return words ^ (differ << bits[0] | differ << bits[1])
