"""The files of templates: what a processor's TOML and the list of tests may say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["FaultKind", "LayoutFile", "MemoryTest", "MemoryTestsFile", "ProcessorFile", "ResetFile"]

Fragments = dict[str, str]
Byte = Annotated[int, Field(ge=0, le=0xFF)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class LayoutFile(_Table):
    """One way of laying out the loops: its fragments stand for the processor's own.

    ``pages``: only for ranges of whole 256-byte pages. ``piece``: a range is cut where addresses are multiples of it,
    each piece with a loop of its own. ``needs_ram``: bytes of RAM at ``scratch`` (name to offset) beside the program,
    all of them below ``scratch_below``.
    ``like`` names the layout that it is a variant of; ``on_failure``: only for these ways to meet a failure.
    """

    name: str
    like: str | None = None
    pages: bool = False
    piece: Annotated[int, Field(ge=1)] | None = None
    needs_ram: bool = False
    on_failure: tuple[Literal["stop", "go-on", "loop"], ...] = ("stop", "go-on", "loop")
    scratch: dict[str, int] = Field(default_factory=dict)
    scratch_below: int = 0x10000
    fragment: Fragments = Field(default_factory=dict)
    op: dict[str, Fragments] = Field(default_factory=dict)

    @property
    def scratch_bytes(self) -> int:
        """How many bytes of RAM its loops need beside the program."""
        return max(self.scratch.values(), default=-1) + 1


class ResetFile(_Table):
    """How the processor starts: at ``entry``, or through ``vectors`` (addresses of words that hold the entry).

    A vector has ``vector_bytes``. ``origin``: where in the image the test lies, if not at its beginning.
    ``jump``: a fragment at the address ``jump_at`` where the processor starts, for one whose image ends there.
    ``hazard``: what else may begin the image wrongly.
    """

    entry: int | None = None
    vectors: tuple[int, ...] = ()
    vector_bytes: int = 2
    origin: int | None = None
    jump_at: int | None = None
    jump: str = ""
    hazard: str = ""


class ProcessorFile(_Table):
    """One processor: its fragments as text, one instruction a line (``rows.py`` reads them).

    ``note``: what the processor does on the bus beside the listing, a whole sentence.
    """

    name: str
    title: str
    names: tuple[str, ...]
    buses: tuple[str, ...]
    source: str
    number: str
    word_order: Literal["low first", "high first"]
    clocks_an_access: float
    pause_clocks: int
    most_pauses: int = 0xFFFF
    stop: str
    start: str
    character: str
    stack_page: int | None = None
    address_bits: int = 16
    address_bytes: int = 2
    note: str = ""
    reset: ResetFile
    fragment: Fragments
    op: dict[str, Fragments]
    layout: tuple[LayoutFile, ...]

    @property
    def one(self) -> str:
        """``a Z80``, ``an 8080``: its title in a sentence."""
        return f"{'an' if self.title.startswith('8') else 'a'} {self.title}"


class FaultKind(_Table):
    """A published kind of fault, in words; ``faults`` are the diagnosis's own names that show as it does."""

    name: str
    words: str
    source: str
    faults: tuple[str, ...] = ()


class MemoryTest(_Table):
    """One test. ``elements`` in march notation, ``wait`` for a pause; 0 is the value, 1 its complement.

    ``data``: what 0 is, where it depends on the address (the name of a fragment). ``walk``: the elements are gone
    through once for each of 01, 02, 04 … 80. ``finds``, ``part``, ``misses``: kinds of fault, by their short names.
    """

    name: str
    title: str
    elements: str
    data: str = ""
    walk: bool = False
    source: str
    finds: tuple[str, ...] = ()
    part: Mapping[str, str] = Field(default_factory=dict)
    misses: tuple[str, ...] = ()
    note: str = ""


class MemoryTestsFile(_Table):
    """``tests.toml``"""

    kind: tuple[FaultKind, ...]
    test: tuple[MemoryTest, ...]
