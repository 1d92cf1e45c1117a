"""The instructions of a processor whose first word tells how long they are, or of the 8086: lengths and texts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.program.following.columns import Flow
from busledger.decoder.program.following.disassembler import disassemble
from busledger.decoder.program.following.instructions import Reading, flow_of
from busledger.decoder.program.following.lengths_8086 import target_8086
from busledger.decoder.program.following.lengths_68000 import lengths_68000, target_68000
from busledger.decoder.program.following.schema import SetFile
from busledger.decoder.program.following.texts import number_text
from busledger.decoder.program.following.word_formats import WordFormat, fill_words, word_formats, word_lengths

__all__ = ["WideSet", "wide_set"]

_LEADS = (Flow.JUMP, Flow.BRANCH, Flow.CALL)


@dataclass(frozen=True, eq=False)
class WideSet:
    """One processor's instructions; as ``InstructionSet`` for all that only reads them.

    ``words``: of the instruction that each of 65 536 first words begins, 0 for none (of the 8086: no rows).
    """

    file: SetFile
    words: NDArray[np.uint8]
    formats: tuple[WordFormat, ...]
    which: NDArray[np.uint8]

    @property
    def name(self) -> str:
        return self.file.name

    @property
    def timed(self) -> bool:
        """Whether the program can be followed where the bus does not tell its fetches: it cannot."""
        return False

    @property
    def ahead(self) -> bool:
        """Whether the processor reads its program ahead, and the bus tells no more than that it reads it."""
        return self.file.fetch == "ahead"

    @property
    def mask(self) -> int:
        """All address bits that the program counter has."""
        return (1 << self.file.address_bits) - 1

    def read(self, address: int, raw: bytes, unwired: int = 0) -> Reading:
        """The instruction that ``raw`` is, all of it, at ``address``."""
        text, target = self._formatted(address, raw) if self.formats else self._disassembled(address, raw)
        if not text:
            shown = ",".join(number_text(byte, 2, self.file.number) for byte in raw)
            return Reading(f"? {shown}", Flow.UNDEFINED, None)
        flow = flow_of(self.file, text)
        if flow not in _LEADS or unwired:
            target = None
        return Reading(text, flow, target)

    def _formatted(self, address: int, raw: bytes) -> tuple[str, int | None]:
        words = [int.from_bytes(raw[k : k + 2], "big") for k in range(0, len(raw), 2)]
        number = int(self.which[words[0]])
        return ("", None) if number == 255 else fill_words(self.formats[number], words, address)

    def _disassembled(self, address: int, raw: bytes) -> tuple[str, int | None]:
        found = disassemble(self.file.disassembler, raw, address)
        if found is None:
            return "", None
        target = (target_8086 if self.file.units == "x86" else target_68000)(raw, address)
        return found[0], None if target is None else target & self.mask


def wide_set(file: SetFile) -> WideSet:
    """The set of a file whose ``units`` are not plain bytes."""
    formats = word_formats(file.formats)
    if formats:
        words, which = word_lengths(formats)
    else:
        words = lengths_68000() if file.units == "words" else np.zeros(0, np.uint8)
        which = np.zeros(0, np.uint8)
    return WideSet(file, words, formats, which)
