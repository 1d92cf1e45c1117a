"""Which region owns which byte of an access, on buses wider than a byte.

An even and an odd chip may stand in two regions of the same addresses, or an
odd chip may stand alone: then a word moves bytes of two owners, or a byte that
nobody owns. The ledger takes the owned bytes only, and what is counted is
counted byte by byte.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.ledger import ledger_kernel as kernel
from busledger.decoder.ledger.columns import Compared, Verdict

__all__ = ["Owners", "lanes_of_bytes"]


class Owners:
    """The owners of bytes.

    Parameters
    ----------
    starts, ends : int64, shape (regions,), first and last address
    spaces : uint8, shape (regions,)
    lanes : sequence of int, the data bits a region's chips carry; 0 = all of them
    treat : sequence of int, RAM, ROM or SKIP of the ledger kernel
    data_bytes : bytes of the data bus
    when : the condition of each region; those under different ones share no access
    """

    def __init__(
        self,
        starts: NDArray[np.int64],
        ends: NDArray[np.int64],
        spaces: NDArray[np.uint8],
        lanes: Sequence[int],
        treat: Sequence[int],
        data_bytes: int,
        when: Sequence[int],
    ) -> None:
        self._when = np.array([*when, -2], np.int64)
        self._starts, self._ends, self._spaces, self._treat = starts, ends, spaces, treat
        whole = (1 << data_bytes) - 1
        self._bytes = [_bytes_of(mask) & whole or whole for mask in lanes]
        # Index -1, outside all regions, takes every byte.
        self._width = np.array([*self._bytes, whole], np.uint8)
        self.parted = any(own != whole for own in self._bytes)
        self.sharing = _sharing(starts, ends, spaces, when) if self.parted else ()

    def bytes_of(self, region: int) -> int:
        """The bytes a region owns, one bit each."""
        return self._bytes[region]

    def rows(self, region: int, cycles: Cycles, space: NDArray[np.uint8]) -> NDArray[np.bool_]:
        """bool a cycle: it moves a byte of ``region``, which answers now; ``cycles.region`` must be filled."""
        found: NDArray[np.bool_] = self._when[cycles.region] == self._when[region]
        return found & self.inside(region, cycles, space)

    def inside(self, region: int, cycles: Cycles, space: NDArray[np.uint8]) -> NDArray[np.bool_]:
        """bool a cycle: by its address it moves a byte of ``region``, whatever its unknown address bits are."""
        low = cycles.address.astype(np.int64)
        high = low | cycles.address_unknown
        inside = (space == self._spaces[region]) & (low >= self._starts[region]) & (high <= self._ends[region])
        found: NDArray[np.bool_] = inside & ((cycles.width & self._bytes[region]) != 0)
        return found

    def taken(
        self, cycles: Cycles, space: NDArray[np.uint8], treat: NDArray[np.uint8], writes: NDArray[np.bool_]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """(treatment, bytes in use) a cycle for the ledger: a write changes the bytes of RAM owners only, a read is
        held against those of RAM and ROM; ``treat`` is the treatment by ``cycles.region``."""
        width = cycles.width & self._width[cycles.region]
        if not self.sharing:
            return treat, width
        of = {kind: np.zeros(len(cycles), np.uint8) for kind in (kernel.RAM, kernel.ROM, kernel.SKIP)}
        for r in self.sharing:
            rows = self.rows(r, cycles, space) & (cycles.region >= 0)
            of[self._treat[r]][rows] |= cycles.width[rows] & np.uint8(self._bytes[r])
        ram, both = of[kernel.RAM], of[kernel.RAM] | of[kernel.ROM]
        owned = (both | of[kernel.SKIP]) != 0
        kind = np.where(ram != 0, kernel.RAM, np.where(both != 0, kernel.ROM, kernel.SKIP)).astype(np.uint8)
        # A cycle that its rule keeps out of the ledger stays out.
        kind[_ruled_out(treat, self._treat, cycles)] = kernel.SKIP
        return np.where(owned, kind, treat), np.where(owned, np.where(writes, ram, both), width)

    def by_owner(self, cycles: Cycles, compared: Compared, space: NDArray[np.uint8]) -> tuple[Cycles, Compared]:
        """The same accesses with one row an owner, in the same order, each with its own bytes only.

        ``Compared.index`` keeps naming the cycle, so two rows may have one index.
        """
        pieces = [np.flatnonzero(~np.isin(cycles.region, self.sharing))]
        owners = [cycles.region[pieces[0]]]
        for r in self.sharing:
            rows = np.flatnonzero(self.rows(r, cycles, space) & (cycles.region >= 0))
            pieces.append(rows)
            owners.append(np.full(len(rows), r, np.int16))
        rows, owner = np.concatenate(pieces), np.concatenate(owners)
        order = np.argsort(rows, kind="stable")
        rows, owner = rows[order], owner[order]
        part, told = cycles.take(rows), compared.take(rows)
        part.region[:] = owner
        part.width &= self._width[owner]
        lanes = lanes_of_bytes(self._width)[owner]
        part.data_unknown |= ~lanes
        part.data &= lanes
        for column in (told.expected, told.known, told.mismatch):
            column &= lanes
        _judge_again(told, np.array([*self._treat, kernel.RAM], np.uint8)[owner])
        return part, told


def _sharing(
    starts: NDArray[np.int64], ends: NDArray[np.int64], spaces: NDArray[np.uint8], when: Sequence[int]
) -> tuple[int, ...]:
    """The regions that share an address with another of their space and condition, ascending; in one pass by start."""
    shared: set[int] = set()
    furthest: dict[tuple[int, int], int] = {}  # of the regions so far, the one that reaches furthest
    for r in np.argsort(starts, kind="stable").tolist():
        group = int(spaces[r]), when[r]
        before = furthest.setdefault(group, r)
        if before != r and ends[before] >= starts[r]:
            shared.update((before, r))
        if ends[r] > ends[before]:
            furthest[group] = r
    return tuple(sorted(shared))


def _judge_again(told: Compared, treat: NDArray[np.uint8]) -> None:
    """The verdict on one owner's bytes, from the verdict on all of them."""
    verdict = told.verdict
    judged = (verdict == Verdict.MISMATCH) | (verdict == Verdict.AGREES)
    verdict[judged & (told.mismatch == 0)] = Verdict.AGREES
    verdict[judged & (told.known == 0)] = Verdict.UNKNOWN
    verdict[(verdict == Verdict.WRITE) & (treat == kernel.ROM)] = Verdict.NOT_TAKEN
    verdict[treat == kernel.SKIP] = Verdict.NOT_TAKEN


def _ruled_out(treat: NDArray[np.uint8], by_region: Sequence[int], cycles: Cycles) -> NDArray[np.bool_]:
    """bool a cycle: SKIP though its region is not treated so."""
    region = np.array([*by_region, kernel.SKIP], np.uint8)[cycles.region]
    found: NDArray[np.bool_] = (treat == kernel.SKIP) & (region != kernel.SKIP)
    return found


def _bytes_of(lanes: int) -> int:
    return sum(1 << b for b in range(4) if lanes >> (8 * b) & 0xFF)


def lanes_of_bytes(width: NDArray[np.uint8]) -> NDArray[np.uint32]:
    """uint32 masks of data lanes from masks of bytes."""
    found = np.zeros(len(width), np.uint32)
    for b in range(4):
        found |= np.where(width >> b & 1, 0xFF << (8 * b), 0).astype(np.uint32)
    return found
