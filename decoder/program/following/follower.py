"""Follows the program through blocks of cycles, and hands them on with what it says of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Flag, Kind
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.program.following.arrays import ByteTables, FetchStyle, Found, FoundWords, GatherRows
from busledger.decoder.program.following.columns import Flow, Followed, Instructions, Part, State
from busledger.decoder.program.following.gather_kernel import gather
from busledger.decoder.program.following.glossary import Glossary
from busledger.decoder.program.following.sets import AnySet
from busledger.decoder.program.following.wide_set import WideSet

if TYPE_CHECKING:
    from busledger.decoder.program.following.ahead import Ahead
    from busledger.decoder.program.following.inference import Inference

__all__ = ["FollowedBlock", "Follower", "reached_by"]

_T = TypeVar("_T", bound=np.generic)
_PUSHES = 3  # at least, as an interrupt is taken: the program counter and the flags
_LONGEST_TAIL = 1 << 15  # rows: an instruction that lasts longer (a halt) is taken as it stands


@dataclass(slots=True)
class FollowedBlock:
    """Rows of which everything is known, and the instructions that begin in them."""

    cycles: Cycles
    compared: Compared
    followed: Followed
    instructions: Instructions


def reached_by(block: FollowedBlock) -> NDArray[np.int64]:
    """int64, one for each instruction of the block: the address of its first data access in the block, -1 for none."""
    data = np.flatnonzero(block.followed.part == Part.DATA)
    owner, first = np.unique(block.followed.of[data], return_index=True)
    reached = np.full(len(block.instructions), -1, np.int64)
    at = np.searchsorted(block.instructions.row, owner)
    good = at < len(reached)
    good[good] &= block.instructions.row[at[good]] == owner[good]
    reached[at[good]] = block.cycles.address[data[first[good]]]
    return reached


class Follower:
    """Takes blocks of cycles in order; ``feed`` gives back what is complete, ``finish`` the rest.

    ``told``: the bus marks opcode fetches as the table says. Where it does not, or cannot, they are inferred.
    ``unwired``: address bits that no clip shows; operands are then told by the others.
    """

    def __init__(self, instructions: AnySet, *, told: bool = True, unwired: int = 0) -> None:
        self.instructions = instructions
        self.glossary = Glossary(instructions, unwired)
        self._mask = instructions.mask & ~unwired
        self._inference: Inference | None = None
        self._ahead: Ahead | None = None
        if isinstance(instructions, WideSet):
            if instructions.ahead:
                from busledger.decoder.program.following.ahead import Ahead

                self._ahead = Ahead(instructions, self._mask)
        elif not told or instructions.file.fetch in ("stream", "none"):
            from busledger.decoder.program.following.inference import Inference

            self._inference = Inference(instructions)
        self._cycles = Cycles.empty()
        self._compared = Compared.empty()

    @property
    def told(self) -> bool:
        """Whether the bus itself marks where instructions begin."""
        return self._inference is None and self._ahead is None

    @property
    def slow(self) -> bool:
        """Whether fetches are inferred from cycle counts, which takes as long as decoding."""
        return self._inference is not None

    def feed(self, cycles: Cycles, compared: Compared) -> FollowedBlock:
        """One block more."""
        if len(self._cycles):
            cycles = Cycles.concat([self._cycles, cycles])
            compared = Compared.concat([self._compared, compared])
        return self._settled(cycles, compared, last=False)

    def finish(self) -> FollowedBlock:
        """What was kept back."""
        return self._settled(self._cycles, self._compared, last=True)

    def _settled(self, cycles: Cycles, compared: Compared, *, last: bool) -> FollowedBlock:
        if self._inference is not None:
            return self._inferred(self._inference, cycles, compared, last=last)
        if self._ahead is not None:
            return self._read_ahead(self._ahead, cycles, compared, last=last)
        fetch = np.asarray(cycles.kind == Kind.OPCODE_FETCH)
        followed, found, opened = self._gathered(cycles, compared.index, fetch)
        stop = opened
        if last or len(cycles) - opened > _LONGEST_TAIL:
            stop = len(cycles)
            if opened < len(cycles):
                followed, found, _ = self._gathered(cycles, compared.index, fetch, close=True)
        self._keep(cycles, compared, stop)
        return FollowedBlock(cycles.slice(0, stop), compared.slice(0, stop), followed.slice(0, stop), found)

    def _inferred(self, inference: Inference, cycles: Cycles, compared: Compared, *, last: bool) -> FollowedBlock:
        """As ``_settled``, where the bus does not tell: what was settled ends where an instruction ends."""
        stop, fetch, taken, ended = inference.settle(cycles, last=last)
        done, told = cycles.slice(0, stop), compared.slice(0, stop)
        if fetch[:stop].any() or (done.kind == Kind.INT_ACK).any():
            followed, found, _ = self._gathered(done, told.index, fetch[:stop], ended=ended[:stop], close=True)
        else:
            followed, found = Followed.empty(stop), Instructions.concat([])
        followed.part[taken[:stop]] = Part.INTERRUPT
        followed.inferred[followed.of >= 0] = True
        self._keep(cycles, compared, stop)
        return FollowedBlock(done, told, followed, found)

    def _read_ahead(self, ahead: Ahead, cycles: Cycles, compared: Compared, *, last: bool) -> FollowedBlock:
        """As ``_settled``, where the bus marks all reads of the program alike: also those that are not run."""
        base = int(compared.index[0]) if len(cycles) else 0  # the list counts every cycle
        stop, of, part, found = ahead.settle(cycles, base, last=last)
        wanted = np.asarray(found.state != State.DOUBTFUL)
        found.text = self.glossary.numbers(found.address, found.packed, found.tail, found.size, wanted)
        text = np.full(stop, -1, np.int32)
        text[found.row - base] = found.text
        done, told = cycles.slice(0, stop), compared.slice(0, stop)
        self._keep(cycles, compared, stop)
        return FollowedBlock(done, told, Followed(of, part, text, of >= 0), found)

    def _keep(self, cycles: Cycles, compared: Compared, stop: int) -> None:
        rest = np.arange(stop, len(cycles))
        self._cycles, self._compared = cycles.take(rest), compared.take(rest)

    def _gathered(
        self,
        cycles: Cycles,
        index: NDArray[np.int64],
        fetch: NDArray[np.bool_],
        *,
        close: bool = False,
        ended: NDArray[np.bool_] | None = None,
    ) -> tuple[Followed, Instructions, int]:
        """(columns, instructions that are complete, first row of one that may still grow).

        With ``close`` it does not grow: the end of the block ends it. ``ended``: rows that no instruction reaches.
        """
        table = self.instructions
        n = len(cycles)
        mask = np.uint32(self._mask)
        lanes = np.uint32(0xFFFF if isinstance(table, WideSet) else 0xFF)
        data_bad = np.asarray((cycles.data_unknown & lanes) != 0)
        gap = np.asarray((cycles.flags & Flag.AFTER_GAP) != 0)
        if ended is not None:
            gap |= ended
        kind, address, data = cycles.kind, cycles.address, cycles.data
        address_bad = np.asarray((cycles.address_unknown & mask) != 0)
        if close:  # one row more, behind a gap
            kind, address, data = _longer(kind), _longer(address), _longer(data)
            data_bad, address_bad, fetch = _longer(data_bad), _longer(address_bad), _longer(fetch)
            gap = _longer(gap)
            gap[-1] = True
        rows = len(kind)
        of, part = np.empty(rows, np.int64), np.empty(rows, np.uint8)
        row, end = np.empty(rows, np.int64), np.empty(rows, np.int64)
        first, packed = np.empty(rows, np.uint32), np.empty(rows, np.uint64)
        size, state = np.empty(rows, np.uint8), np.empty(rows, np.uint8)
        tail = np.zeros(rows, np.uint16)
        if isinstance(table, WideSet):
            from busledger.decoder.program.following.wide_kernel import gather_words

            count, opened = gather_words(
                GatherRows(kind, fetch, address, address_bad, data, data_bad, gap), mask, table.words,
                of, part, FoundWords(row, end, first, packed, tail, size, state),
            )  # fmt: skip
        else:
            count, opened = gather(
                GatherRows(kind, fetch, address, address_bad, data, data_bad, gap),
                FetchStyle(table.file.fetch == "each", table.file.fetch == "stream", table.file.peeks, mask),
                ByteTables(
                    table.operands, table.optional, table.next_page, table.post, table.post_bytes, table.operand_first
                ),
                of,
                part,
                Found(row, end, first, packed, size, state),
            )
        row, end, first = row[:count].copy(), np.minimum(end[:count], n), first[:count].copy()
        packed, tail = packed[:count].copy(), tail[:count].copy()
        size, state = size[:count].copy(), state[:count].copy()
        number = self.glossary.numbers(first, packed, tail, size, np.asarray(state != State.DOUBTFUL))
        text = np.full(n, -1, np.int32)
        text[row] = number
        of, part = of[:n], part[:n]
        kept = self._without_interrupted(kind[:n], address[:n], of, part, text, row, number)
        row, end, first = row[kept], end[kept], first[kept]
        packed, tail, size = packed[kept], tail[kept], size[kept]
        state, number = state[kept], number[kept]
        base = np.int64(index[0]) if n else np.int64(0)  # the list counts every cycle
        of = np.where(of < 0, -1, of + base)
        found = Instructions(row + base, end + base, first, packed, tail, size, state, number)
        return Followed(of, part, text, np.zeros(n, np.bool_)), found, min(int(opened), n)

    def _without_interrupted(
        self,
        kind: NDArray[np.uint8],
        address: NDArray[np.uint32],
        of: NDArray[np.int64],
        part: NDArray[np.uint8],
        text: NDArray[np.int32],
        row: NDArray[np.int64],
        number: NDArray[np.int32],
    ) -> NDArray[np.bool_]:
        """Which instructions are ones: a fetch behind which the processor pushes three bytes and reads a vector comes
        to nothing, it is the beginning of an interrupt. The columns of its cycles are changed to say so."""
        kept = np.ones(len(row), np.bool_)
        if not len(row) or not self.instructions.file.vectors:
            return kept
        vectors = np.array(sorted(self.instructions.file.vectors.values()), np.uint32)
        high = np.flatnonzero(address > vectors.min())  # few are
        high = high[np.isin(address[high], vectors + np.uint32(1))]
        high = high[(part[high] == Part.DATA) & (kind[high] == Kind.READ)]
        low = np.maximum(high - 1, 0)  # behind the first row of a block nothing is known of the one before
        led = (part[low] == Part.DATA) & (kind[low] == Kind.READ) & (address[low] + np.uint32(1) == address[high])
        owners = np.unique(of[high[led | (high == 0)]])
        for owner in owners[owners >= 0].tolist():
            own = of == owner
            at = int(np.searchsorted(row, owner))
            flow = self.glossary.flow[number[at]] if number[at] >= 0 else Flow.NEXT
            if flow == Flow.SOFTWARE_INTERRUPT or np.count_nonzero(own & (kind == Kind.WRITE)) < _PUSHES:
                continue
            part[own], of[own], text[owner] = Part.INTERRUPT, -1, -1
            kept[at] = False
        return kept


def _longer(column: NDArray[_T]) -> NDArray[_T]:
    """A copy with one row of zero behind it."""
    made = np.zeros(len(column) + 1, column.dtype)
    made[:-1] = column
    return made
