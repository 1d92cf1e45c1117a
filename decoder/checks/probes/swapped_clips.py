"""Two clips exchanged, as reads of a ROM with a known image show it.

Memory that is written and read over the same two clips looks well with them
exchanged. A ROM whose image is known does not: what was read fits the image
once the two lines are put back, and in no other way. That speaks of the clips
(or of an image that belongs to another board), never of a part.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Cycles, Profile, bit_numbers, line_names
from busledger.decoder.ledger import SPACES, RegionMap, actions

__all__ = ["SwappedClips", "SwappedPair"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py; two clips
# exchanged and a strobe's clip off, too).
_ROWS = 1 << 16  # reads looked at: a swap shows in the first few hundred
_DISTINCT = 4000  # of them, different ones that are tried against every pair
_GLANCE = 256  # of those, enough to drop most pairs
_LEAST = 8  # different reads that the exchange must explain: by chance one time in 2 ** 8
_VALUES = 4  # different data among them: a floating bus beside an empty part of an image is no sign
_FITS = 0.99  # of the reads it speaks of; the rest may be reads of a doubtful moment (judged)
_IS_READ = 1


@dataclass(frozen=True, slots=True)
class SwappedPair:
    """Two lines whose clips look exchanged; ``explained`` of ``told`` different ROM reads that tell fit then."""

    lines: tuple[str, str]
    explained: int
    told: int

    def sentence(self) -> str:
        """What to say to whoever clipped the board."""
        one, two = self.lines
        return (
            f"{one} and {two} look swapped at the clips: {self.explained} of {self.told} different ROM reads that "
            "would show it fit the image once the two are exchanged; look at these clips, and whether the image is "
            "this board's, before any part is suspected"
        )


class SwappedClips:
    """Keeps the first reads of a capture and looks for two exchanged lines.

    Parameters
    ----------
    region_map : the board's regions; without a ROM image nothing can be known
    profile : says which line carries which bit of address and data; on a
        multiplexed bus an exchange bends both
    """

    def __init__(self, region_map: RegionMap, profile: Profile) -> None:
        self._map = region_map
        self._data = _bits_of_lines(profile, "data")
        self._address = _bits_of_lines(profile, "address")
        self._keys, self._value, self._known = _images(region_map)
        self._parts: list[NDArray[np.int64]] = []
        self._rows = 0

    def feed(self, cycles: Cycles) -> None:
        """Add one block of cycles."""
        if not len(self._keys) or self._rows >= _ROWS:
            return
        rows = np.flatnonzero((actions(cycles) == _IS_READ) & (cycles.address_unknown == 0))[: _ROWS - self._rows]
        if not len(rows):
            return
        space = self._map.spaces(cycles)[rows].astype(np.int64)
        columns = (space, cycles.address[rows], cycles.data[rows], ~cycles.data_unknown[rows])
        self._parts.append(np.unique(np.stack([c.astype(np.int64) for c in columns], axis=1), axis=0))
        self._rows += len(rows)

    def finish(self) -> SwappedPair | None:
        """The one pair under which the reads fit the images; None where they fit as they are, or several pairs do."""
        if not self._parts:
            return None
        reads = np.unique(np.concatenate(self._parts), axis=0)
        # Every k-th one would leave out levels of the low address lines.
        reads = reads[np.random.default_rng(1).permutation(len(reads))[:_DISTINCT]]
        glance = reads[:_GLANCE]
        likely = [pair for pair in self._pairs() if self._glance(pair, glance)]
        found = [pair for pair in (self._judge(lines, reads) for lines in likely) if pair is not None]
        return found[0] if len(found) == 1 else None

    def _pairs(self) -> Iterator[tuple[str, str]]:
        """Pairs of lines that carry the same sort of bits, then an address line and a data line."""
        seen: set[tuple[str, str]] = set()
        for bits in (self._data, self._address):
            for pair in combinations(bits, 2):
                if pair not in seen:
                    seen.add(pair)
                    yield pair
        if not self._data.keys() & self._address.keys():
            yield from product(self._address, self._data)

    def _glance(self, lines: tuple[str, str], reads: NDArray[np.int64]) -> bool:
        """Whether these few reads leave it possible that ``lines`` are exchanged."""
        value, known = self._exchanged(lines, reads)
        speaks = known != 0
        return int((speaks & (((value ^ reads[:, 2]) & known) == 0)).sum()) >= _FITS * int(speaks.sum()) - 1

    def _judge(self, lines: tuple[str, str], reads: NDArray[np.int64]) -> SwappedPair | None:
        """The pair, if the reads that tell, and all others, fit with the two lines exchanged."""
        space, address, data, clear = reads.T
        value, known = self._expected(space, address)
        other, other_known = self._exchanged(lines, reads)
        speaks = other_known != 0
        fits = speaks & (((other ^ data) & other_known) == 0)
        tells = speaks & (((known & clear) == 0) | (((other ^ value) & known & other_known) != 0))
        told, explained = int(tells.sum()), int((tells & fits).sum())
        if explained < _LEAST or explained < _FITS * told or int(fits.sum()) < _FITS * int(speaks.sum()):
            return None
        if len(np.unique(data[tells & fits])) < _VALUES:
            return None
        return SwappedPair(lines, explained, told)

    def _exchanged(
        self, lines: tuple[str, str], reads: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(value, known bits) of the images as the clips would show them with two lines exchanged."""
        space, address, data, clear = reads.T
        if lines[0] in self._address and lines[1] in self._data and lines[1] not in self._address:
            # The data clip shows the address line, and the address clip what the data line carried.
            i, j = self._address[lines[0]], self._data[lines[1]]
            value, known = self._expected(space, (address & ~(1 << i)) | ((data >> j) & 1) << i)
            fits = ((value ^ (address >> i << j)) >> j) & 1 == 0
            return np.where(fits, value, ~data), known & clear & ~np.int64(1 << j) & np.where(clear >> j & 1, -1, 0)
        value, known = self._expected(space, _exchange(address, self._address, *lines))
        return _exchange(value, self._data, *lines), _exchange(known, self._data, *lines) & clear

    def _expected(
        self, space: NDArray[np.int64], address: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(value, known bits) of the images at each address; nothing known outside them."""
        keys = (space << 32 | address) // self._map.data_bytes
        at = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
        there = self._keys[at] == keys
        return np.where(there, self._value[at], 0), np.where(there, self._known[at], 0)


def _images(region_map: RegionMap) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """(space and word, value, known bits) of every word that a ROM image tells, ascending."""
    keys, values, masks = [], [], []
    for index, region in enumerate(region_map.regions):
        if region.kind != "rom" or region.image is None:
            continue
        address, lane = region_map.image_places(index)
        image = np.frombuffer(region.image, np.uint8)[: len(address)].astype(np.int64)
        lane = lane[: len(image)].astype(np.int64)
        keys.append((np.int64(SPACES.index(region.space)) << 32 | address[: len(image)]) // region_map.data_bytes)
        values.append(image << lane)
        masks.append(np.int64(0xFF) << lane)
    if not keys:
        nothing = np.zeros(0, np.int64)
        return nothing, nothing, nothing
    words, where = np.unique(np.concatenate(keys), return_inverse=True)
    value, known = np.zeros(len(words), np.int64), np.zeros(len(words), np.int64)
    np.bitwise_or.at(value, where, np.concatenate(values))
    np.bitwise_or.at(known, where, np.concatenate(masks))
    return words, value, known


def _bits_of_lines(profile: Profile, what: str) -> dict[str, int]:
    """Line → the one bit it carries in the bus's first address or data; lines that carry several are left out."""
    sources = profile.datas if what == "data" else profile.addresses
    found: dict[str, int] = {}
    twice: set[str] = set()
    for piece in sources[0].pieces:
        for line, bit in zip(line_names(piece.lines), bit_numbers(piece.bits), strict=True):
            if line in found:
                twice.add(line)
            found[line] = bit
    return {line: bit for line, bit in found.items() if line not in twice}


def _exchange(words: NDArray[np.int64], bits: dict[str, int], one: str, two: str) -> NDArray[np.int64]:
    """``words`` with the bits of two lines exchanged, where both lines carry one."""
    if one not in bits or two not in bits:
        return words
    i, j = bits[one], bits[two]
    differ = ((words >> i) ^ (words >> j)) & 1
    return words ^ (differ << i | differ << j)
