"""What a table of instructions may say: one frozen model a TOML table (``tables/*.toml``)."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["FlowTable", "PageTable", "PostbyteTable", "SetFile"]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class FlowTable(_Table):
    """Where instructions go on, by patterns (``fnmatch``) of their text; the first class that fits is taken, in this
    order. What fits none goes on with the next instruction."""

    jump: tuple[str, ...] = ()
    call: tuple[str, ...] = ()
    return_: tuple[str, ...] = Field(default=(), alias="return")
    indirect: tuple[str, ...] = ()
    branch: tuple[str, ...] = ()
    call_if: tuple[str, ...] = ()
    return_if: tuple[str, ...] = ()
    restart: tuple[str, ...] = ()
    repeat: tuple[str, ...] = ()
    halt: tuple[str, ...] = ()
    skip: tuple[str, ...] = ()
    skip_one: tuple[str, ...] = ()
    software_interrupt: tuple[str, ...] = ()
    table: tuple[str, ...] = ()


class PageTable(_Table):
    """The 256 opcodes behind one prefix (``base``: behind none).

    ``ops`` are texts with operands in braces (``texts.py``), "" where nothing is published, "@NAME" where the byte
    leads to another page. ``otherwise``: the page that answers where this one has "". ``operand_first``: a displacement
    stands before the opcode. ``cycles``: sixteen rows of sixteen (``cycle_counts.py`` says what they may hold).
    ``late``: opcodes whose last operand byte is read some cycles after the opcode, not in order.
    """

    ops: tuple[str, ...] = ()
    otherwise: str = ""
    operand_first: bool = False
    undefined_bytes: int = 0
    cycles: tuple[str, ...] = ()
    prefixes: dict[str, str] = {}
    wide_immediate: tuple[int, ...] = ()
    late: dict[str, int] = {}


class PostbyteTable(_Table):
    """What indexed postbytes bring with them, sixteen figures each, "." where none is defined."""

    bytes: str
    cycles: str
    indirect_bytes: str
    indirect_cycles: str


class SetFile(_Table):
    """The whole file.

    ``fetch`` says what the bus marks as an opcode fetch: ``each`` opcode and prefix byte, the ``first`` byte of an
    instruction, every byte of the program alike (``stream``), or ``none``. ``peeks``: the byte behind a one-byte
    instruction is read too. ``internal_stack``: return addresses
    are not on the bus. ``entries``: where the processor goes on by itself when it is interrupted.

    ``units``: an instruction is made of ``bytes`` (the pages tell them) or of ``words`` (``formats``, or the rules of
    ``lengths_68000.py``), or of ``x86`` bytes (``lengths_8086.py``). ``fetch`` may then be ``ahead``: the bus marks
    every read of the program, some of them before it is known whether the processor will run what it reads.
    ``bus_bytes``: bytes of the program that one cycle brings.
    ``pointer_bytes``: of an address in memory.
    ``segmented``: it is not all of it. ``starts_at``: where a processor without a reset vector begins.
    ``formats``: (bits, text) of a processor whose instructions are words (``word_formats.py``).
    """

    name: str
    title: str
    source: str
    profiles: tuple[str, ...]
    fetch: Literal["each", "first", "stream", "none", "ahead"]
    number: Literal["intel", "motorola", "ti"]
    units: Literal["bytes", "words", "x86"] = "bytes"
    bus_bytes: Literal[1, 2] = 1
    disassembler: str = ""
    big_endian: bool = False
    peeks: bool = False
    vectors: dict[str, int] = {}
    entries: tuple[int, ...] = ()
    pointer_bytes: Literal[2, 4] = 2
    segmented: bool = False
    starts_at: int | None = None
    return_adds: int = 0
    internal_stack: bool = False
    address_bits: int = 16
    flow: FlowTable
    restart: dict[str, int] = {}
    page: dict[str, PageTable] = {}
    formats: tuple[tuple[str, str], ...] = ()
    postbyte: PostbyteTable | None = None
