"""The program beside the cycles of an open capture: only what a screen shows is followed, a stretch at a time."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import load_profile
from busledger.decoder.bus.columns import KIND_NAMES, Kind
from busledger.decoder.ledger.columns import Verdict
from busledger.decoder.program.following import Symbols, fetch_is_told, fetch_lines, set_of_profile
from busledger.decoder.program.following.columns import Followed, Part
from busledger.decoder.text import plain
from busledger.tui.source import CHUNK, CycleSource
from busledger.tui.wording import hex_bits

if TYPE_CHECKING:
    from busledger.decoder.program.following import FollowedBlock

__all__ = ["ProgramView"]

_STRETCH = 2048  # cycles that are followed and kept at a time
_LEAD_IN = 1024  # cycles before them, so that the first of them belong to an instruction
_LEAD_OUT = 256
_KEPT = 16
_ACCESSES = {
    "read": "reads {data} at {address}",
    "write": "writes {data} at {address}",
    "io-read": "takes in {data} at {address}",
    "io-write": "puts out {data} at {address}",
}
_SIGNS = {
    "read": "r {address}={data}",
    "write": "w {address}={data}",
    "io-read": "in {address}={data}",
    "io-write": "out {address}={data}",
}


@dataclass(frozen=True)
class _Stretch:
    first: int
    followed: Followed
    texts: dict[int, str]


class ProgramView:
    """What the program says of single cycles; made when a person first asks for it."""

    def __init__(self, source: CycleSource, symbols: Symbols | None = None) -> None:
        self._source = source
        self._symbols = symbols
        self._table = set_of_profile(source.facts.profile)
        self.folded = False  # a line an instruction: what it reads and writes stands beside it
        self._told = True
        # Address bits that no cycle near the beginning shows are not clipped.
        shown = source.cycles.address_unknown[:_STRETCH]
        self._unwired = int(np.bitwise_and.reduce(shown)) if len(shown) else 0
        self._missing = ""
        if self._table is not None:
            profile = load_profile(source.facts.profile)
            self._told = fetch_is_told(profile, {line.name for line in source.facts.lines})
            if not self._told and not self._table.timed:
                self._missing = ", ".join(fetch_lines(profile)) or "lines that this bus does not have"
        self._stretches: OrderedDict[int, _Stretch] = OrderedDict()

    @property
    def none_because(self) -> str:
        """Why there is no program to show; "" where there is one."""
        if self._table is None:
            return f"No table of instructions belongs to the bus {plain(self._source.facts.profile)}."
        if self._missing:
            return f"The program cannot be followed: {plain(self._missing)} would have to be clipped."
        return ""

    def beside(self, cycle: int) -> str:
        """What stands beside a cycle in the list: the instruction at its first byte, a mark under it."""
        some, at = self._at(cycle)
        if some is None:
            return ""
        text = int(some.followed.text[at])
        mark = "~" if some.followed.inferred[at] else ""
        if text >= 0:
            accesses = "  ".join(self._accesses(some, at, _SIGNS)) if self.folded else ""
            return f"{mark}{some.texts[text]}  {accesses}".rstrip()
        return {Part.OPERAND: "  ·", Part.DATA: "  ↳", Part.PEEK: "  (peek)", Part.INTERRUPT: "  (interrupt)"}.get(
            Part(int(some.followed.part[at])), ""
        )

    def name(self, cycle: int) -> str:
        """The instruction that a cycle belongs to and the routine that it is in; "" where none is known."""
        some, at = self._at(cycle)
        if some is None or some.followed.of[at] < 0:
            return ""
        head = int(some.followed.of[at]) - some.first
        text = int(some.followed.text[head]) if head >= 0 else -1
        place = self._symbols.place(int(self._source.cycles.address[some.first + head])) if self._symbols else ""
        words = some.texts[text] if text >= 0 else "(not whole)"
        return f"{words}, in {place}" if place else words

    def sentence(self, cycle: int) -> str:
        """The whole instruction that a cycle belongs to: bytes, text, reads and writes; "" where none is known."""
        some, at = self._at(cycle)
        if some is None or some.followed.of[at] < 0:
            return ""
        base = some.first
        head = int(some.followed.of[at]) - base
        if head < 0:
            return ""
        own = np.flatnonzero(some.followed.of == some.followed.of[at]) + base
        parts = some.followed.part[own - base]
        cycles = self._source.cycles
        raw = [f"{int(cycles.data[n]):02X}" for n in own[(parts == Part.OPCODE) | (parts == Part.OPERAND)]]
        text = int(some.followed.text[head])
        words = [f"#{base + head} {' '.join(raw)}  {some.texts[text] if text >= 0 else '(not whole)'}"]
        if self._symbols is not None and (place := self._symbols.place(int(cycles.address[base + head]))):
            words.append(f"in {place}")
        words += self._accesses(some, head, _ACCESSES)
        if some.followed.inferred[head]:
            words.append("(inferred: the bus does not tell the fetch)")
        return ", ".join(words)

    def _accesses(self, some: _Stretch, head: int, form: Mapping[str, str]) -> list[str]:
        """What the instruction at row ``head`` of a stretch reads and writes, each as ``form`` has it for its kind."""
        facts, cycles, compared = self._source.facts, self._source.cycles, self._source.compared
        own = np.flatnonzero((some.followed.of == some.followed.of[head]) & (some.followed.part == Part.DATA))
        made = []
        for n in (own + some.first).tolist():
            address = hex_bits(int(cycles.address[n]), int(cycles.address_unknown[n]), facts.address_bits)
            data = hex_bits(int(cycles.data[n]), int(cycles.data_unknown[n]), facts.data_bits)
            kind = KIND_NAMES[int(cycles.kind[n])]
            words = form.get(kind, kind + " {address}={data}").format(address=address, data=data)
            if compared.verdict[n] == Verdict.MISMATCH:
                words += f" (not {hex_bits(int(compared.expected[n]), ~int(compared.known[n]), facts.data_bits)})"
            made.append(words)
        return made

    def folded_rows(self) -> Iterator[tuple[int, NDArray[np.uint32] | None]]:
        """Cycles of a folded list, as ``source.select_rows`` gives them: first bytes of instructions, and what is no
        instruction's."""
        from busledger.decoder.program.following import Follower

        assert self._table is not None
        follower = Follower(self._table, told=self._told, unwired=self._unwired)
        total, parts = self._source.total, []
        for at in range(0, total + 1, CHUNK):
            end = min(at + CHUNK, total)
            block = follower.feed(self._source.cycles.slice(at, end), self._source.compared.slice(at, end))
            parts.append(_heads(block))
            yield end, None
        parts.append(_heads(follower.finish()))
        yield total, np.concatenate(parts)

    def _at(self, cycle: int) -> tuple[_Stretch | None, int]:
        """(the stretch that a cycle is in, its row there); None where there is no table."""
        if self._table is None:
            return None, 0
        number = cycle // _STRETCH
        some = self._stretches.get(number)
        if some is None:
            some = self._followed(number)
            self._stretches[number] = some
            if len(self._stretches) > _KEPT:
                self._stretches.popitem(last=False)
        return some, cycle - some.first

    def _followed(self, number: int) -> _Stretch:
        from busledger.decoder.program.following import Follower  # compiled: not before a person asks

        assert self._table is not None
        first = max(0, number * _STRETCH - _LEAD_IN)
        last = min(self._source.total, (number + 1) * _STRETCH + _LEAD_OUT)
        follower = Follower(self._table, told=self._told, unwired=self._unwired)
        compared = self._source.compared.slice(first, last)
        blocks = [follower.feed(self._source.cycles.slice(first, last), compared), follower.finish()]
        columns = Followed.concat([block.followed for block in blocks])
        texts = {}
        for k in np.unique(columns.text[columns.text >= 0]).tolist():
            reading = follower.glossary.readings[k]
            text = plain(reading.text)
            texts[k] = self._symbols.named(text, reading) if self._symbols is not None else text
        return _Stretch(first, columns, texts)


def _heads(block: FollowedBlock) -> NDArray[np.uint32]:
    """The whole list's numbers of a block's rows that a folded list shows."""
    quiet = np.isin(block.cycles.kind, (Kind.IDLE, Kind.REFRESH))
    shown = (block.followed.part == Part.OPCODE) | ((block.followed.of < 0) & ~quiet)
    return np.asarray(block.compared.index[shown], np.uint32)
