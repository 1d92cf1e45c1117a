"""Where the machine left its road, and why: from a wrong read to the jump that it led to.

Three things are looked for, in the order of time, and the first is told:

- a return address, a vector or a pointer that came back wrong and was then used: the next instruction was fetched where
  the wrong bytes say;
- a byte of an instruction that differs from the ROM's image or from what was written;
- a fetch from an address where no memory is, or from RAM that nothing was written to (``unwritten.py`` says when).

A wrong read that the program only compares or stores is none of these: a memory test stays on its road.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.findings import Derailed
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.program.following.columns import Flow, Followed, Instructions, Part
from busledger.decoder.program.following.follower import FollowedBlock
from busledger.decoder.program.following.glossary import Glossary
from busledger.decoder.program.following.symbols import Symbols
from busledger.decoder.program.following.unwritten import Unwritten, UnwrittenWatch

__all__ = ["RoadWatch"]

_LED_BY_READS = {
    Flow.RETURN: "return address",
    Flow.RETURN_IF: "return address",
    Flow.INDIRECT: "pointer",
    Flow.SOFTWARE_INTERRUPT: "vector",
}
_KEPT_WORDS = 64
_BEHIND_VECTOR = 5  # cycles within which the fetch comes
_REACH = 4096  # cycles from a pointer that was read wrong to the jump that uses it


@dataclass(frozen=True)
class _Wrong:
    """A word that came back wrong: read, due, and the row of the wrong byte."""

    read: int
    due: int
    row: int


class RoadWatch:
    """Looks at followed blocks in order until the machine has left its road.

    Parameters
    ----------
    glossary : of the follower
    tick_s : seconds a tick
    whole_card : the board file names all memory there is, so that an address outside it is nowhere
    address_digits : of an address in print
    ram : which regions of the board are plain RAM; None without a board file
    """

    def __init__(
        self,
        glossary: Glossary,
        tick_s: float,
        *,
        whole_card: bool,
        address_digits: int,
        symbols: Symbols | None = None,
        ram: NDArray[np.bool_] | None = None,
    ) -> None:
        self._glossary = glossary
        self._tick_s = tick_s
        self._whole_card = whole_card
        self._digits = address_digits
        self._symbols = symbols
        self._big = glossary.instructions.file.big_endian
        self._adds = glossary.instructions.file.return_adds
        self._vectors = frozenset(glossary.instructions.file.vectors.values())
        self._mask = glossary.instructions.mask
        file = glossary.instructions.file
        self._reads = file.pointer_bytes // file.bus_bytes  # cycles that bring an address
        self._span = file.pointer_bytes
        self._segmented = file.segmented
        self._bits = 8 * file.bus_bytes
        self._whole = self._mask & (1 << 8 * file.pointer_bytes) - 1 if file.pointer_bytes > 2 else 0xFFFF
        self._unwritten = UnwrittenWatch(glossary, ram)
        self._words: OrderedDict[int, _Wrong] = OrderedDict()
        self._tail: FollowedBlock | None = None
        self.inside = 0  # instructions from where memory is: before the first of them nothing was left
        self.found: Derailed | None = None

    def feed(self, block: FollowedBlock) -> None:
        """One block more; after a finding nothing is looked at."""
        if self.found is not None or not len(block.cycles):
            return
        block = self._joined(block)
        places = [self._wrong_bytes(block), self._nowhere(block), self._unfilled(block), *self._used(block)]
        known = [place for place in places if place is not None]
        if known:
            self.found = min(known, key=lambda one: one.cycle)
        self.inside += len(block.instructions)

    def _joined(self, block: FollowedBlock) -> FollowedBlock:
        """The block with the last instruction of the one before; its own last one is kept for the next."""
        if self._tail is not None:
            block = FollowedBlock(
                Cycles.concat([self._tail.cycles, block.cycles]),
                Compared.concat([self._tail.compared, block.compared]),
                Followed.concat([self._tail.followed, block.followed]),
                Instructions.concat([self._tail.instructions, block.instructions]),
            )
        first = int(block.instructions.row[-1]) - self._base(block) if len(block.instructions) else len(block.cycles)
        rows = np.arange(max(first, len(block.cycles) - _REACH), len(block.cycles))
        own = np.flatnonzero(block.instructions.row >= self._base(block) + first)
        kept = Instructions(*(getattr(block.instructions, name)[own] for name in Instructions.__slots__))
        self._tail = (
            FollowedBlock(block.cycles.take(rows), block.compared.take(rows), block.followed.take(rows), kept)
            if len(rows)
            else None
        )
        return block

    # -- what is looked for ---------------------------------------------------------------------

    def _wrong_bytes(self, block: FollowedBlock) -> Derailed | None:
        """The first byte of an instruction that is not what memory was told to hold."""
        part = block.followed.part
        rows = np.flatnonzero(
            ((part == Part.OPCODE) | (part == Part.OPERAND)) & (block.compared.verdict == Verdict.MISMATCH)
        )
        if not len(rows):
            return None
        row = int(rows[0])
        what = "opcode" if part[row] == Part.OPCODE else f"operand {'byte' if self._bits == 8 else 'word'}"
        text = self._text_at(block, row)
        taken = f", and the processor ran {text}" if text else ""
        sentence = f"At cycle {self._index(block, row)} {self._read_words(block, row, f'the {what}')}{taken}."
        return self._finding(block, row, row, "fetch", sentence)

    def _nowhere(self, block: FollowedBlock) -> Derailed | None:
        """The first fetch from where the board file has no memory, once the program was inside it."""
        if not self._whole_card:
            return None
        opcode = np.flatnonzero(block.followed.part == Part.OPCODE)
        outside = (block.cycles.region[opcode] < 0) & (block.cycles.address_unknown[opcode] == 0)
        if not self.inside:
            inside = np.flatnonzero(~outside)
            if not len(inside):
                return None
            outside[: inside[0]] = False
        if not outside.any():
            return None
        row = int(opcode[np.flatnonzero(outside)[0]])
        at = self._address(int(block.cycles.address[row]))
        sentence = f"At cycle {self._index(block, row)} the program went on at {at}, where the card has no memory."
        return self._finding(block, row, row, "nowhere", sentence)

    def _unfilled(self, block: FollowedBlock) -> Derailed | None:
        """The first fetch from RAM that nothing was written to, where more than that is known."""
        found = self._unwritten.feed(block)
        if found is None:
            return None
        return self._finding(block, found.row, found.row, "unwritten", self._unwritten_words(block, found))

    def _unwritten_words(self, block: FollowedBlock, found: Unwritten) -> str:
        at = self._address(int(block.cycles.address[found.row]))
        before = f"{self._text_at(block, found.before)} at {self._address(int(block.cycles.address[found.before]))}"
        way = f"ran on behind {before} into {at}" if found.ran_on else f"went on at {at}, where {before} led it"
        since = f"the reset at cycle {found.reset}" if found.reset >= 0 else "the capture began"
        return (
            f"At cycle {self._index(block, found.row)} the program {way}: RAM that nothing was written to since "
            f"{since}. Unless a program lay there before, this is where it left its road."
        )

    def _used(self, block: FollowedBlock) -> list[Derailed]:
        """Wrong reads whose bytes became the address of the next instruction."""
        wrong_reads = block.compared.verdict == Verdict.MISMATCH
        if not self._words and not wrong_reads.any():
            return []
        read = self._read(block)
        wrongly = np.flatnonzero(
            wrong_reads
            & (np.isin(block.followed.part, (Part.DATA, Part.INTERRUPT)) | self._of_vectors(block))
            & read
        )
        jumps = self._jumps(block)
        found = []
        for row in wrongly.tolist():
            for wrong in self._words_with(block, read, row):
                self._words[wrong.read] = wrong
                self._words.move_to_end(wrong.read)
                if len(self._words) > _KEPT_WORDS:
                    self._words.popitem(last=False)
                one = self._used_at(block, wrong, jumps)
                if one is not None:
                    found.append(one)
                    return found
        # A pointer that was read in an earlier block, or that went through a register.
        if self._words and not found:
            found += self._used_later(block, jumps)
        return found

    def _jumps(self, block: FollowedBlock) -> NDArray[np.int64]:
        """Rows of the block at which something begins that the instruction before did not lead to by itself."""
        found = block.instructions
        begins = [found.row, found.end]
        taken = np.flatnonzero(block.followed.part == Part.INTERRUPT)
        if len(taken):
            begins.append(taken[np.append(np.diff(taken) > 1, True)] + 1 + self._base(block))
        rows = np.concatenate(begins) - self._base(block)
        return np.unique(rows[(rows >= 0) & (rows < len(block.cycles))]).astype(np.int64)

    def _of_vectors(self, block: FollowedBlock) -> NDArray[np.bool_]:
        return np.isin(block.cycles.address & np.uint32(~(self._span - 1) & 0xFFFFFFFF), tuple(self._vectors))

    def _is_vector(self, address: int) -> bool:
        return address & ~(self._span - 1) in self._vectors

    def _read(self, block: FollowedBlock) -> NDArray[np.bool_]:
        """Rows that read data; out of reset some processors read their vector as they read the program."""
        vector = (block.cycles.kind == Kind.OPCODE_FETCH) & (block.followed.part == Part.INTERRUPT)
        return np.asarray((block.cycles.kind == Kind.READ) | vector)

    def _words_with(self, block: FollowedBlock, reads: NDArray[np.bool_], row: int) -> list[_Wrong]:
        """The addresses that the wrong read at ``row`` makes with those beside it, as read and as due; ``reads``: rows
        that read data."""
        made: list[_Wrong] = []
        if self._segmented:
            return made
        for first in range(row, row - self._reads, -1):
            rows = range(first, first + self._reads)
            if first < 0 or rows.stop > len(reads) or not reads[first : rows.stop].all():
                continue
            order = rows if self._big else reversed(rows)
            read = due = 0
            for at in order:
                read = read << self._bits | int(block.cycles.data[at]) & (1 << self._bits) - 1
                due = due << self._bits | self._due(block, at)
            made.append(_Wrong(read & self._whole, due & self._whole, int(block.compared.index[row])))
        return made

    def _due(self, block: FollowedBlock, row: int) -> int:
        lanes = (1 << self._bits) - 1
        known = int(block.compared.known[row]) & lanes
        return (int(block.compared.expected[row]) & known) | (int(block.cycles.data[row]) & ~known & lanes)

    def _used_at(self, block: FollowedBlock, wrong: _Wrong, jumps: NDArray[np.int64]) -> Derailed | None:
        """Whether what begins next is where ``wrong`` leads."""
        row = wrong.row - self._base(block)
        if self._of_vectors(block)[row]:  # the next fetch comes at once, whether it can be read or not
            near = np.arange(row + 1, min(row + _BEHIND_VECTOR, len(block.cycles)))
            there = near[(block.cycles.address[near] & np.uint32(self._whole)) == wrong.read]
            return self._chain(block, wrong, int(there[0])) if len(there) else None
        after = jumps[np.searchsorted(jumps, row, "right") :]
        if not len(after) or not self._leads(block, row, int(after[0])):
            return None
        return self._chain(block, wrong, int(after[0]))

    def _used_later(self, block: FollowedBlock, jumps: NDArray[np.int64]) -> list[Derailed]:
        found = block.instructions
        flow = np.where(found.text >= 0, self._glossary.flow[np.maximum(found.text, 0)], Flow.NEXT)
        base = self._base(block)
        for k in np.flatnonzero(flow == Flow.INDIRECT).tolist():
            row = int(found.end[k]) - base
            if not 0 <= row < len(block.cycles):
                continue
            for wrong in self._words.values():
                if wrong.row < int(found.end[k]) <= wrong.row + _REACH:
                    one = self._chain(block, wrong, row)
                    if one is not None:
                        return [one]
        return []

    def _leads(self, block: FollowedBlock, row: int, then: int) -> bool:
        """Whether the instruction that read ``row`` (or an interrupt) goes on where its reads say."""
        if block.followed.part[row] == Part.INTERRUPT or self._is_vector(int(block.cycles.address[row])):
            return True
        return self._flow_at(block, row) in _LED_BY_READS and then > row

    def _flow_at(self, block: FollowedBlock, row: int) -> Flow:
        text = self._number_at(block, row)
        return Flow.NEXT if text < 0 else Flow(int(self._glossary.flow[text]))

    def _chain(self, block: FollowedBlock, wrong: _Wrong, then: int) -> Derailed | None:
        address = int(block.cycles.address[then]) & self._mask
        low = address & self._whole
        if low not in (wrong.read, wrong.read + self._adds & self._whole) or block.cycles.address_unknown[then]:
            return None
        due = wrong.due + (address - wrong.read if low != wrong.read else 0) & self._whole
        row = wrong.row - self._base(block)
        if not 0 <= row < len(block.cycles):
            at = self._address(address)
            sentence = (
                f"At cycle {wrong.row} a pointer was read as {wrong.read:0{self._digits}X} where "
                f"{wrong.due:0{self._digits}X} was written, and at cycle {self._index(block, then)} the program "
                f"jumped through it to {at}."
            )
            return self._finding(block, then, then, "pointer", sentence, cycle=wrong.row)
        flow = self._flow_at(block, row)
        read_at = int(block.cycles.address[row])
        interrupt = block.followed.part[row] == Part.INTERRUPT or self._is_vector(read_at)
        name = "vector" if interrupt else _LED_BY_READS.get(flow, "pointer")
        by = self._vector_words(read_at) if interrupt else self._by(block, row)
        outside = ", where the card has no memory" if self._whole_card and block.cycles.region[then] < 0 else ""
        read = self._read_words(block, row, "a byte of it" if self._bits == 8 else "a word of it")
        sentence = (
            f"{by} gave {self._address(address)} as its {name}, where {self._address(due)} belongs: {read} at cycle "
            f"{self._index(block, row)}; at cycle {self._index(block, then)} the program went on at "
            f"{self._address(address)}{outside}."
        )
        if interrupt:
            sentence = sentence.replace(" as its vector", "", 1)
        kind = {"return address": "return", "vector": "vector"}.get(name, "pointer")
        return self._finding(block, row, then, kind, sentence[:1].upper() + sentence[1:])

    # -- words ----------------------------------------------------------------------------------

    def _vector_words(self, address: int) -> str:
        vectors = self._glossary.instructions.file.vectors
        name = next((name for name, at in vectors.items() if at == address & ~(self._span - 1)), "")
        if not name:
            return f"the vector at {self._address(address & ~(self._span - 1))}"
        return f"the {name if name == 'reset' else name.upper()} vector"

    def _by(self, block: FollowedBlock, row: int) -> str:
        of = int(block.followed.of[row]) - self._base(block)
        at = f" at {self._address(int(block.cycles.address[of]))}" if of >= 0 else ""
        return f"{self._text_at(block, row) or 'an instruction'}{at}"

    def _read_words(self, block: FollowedBlock, row: int, what: str) -> str:
        """``the opcode at 0123 was read as 3E where 3F was written (D0 low for high)``."""
        cycles, compared = block.cycles, block.compared
        all_lanes, digits = (1 << self._bits) - 1, self._bits // 4
        data, due = int(cycles.data[row]) & all_lanes, self._due(block, row)
        wrong = int(compared.mismatch[row]) & all_lanes
        lanes = [f"D{bit}" for bit in range(self._bits) if wrong >> bit & 1]
        low, high = wrong & ~data, wrong & data
        level = "" if low and high else " low for high" if low else " high for low"
        source = "was written" if int(compared.writer[row]) >= 0 else "belongs"
        at = self._address(int(cycles.address[row]))
        words = f"was read as {data:0{digits}X} where {due:0{digits}X} {source}"
        return f"{what} at {at} {words} ({', '.join(lanes)}{level})"

    def _address(self, address: int) -> str:
        name = self._symbols.at(address) if self._symbols is not None else ""
        text = f"{address:0{self._digits}X}"
        return f"{text} ({name})" if name else text

    def _number_at(self, block: FollowedBlock, row: int) -> int:
        of = int(block.followed.of[row]) - self._base(block)
        return int(block.followed.text[of]) if 0 <= of < len(block.followed) else -1

    def _text_at(self, block: FollowedBlock, row: int) -> str:
        number = self._number_at(block, row)
        return self._glossary.readings[number].text if number >= 0 else ""

    @staticmethod
    def _base(block: FollowedBlock) -> int:
        return int(block.compared.index[0])

    def _index(self, block: FollowedBlock, row: int) -> int:
        return self._base(block) + row

    def _finding(
        self, block: FollowedBlock, row: int, then: int, kind: str, sentence: str, *, cycle: int | None = None
    ) -> Derailed:
        inferred = bool(block.followed.inferred[then] or block.followed.inferred[row])
        return Derailed.model_validate(
            {
                "kind": kind,
                "cycle": self._index(block, row) if cycle is None else cycle,
                "time_s": int(block.cycles.time[row]) * self._tick_s,
                "address": int(block.cycles.address[row]),
                "went_on_at": int(block.cycles.address[then]),
                "went_on_cycle": self._index(block, then),
                "inferred": inferred,
                "sentence": sentence,
            }
        )
