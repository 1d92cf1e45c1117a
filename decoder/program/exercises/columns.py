"""What is asked of a test program, and what is made: plain values, addresses in bytes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from busledger.decoder.program.exercises.schema import MemoryTest, ProcessorFile

__all__ = ["Line", "OnFailure", "Program", "Range", "Wanted"]

OnFailure = Literal["stop", "go-on", "loop"]
Range = tuple[int, int]
"""First and last address, both included."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A test program to be made.

    Attributes
    ----------
    ranges : what is gone over, ascending and apart
    origin : the program's first address
    passes : how often; None = for ever
    output : address of the monitor's character routine; None = nothing is printed
    back : where the program goes in the end; None = it stays at its last instruction
    scratch : the first of the few bytes of RAM that some processors' loops need
    stack : where the stack begins; None = behind the program
    pause_s, clock_hz : seconds of each wait, and the processor's clock
    rom : the program runs at reset without any RAM
    """

    processor: ProcessorFile
    test: MemoryTest
    ranges: tuple[Range, ...]
    origin: int
    passes: int | None = 1
    on_failure: OnFailure = "stop"
    output: int | None = None
    back: int | None = None
    scratch: int = 0xF0
    stack: int | None = None
    pause_s: float = 2.0
    clock_hz: float = 1e6
    rom: bool = False

    @property
    def calls(self) -> bool:
        """Whether the program calls subroutines, and so needs a stack."""
        return not self.rom and (self.output is not None or self.on_failure == "go-on")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the listing. ``code`` False: a place for data."""

    address: int
    data: bytes
    label: str
    mnemonic: str
    comment: str
    code: bool = True


@dataclass(frozen=True, slots=True)
class Program:
    """A program laid out at its address.

    Attributes
    ----------
    lines : the listing; together their bytes are the program
    labels : addresses of PASS, DONE, HALTED, FADDR, FWROTE, FREAD … where the program has them
    clocks : of one pass, without the waits' own
    pauses : counts of each wait, of ``processor.pause_clocks`` clocks; 0 where the test has none
    waits : waits in a pass
    layout : the name of the layout taken
    stack : first and last byte that calls may write; None where nothing is called
    scratch : first and last byte of RAM used beside the program; None where none is
    """

    wanted: Wanted
    origin: int
    lines: tuple[Line, ...]
    labels: Mapping[str, int]
    clocks: int
    pauses: int
    waits: int
    layout: str
    stack: Range | None
    scratch: Range | None

    @property
    def data(self) -> bytes:
        """The bytes from ``origin`` on."""
        return b"".join(line.data for line in self.lines)

    @property
    def end(self) -> int:
        """The last address of the program."""
        return self.origin + sum(len(line.data) for line in self.lines) - 1

    @property
    def pass_s(self) -> float:
        """Seconds of one pass, waits included."""
        clocks = self.clocks + self.waits * self.pauses * self.wanted.processor.pause_clocks
        return clocks / self.wanted.clock_hz
