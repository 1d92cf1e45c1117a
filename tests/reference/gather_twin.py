"""Plain twin of the gathering kernel: one cycle at a time, an instruction is a small object with a list of bytes."""

from __future__ import annotations

from dataclasses import dataclass, field

from busledger.decoder.bus.columns import Kind
from busledger.decoder.program.following.columns import Part, State
from busledger.decoder.program.following.instructions import InstructionSet


@dataclass
class Open:
    """An instruction that may still grow."""

    row: int
    address: int
    acknowledged: bool
    following: int
    raw: list[int] = field(default_factory=list)
    doubtful: bool = False
    peeked: bool = False
    blind: bool = False  # its opcode was not seen whole
    data_seen: bool = False

    def wants(self, table: InstructionSet) -> tuple[bool, int, int]:
        """(an opcode byte, operand bytes, bytes that may come) after the bytes so far."""
        if self.blind:
            return False, 0, 0 if self.data_seen else 8 - len(self.raw)
        page, rest = 0, list(self.raw)
        while rest and table.next_page[page, rest[0]] >= 0:
            page = int(table.next_page[page, rest.pop(0)])
            if table.operand_first[page]:
                return False, 2 - len(rest), 0
        if not rest:
            return True, 0, 0
        op = rest.pop(0)
        operands = int(table.operands[page, op])
        if table.post[page, op] and rest and table.post_bytes[rest[0]] != 255:
            operands += int(table.post_bytes[rest[0]])
        optional = 0 if self.data_seen else int(table.optional[page, op])
        if len(rest) < operands:
            return False, operands - len(rest), optional
        return False, 0, max(0, operands + optional - len(rest))


def gather_plain(rows: list[dict], table: InstructionSet) -> tuple[list[tuple], list[dict]]:
    """((of, part) of every row, the finished instructions).

    Rows have kind, fetch, address, data, and what is wrong with them: bad_address, bad_data, gap.
    """
    each, stream = table.file.fetch == "each", table.file.fetch == "stream"
    out: list[tuple] = []
    done: list[dict] = []
    now: Open | None = None

    def close(stop: int) -> None:
        if now is None:
            return
        opcode, operands, _ = now.wants(table)
        state = State.ACKNOWLEDGE if now.acknowledged else State.WHOLE
        if now.doubtful:
            state = State.DOUBTFUL
        elif opcode or operands:
            state = State.CUT
        done.append({"row": now.row, "end": stop, "address": now.address, "raw": bytes(now.raw), "state": state})

    for i, c in enumerate(rows):
        if c["gap"]:
            close(i)
            now = None
        address = c["address"] & table.mask
        in_order = now is not None and address == now.following & table.mask and not c["bad_address"]
        code = c["kind"] == (Kind.OPCODE_FETCH if stream else Kind.READ)
        starts = c["fetch"]
        if starts and each and in_order and now is not None and now.wants(table)[0]:
            starts, code = False, True
        given = c["kind"] == Kind.INT_ACK
        if given and now is not None and now.acknowledged and not now.doubtful and now.wants(table)[1]:
            given, code, in_order = False, True, not c["bad_address"]
            now.following = address
        if starts or given:
            close(i)
            now = Open(i, address, given, address, doubtful=c["bad_address"])
            in_order = code = True
        if now is None:
            out.append((-1, Part.NONE))
            continue
        opcode, operands, optional = now.wants(table)
        if starts or given or (code and in_order and len(now.raw) < 8 and (opcode or operands or optional)):
            if opcode and c["bad_data"]:
                now.blind = True
            now.doubtful |= c["bad_data"]
            now.raw.append(c["data"] & 0xFF)
            now.following += 1
            out.append((now.row, Part.OPCODE if len(now.raw) == 1 else Part.OPERAND))
        elif c["kind"] in (Kind.READ, Kind.WRITE, Kind.IO_READ, Kind.IO_WRITE) or (
            stream and c["kind"] == Kind.OPCODE_FETCH
        ):
            peek = table.file.peeks and code and in_order and not now.peeked and not operands
            out.append((now.row, Part.PEEK if peek else Part.DATA))
            now.peeked = now.data_seen = True
        else:
            out.append((-1, Part.NONE))
    return out, done
