"""The program as a witness: did the processor take the bytes that the clips saw?

After an instruction the next fetch stands where its length, or its jump, puts it. Where the bus itself tells fetches,
that is evidence from inside the processor: an opcode with another length, or a jump elsewhere, would have shown. A byte
that the processor took and the clips saw otherwise is a fault on the processor's side of the clips (or of a clip);
bytes that it took as seen clear the way up to there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.findings import WitnessFinding
from busledger.decoder.program.following.columns import Flow, Instructions, State
from busledger.decoder.program.following.glossary import Glossary
from busledger.decoder.program.following.instructions import InstructionSet

__all__ = ["Witness", "opcode_lanes"]

_LANES = 8
_SENTENCES = 3
_ALWAYS_LEAVES = (Flow.JUMP, Flow.CALL, Flow.RETURN, Flow.RESTART, Flow.INDIRECT, Flow.HALT)
_SURE = (Flow.NEXT, Flow.JUMP, Flow.CALL, Flow.RESTART)
_EITHER = (Flow.BRANCH, Flow.CALL_IF)
_SELDOM = 0.02  # more instructions that go elsewhere, for no common cause, are no program of this processor


def opcode_lanes(table: InstructionSet) -> NDArray[np.uint8]:
    """uint8, shape (pages, 256): the lanes of an opcode on which the other level would have shown at the next fetch.

    It shows where it makes the instruction longer or shorter, or makes a jump of what is none (or the other way round).
    """
    lanes = np.zeros(table.known.shape, np.uint8)
    for page, op in np.argwhere(table.known):
        for lane in range(_LANES):
            if _shows(table, int(page), int(op), int(op) ^ 1 << lane):
                lanes[page, op] |= 1 << lane
    return lanes


def _shows(table: InstructionSet, page: int, op: int, other: int) -> bool:
    if not table.known[page, other] or table.optional[page, op] or table.optional[page, other]:
        return False
    if table.post[page, op] or table.post[page, other]:
        return False
    here, there = Flow(int(table.flow[page, op])), Flow(int(table.flow[page, other]))
    straight = here == Flow.NEXT and there == Flow.NEXT
    if table.operands[page, op] != table.operands[page, other]:
        return straight or here in _SURE
    return (here == Flow.NEXT and there in _ALWAYS_LEAVES) or (here in _ALWAYS_LEAVES and there == Flow.NEXT)


class Witness:
    """Takes the instructions of followed blocks in order; the bus must tell their fetches."""

    def __init__(self, glossary: Glossary) -> None:
        self._glossary = glossary
        table = glossary.instructions
        assert isinstance(table, InstructionSet), "of words nothing is told"
        self._table = table
        self._opcode_lanes = opcode_lanes(self._table)
        self._entries = self._table.file.entries
        self._of_number = np.zeros((0, 2), np.uint8)  # lanes told where it goes straight on, and where it jumps
        self._lanes = np.zeros(_LANES, np.int64)
        self._kept: Instructions | None = None
        self._count = self._told = self._differs = 0
        self._flips = (1 << _LANES) - 1
        self._sentences: list[str] = []

    def feed(self, found: Instructions) -> None:
        """More instructions; the last one waits for the next."""
        if self._kept is not None:
            found = Instructions.concat([self._kept, found])
        if not len(found):
            return
        last = np.arange(len(found) - 1, len(found))
        self._kept = Instructions(*(getattr(found, name)[last] for name in Instructions.__slots__))
        self._count += len(found) - 1
        self._weigh(found)

    @property
    def credible(self) -> bool:
        """Whether the traffic reads as a program of this processor: what goes elsewhere is rare, or has one cause.

        A table of another processor, or cycles that no program made, go anywhere.
        """
        return self._told == 0 or self._differs <= _SELDOM * self._told or self._flips != 0

    def finding(self) -> WitnessFinding:
        """What could be told so far."""
        flips = [f"D{lane}" for lane in range(_LANES) if self._flips >> lane & 1] if self._differs else []
        return WitnessFinding(
            instructions=self._count,
            told=self._told,
            agrees=self._told - self._differs,
            lanes={f"D{lane}": int(self._lanes[lane]) for lane in range(_LANES)},
            differs=self._differs,
            differs_lanes=tuple(flips),
            sentences=tuple(self._sentences),
        )

    def _weigh(self, found: Instructions) -> None:
        number, size = found.text[:-1], found.size[:-1].astype(np.int64)
        # Address bits that no clip shows say nothing.
        mask = self._table.mask & ~self._glossary.unwired
        following = found.address[1:].astype(np.int64) & mask
        # Only where the next instruction follows at once, and nobody interrupted.
        good = (found.state[:-1] == State.WHOLE) & (found.state[1:] != State.ACKNOWLEDGE) & (number >= 0)
        good &= found.end[:-1] == found.row[1:]
        good &= ~np.isin(following, [entry & mask for entry in self._entries])
        good &= found.state[1:] != State.DOUBTFUL
        if not good.any():
            return
        safe = np.maximum(number, 0)
        flow, target = self._glossary.flow[safe], self._glossary.target[safe]
        behind = (found.address[:-1].astype(np.int64) + size) & mask
        straight, jumped = following == behind, (following == target & mask) & (target >= 0)
        sure, either = np.isin(flow, _SURE), np.isin(flow, _EITHER)
        fits = np.where(flow == Flow.NEXT, straight, np.where(sure, jumped, straight | jumped))
        counted = good & (sure | either)
        lanes = self._lanes_of(number)
        told = np.where(jumped & ~straight, lanes[safe, 1], lanes[safe, 0])
        agrees = counted & fits & (told != 0)
        self._told += int(np.count_nonzero(agrees))
        for lane in range(_LANES):
            self._lanes[lane] += int(np.count_nonzero(agrees & ((told >> lane & 1) != 0)))
        for k in np.flatnonzero(counted & ~fits).tolist():
            self._told += 1
            self._differs += 1
            self._differing(found, k)

    def _lanes_of(self, number: NDArray[np.int32]) -> NDArray[np.uint8]:
        """Lanes that each number of the glossary can tell of; new numbers are worked out."""
        old = len(self._of_number)
        if len(self._glossary) > old:
            fresh = np.zeros((len(self._glossary) - old, 2), np.uint8)
            for k in range(old, len(self._glossary)):
                fresh[k - old] = self._told_by(k)
            self._of_number = np.concatenate([self._of_number, fresh])
        return self._of_number

    def _told_by(self, k: int) -> tuple[int, int]:
        raw = self._glossary.raw(k)
        page, at = self._table.place(raw)
        own = int(self._opcode_lanes[page, raw[at]]) if at < len(raw) else 0
        # A jump that was taken shows every bit of the address that it gives.
        jumps = self._glossary.target[k] >= 0 and Flow(int(self._glossary.flow[k])) != Flow.RESTART
        return own, 0xFF if jumps else own

    def _differing(self, found: Instructions, k: int) -> None:
        told = len(self._sentences) >= _SENTENCES
        if told and not self._flips:
            return  # no lane is left that would explain all, and nothing more is said
        reading = self._glossary.readings[int(found.text[k])]
        raw = int(found.packed[k]).to_bytes(8, "little")[: int(found.size[k])]
        following = int(found.address[k + 1])
        flips = self._explained_by(int(found.address[k]), raw, following, self._flips if told else (1 << _LANES) - 1)
        self._flips &= flips
        if not told:
            shown = " ".join(f"{byte:02X}" for byte in raw)
            lanes = ", ".join(f"D{lane}" for lane in range(_LANES) if flips >> lane & 1)
            other = f" (the other level of {lanes} would explain it)" if lanes else ""
            self._sentences.append(
                f"At cycle {int(found.row[k])} the clips saw {shown} at {int(found.address[k]):04X}, {reading.text}, "
                f"but the processor fetched next from {following:04X}: it took another byte{other}."
            )

    def _explained_by(self, address: int, raw: bytes, following: int, asked: int) -> int:
        """Of the lanes ``asked`` about those on which one other level, in one of the bytes, leads to ``following``."""
        table, lanes = self._table, 0
        page, at = table.place(raw)
        for place in range(len(raw)):
            for lane in range(_LANES):
                if not (asked & ~lanes) >> lane & 1:
                    continue
                other = bytearray(raw)
                other[place] ^= 1 << lane
                if place == at:
                    if not table.known[page, other[at]]:
                        continue
                    fits = self._could_lead(page, at, bytes(other), address, following)
                elif place > at:
                    fits = table.read(address, bytes(other)).target == following
                else:
                    fits = False
                lanes |= fits << lane
        return lanes

    def _could_lead(self, page: int, at: int, raw: bytes, address: int, following: int) -> bool:
        """Whether the instruction that ``raw`` begins, whatever bytes come behind, may go on at ``following``."""
        table = self._table
        length = at + 1 + int(table.operands[page, raw[at]])
        flow = Flow(int(table.flow[page, raw[at]]))
        if flow in (Flow.RETURN, Flow.RETURN_IF, Flow.INDIRECT):
            return True
        if flow not in (Flow.JUMP, Flow.CALL, Flow.RESTART) and address + length & table.mask == following:
            return True
        return len(raw) >= length and table.read(address, raw[:length]).target == following
