"""Two clips exchanged, as the checks found them: which wrong reads that explains, and which it does not."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.urns import log_values
from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["clips_exchanged"]

# Nats, judged: what the checks ask for before they say so of an address line and a data line (probes.mixed_clips,
# probes.swapped_clips) is more than any fault of a card could show.
_SEEN = 100.0


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

    Last, nats that reads of cells which nobody wrote to before add: they show the image's bytes, and any other cause
    would owe them to chance.
    """
    rows, space = story.rows, story.study.cells
    address = story.address
    true = _exchange(address, bits)
    value, known = story.study.images()
    total = max(1, space.total)
    target = np.full(total, -1, np.int64)
    rom = _of_kind(story, "rom")
    for s, region in enumerate(story.regions):
        there = (true >= region.start) & (true <= region.end)
        cell = space.base[s] + ((true >> space.shift) & (space.size[s] - 1))
        target[:] = np.where(there, cell, target)
    owner = np.zeros(total, np.int64)
    for s in range(len(story.regions)):
        owner[space.span(s)] = s
    moved = true != address
    image = np.zeros(total, np.uint32)
    sure = np.zeros(total, np.uint32)
    image[: len(value)], sure[: len(known)] = value, known
    at = np.maximum(target[rows.cell], 0)
    in_image = (target[rows.cell] >= 0) & (sure[at] != 0)
    outside = target[rows.cell] < 0
    told = ~rows.is_write & (rows.compared != 0) & moved[rows.cell]
    differs = (image[at] ^ rows.data) & rows.compared & sure[at]
    fits = told & in_image & (differs == 0) & (rows.wrong != 0)
    against = told & in_image & (differs != 0)
    # Memory that changes places with memory looks well; with a ROM, or with nothing, it may show anything.
    loose = told & ~in_image & (outside | rom[rows.region] | rom[owner[at]]) & (rows.wrong != 0)
    first = ~rows.is_write & (rows.compared == 0) & moved[rows.cell] & in_image
    lanes = rows.sure & sure[at]
    as_image = first & ((image[at] ^ rows.data) & lanes == 0)
    cells, one = np.unique(rows.cell[as_image], return_index=True)
    odd = len(np.unique(rows.cell[first & ~as_image]))
    bits_told = int(np.bitwise_count(lanes[as_image][one]).sum())
    told_first = log_rate(len(cells), odd, HARD) + bits_told * math.log(2.0)
    return fits, against, loose, max(0.0, told_first)


def _of_kind(story: Story, kind: str) -> NDArray[np.bool_]:
    return np.array([region.kind == kind for region in story.regions] or [False], np.bool_)


def _exchange(words: NDArray[np.int64], bits: tuple[int, int]) -> NDArray[np.int64]:
    differ = ((words >> bits[0]) ^ (words >> bits[1])) & 1
    return words ^ (differ << bits[0] | differ << bits[1])
