"""The instructions of one processor: arrays for the kernels, texts for people.

Tables are TOML files in ``tables/`` (``schema.py``, ``texts.py``); where capstone knows the processor soundly its texts
and lengths are taken (``disassembler.py``) and the table holds what it does not tell: cycles and what goes on where.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fnmatch import translate
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.program.following.columns import Flow
from busledger.decoder.program.following.cycle_counts import cycle_masks
from busledger.decoder.program.following.disassembler import disassemble
from busledger.decoder.program.following.schema import PageTable, PostbyteTable, SetFile
from busledger.decoder.program.following.texts import address_of, fill, number_text, operand_bytes, target_operand

__all__ = ["LONGEST", "InstructionSet", "Reading", "built", "flow_of"]

LONGEST = 8
"""Bytes of an instruction at most: they are packed into one uint64."""

NO_PAGE = -1
NO_POSTBYTE = 255
_REL16, _LE24, _REL16_LITTLE, _NO_BANK = 4, 7, 8, 9
_TARGETS = {"": 0, "e": 1, "nn": 2, "w": 3, "p": 5, "a": 6, "m": _NO_BANK}
_FLOWS = tuple(Flow[name.upper()] for name in (
    "jump", "call", "return", "indirect", "branch", "call_if", "return_if", "restart", "repeat", "halt", "skip",
    "skip_one", "software_interrupt",
))  # fmt: skip
_TO_AN_ADDRESS = (Flow.JUMP, Flow.BRANCH, Flow.CALL, Flow.CALL_IF)
_PROBES = ((0x10,) * 4, (0xFF,) * 4, (0x05,) * 4)


@dataclass(frozen=True)
class Reading:
    """One instruction as people read it; ``target`` is None where its bytes do not give one."""

    text: str
    flow: Flow
    target: int | None


@dataclass(frozen=True, eq=False)
class InstructionSet:
    """One processor's instructions.

    Arrays have shape (pages, 256): page 0 is that of the first byte, ``next_page`` the one that a prefix leads to
    (-1: none). ``operands`` counts the bytes behind the opcode, ``optional`` those more that may come, ``target`` is
    how the last of them give an address: 0 not, 1 signed byte, 2 word low first, 3 word high first, 4 signed word high
    first, 5 low half, 6 eleven bits, 7 three bytes low first, 8 signed word low first, 9 eleven bits
    of an address whose others the bytes do not tell. ``post``: the first operand
    byte is an indexed postbyte, ``post_bytes`` (shape (256,)) what follows it, 255 where it has no meaning.
    ``cycles`` and ``cycle_kind`` are those of ``cycle_counts``, ``late`` the row (counted from the opcode) of a last
    operand byte that is not read in order, 0 elsewhere.
    """

    file: SetFile
    pages: tuple[str, ...]
    known: NDArray[np.bool_]
    operands: NDArray[np.uint8]
    optional: NDArray[np.uint8]
    next_page: NDArray[np.int8]
    flow: NDArray[np.uint8]
    target: NDArray[np.uint8]
    cycles: NDArray[np.uint32]
    cycle_kind: NDArray[np.uint8]
    post: NDArray[np.bool_]
    post_bytes: NDArray[np.uint8]
    post_cycles: NDArray[np.uint8]
    operand_first: NDArray[np.bool_]
    late: NDArray[np.uint8]

    @property
    def name(self) -> str:
        return self.file.name

    @property
    def timed(self) -> bool:
        """Whether the program can be followed where the bus does not tell its fetches."""
        return bool(self.cycles.any()) or self.file.fetch == "stream"

    @property
    def mask(self) -> int:
        """All address bits that the program counter has."""
        return (1 << self.file.address_bits) - 1

    @cached_property
    def _templates(self) -> tuple[tuple[str, ...], ...]:
        return tuple(_templates(self.file, name) for name in self.pages)

    def read(self, address: int, raw: bytes, unwired: int = 0) -> Reading:
        """The instruction that ``raw`` is, all of it, at ``address``; ``unwired`` address bits of it are not known."""
        if self.file.disassembler:
            found = disassemble(self.file.disassembler, raw, address)
            text = pattern = found[0] if found is not None else ""
        else:
            text, pattern = self._typed(address, raw)
        if not text:
            return Reading(self._bytes_text(raw), Flow.UNDEFINED, None)
        flow = flow_of(self.file, pattern)
        target = self._target(address, raw, text, flow)
        if unwired and target is not None and self._counted(raw):
            text = _in_part(text, target, unwired)
        return Reading(text, flow, target)

    def _counted(self, raw: bytes) -> bool:
        """Whether the target is counted from the instruction's own address, or shares bits with it."""
        page, at = self.place(raw)
        return int(self.target[page, raw[at]]) not in (_TARGETS["nn"], _TARGETS["w"], _LE24, 0)

    def place(self, raw: bytes) -> tuple[int, int]:
        """(page, index of the opcode byte) of an instruction."""
        page, at = 0, 0
        while at < len(raw) - 1 and self.next_page[page, raw[at]] != NO_PAGE:
            page = int(self.next_page[page, raw[at]])
            at += 1
            if self.operand_first[page]:
                return page, at + 1
        return page, at

    def _typed(self, address: int, raw: bytes) -> tuple[str, str]:
        """(text, its template)."""
        page, at = self.place(raw)
        if at >= len(raw):
            return "", ""
        template = self._templates[page][raw[at]]
        operands = raw[at - 1 : at] if self.operand_first[page] else raw[at + 1 :]
        if not template or template.startswith("@"):
            return "", ""
        return fill(template, operands, raw[at], address + len(raw), self.file.number, self.mask), template

    def _bytes_text(self, raw: bytes) -> str:
        return "? " + ",".join(number_text(byte, 2, self.file.number) for byte in raw)

    def _target(self, address: int, raw: bytes, text: str, flow: Flow) -> int | None:
        page, at = self.place(raw)
        if len(raw) <= at or (not self.operand_first[page] and len(raw) <= at + self.operands[page, raw[at]]):
            return None  # not all of it is there
        if flow == Flow.RESTART:
            return self.file.restart[text]
        if flow not in _TO_AN_ADDRESS:
            return None
        kind = int(self.target[page, raw[at]])
        return target_of(kind, raw, address, self.mask)


def _in_part(text: str, target: int, unwired: int) -> str:
    """The text with ``?`` for the digits of its address that hold a bit that is not known."""
    digits = "".join("?" if unwired >> shift & 15 else f"{target >> shift & 15:X}" for shift in (12, 8, 4, 0))
    at = text.rfind(f"{target & 0xFFFF:04X}")
    return text if at < 0 else text[:at] + digits + text[at + 4 :]


def target_of(kind: int, raw: bytes, address: int, mask: int) -> int | None:
    """The address that the last bytes of an instruction give, by the numbers of ``InstructionSet.target``."""
    after = address + len(raw)
    if kind in (2, 3):
        low = address_of("nn" if kind == 2 else "w", raw[-2:], 0, after, mask)
        return (address & mask & ~0xFFFF) | low
    if kind in (_REL16, _REL16_LITTLE):
        offset = int.from_bytes(raw[-2:], "big" if kind == _REL16 else "little")
        return (address & mask & ~0xFFFF) | (after + offset & 0xFFFF)
    if kind == _LE24:
        return int.from_bytes(raw[-3:], "little") & mask
    if kind == 1:
        return (address & mask & ~0xFFFF) | address_of("e", raw[-1:], 0, after, 0xFFFF)
    if kind == 5:
        return address_of("p", raw[-1:], 0, after, mask)
    if kind == 6:
        return address_of("a", raw[-1:], raw[-2], after, mask)
    return None


def built(file: SetFile) -> InstructionSet:
    pages = tuple(file.page)
    shape = (len(pages), 256)
    made = InstructionSet(
        file=file,
        pages=pages,
        known=np.zeros(shape, np.bool_),
        operands=np.zeros(shape, np.uint8),
        optional=np.zeros(shape, np.uint8),
        next_page=np.full(shape, NO_PAGE, np.int8),
        flow=np.full(shape, Flow.UNDEFINED, np.uint8),
        target=np.zeros(shape, np.uint8),
        cycles=np.zeros(shape, np.uint32),
        cycle_kind=np.zeros(shape, np.uint8),
        post=np.zeros(shape, np.bool_),
        post_bytes=np.zeros(256, np.uint8),
        post_cycles=np.zeros(256, np.uint8),
        operand_first=np.array([file.page[name].operand_first for name in pages]),
        late=np.zeros(shape, np.uint8),
    )
    for number, name in enumerate(pages):
        page = file.page[name]
        made.cycles[number], made.cycle_kind[number] = cycle_masks(page.cycles)
        for op, row in page.late.items():
            made.late[number, int(op, 16)] = row
        if file.disassembler:
            _probe(made, number, page)
        else:
            _typed_page(made, number)
    if file.postbyte is not None:
        made.post_bytes[:], made.post_cycles[:] = _postbytes(file.postbyte)
    return made


def _templates(file: SetFile, name: str) -> tuple[str, ...]:
    page = file.page[name]
    if not page.otherwise:
        return page.ops
    return tuple(own or other for own, other in zip(page.ops, _templates(file, page.otherwise), strict=True))


def _typed_page(made: InstructionSet, number: int) -> None:
    file = made.file
    for op, template in enumerate(_templates(file, made.pages[number])):
        if template.startswith("@"):
            made.next_page[number, op] = made.pages.index(template[1:])
        elif template:
            first = bool(made.operand_first[number])
            made.known[number, op] = True
            made.operands[number, op] = operand_bytes(template) - (1 if first else 0)
            flow = flow_of(file, template)
            made.flow[number, op] = Flow.INDIRECT if flow == Flow.RETURN and file.internal_stack else flow
            made.target[number, op] = _TARGETS[target_operand(template)]


def _probe(made: InstructionSet, number: int, page: PageTable) -> None:
    """What capstone says of every opcode of a page, tried with a few operands."""
    file = made.file
    head = bytes.fromhex(made.pages[number]) if number else b""
    for prefix, name in page.prefixes.items():
        made.next_page[number, int(prefix, 16)] = made.pages.index(name)
    for op in range(256):
        if made.next_page[number, op] != NO_PAGE:
            continue
        found = [_disassembled(file, head + bytes([op, *probe]), 0x1000) for probe in _PROBES]
        said = [one for one in found if one is not None]
        if not said:
            continue
        made.known[number, op] = True
        lengths = {size for _, size in said}
        # Only an indexed postbyte changes the length; its opcode and it are there in any case.
        made.post[number, op] = file.postbyte is not None and _is_indexed(file, head, op)
        least = 1 if made.post[number, op] else min(lengths) - len(head) - 1
        if op in page.wide_immediate:
            made.optional[number, op], least = 1, 1
        made.operands[number, op] = least
        flows = {flow_of(file, text) for text, _ in said}
        made.flow[number, op] = flows.pop() if len(flows) == 1 else Flow.RETURN_IF
        if int(made.flow[number, op]) in _TO_AN_ADDRESS:
            made.target[number, op] = _target_kind(file, head + bytes([op]), least)


def _disassembled(file: SetFile, raw: bytes, address: int) -> tuple[str, int] | None:
    return disassemble(file.disassembler, raw, address, whole=False)


def _is_indexed(file: SetFile, head: bytes, op: int) -> bool:
    """Whether a postbyte with a sixteen-bit offset behind it makes the instruction two bytes longer."""
    short = _disassembled(file, head + bytes([op, 0x84, 0, 0]), 0)
    long = _disassembled(file, head + bytes([op, 0x89, 0, 0]), 0)
    return short is not None and long is not None and long[1] == short[1] + 2


def _target_kind(file: SetFile, opcode: bytes, operands: int) -> int:
    """Relative where the text moves with the address, else an address in the file's byte order."""
    texts = [_disassembled(file, opcode + bytes([0x10] * operands), at) for at in (0x1000, 0x2000)]
    if texts[0] != texts[1]:
        if operands == 2 and file.big_endian:
            return _REL16
        # BBR and BBS have a zero page address before the offset; BRL has its offset low byte first.
        return 1 if operands == 1 or opcode[0] & 0x0F == 0x0F else _REL16_LITTLE
    return _LE24 if operands == 3 else _TARGETS["w" if file.big_endian else "nn"]


def _postbytes(table: PostbyteTable) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """(bytes that follow, cycles more) of each of 256 postbytes; 255 where it has no meaning."""
    bytes_, cycles = np.zeros(256, np.uint8), np.ones(256, np.uint8)
    for post in range(0x80, 0x100):
        direct = not post & 0x10
        names = (table.bytes, table.cycles) if direct else (table.indirect_bytes, table.indirect_cycles)
        tokens = [text.split()[post & 0x0F] for text in names]
        bytes_[post], cycles[post] = (NO_POSTBYTE if token == "." else int(token) for token in tokens)
    return bytes_, cycles


def flow_of(file: SetFile, text: str) -> Flow:
    """The first class of the file's patterns that an instruction's text fits."""
    for flow, pattern in _patterns(file):
        if pattern.match(text):
            return flow
    return Flow.NEXT


_compiled: dict[int, tuple[SetFile, tuple[tuple[Flow, re.Pattern[str]], ...]]] = {}
"""By identity: the files of the processors are few and stay."""


def _patterns(file: SetFile) -> tuple[tuple[Flow, re.Pattern[str]], ...]:
    """Of each class that has patterns: one that fits where any of them does."""
    known = _compiled.get(id(file))
    if known is None or known[0] is not file:
        names = {flow: "return_" if flow == Flow.RETURN else flow.name.lower() for flow in _FLOWS}
        listed = {flow: getattr(file.flow, name) for flow, name in names.items()}
        made = tuple((flow, re.compile("|".join(map(translate, some)))) for flow, some in listed.items() if some)
        known = _compiled[id(file)] = file, made
    return known[1]
