"""Plain twin of the following kernel: sets and recursion, one row a dictionary. Slow, and meant to be read."""

from __future__ import annotations

from busledger.decoder.program.following.columns import Flow
from busledger.decoder.program.following.cycle_counts import BY_INDEX, BY_PUSH, pushed_bytes
from busledger.decoder.program.following.instructions import InstructionSet, target_of

DEPTH, WALK, LOOKAHEAD, LONGEST_CYCLES, LONGEST_INTERRUPT = 3, 4, 512, 32, 24
PUSHED = pushed_bytes()


class RanOutError(Exception):
    """Rows would be needed that are not there."""


class Plain:
    """The processor's own cycles: ``rows`` of {"read", "address", "data"}, -1 where a bit was not seen."""

    def __init__(self, rows: list[dict], table: InstructionSet) -> None:
        self.rows, self.table, self.mask = rows, table, table.mask
        self.vectors = sorted(set(table.file.vectors.values()))
        longest = max(int(m).bit_length() for m in table.cycles.ravel())
        self.longest = longest + (12 if table.cycle_kind.any() else 0)

    def row(self, i: int) -> dict:
        if i >= len(self.rows):
            raise RanOutError
        return self.rows[i]

    def byte(self, i: int, address: int) -> int | None:
        """The byte read at row i, if it is read at that address."""
        row = self.row(i)
        good = row["read"] and row["data"] >= 0 and row["address"] == address & self.mask
        return row["data"] if good else None

    def bytes_at(self, i: int) -> tuple[bytes, int, int] | None:
        """(bytes, page, opcode) of an instruction at row i."""
        first, table = self.row(i), self.table
        if not first["read"] or first["address"] < 0 or first["data"] < 0:
            return None
        here, page, raw = first["address"], 0, [first["data"]]
        while table.next_page[page, raw[-1]] >= 0:
            page = int(table.next_page[page, raw[-1]])
            byte = self.byte(i + len(raw), here + len(raw))
            if byte is None:
                return None
            raw.append(byte)
        op, at = raw[-1], i + len(raw) - 1
        if not table.known[page, op]:
            return None
        count = int(table.operands[page, op])
        if count and at + 1 >= len(self.rows):
            raise RanOutError
        if table.post[page, op]:
            post = self.rows[at + 1]["data"]
            if post < 0 or table.post_bytes[post] == 255:
                return None
            count += int(table.post_bytes[post])
        for k in range(1, count + 1):
            late = int(table.late[page, op])
            byte = self.byte(at + (late if k == count and late else k), here + len(raw))
            if byte is None:
                return None
            raw.append(byte)
        if table.file.peeks and len(raw) == 1:
            peek = self.row(i + 1)
            if not peek["read"] or peek["address"] != (here + 1) & self.mask:
                return None
        return bytes(raw), page, op

    def read_words(self, i: int, stop: int) -> set[int]:
        """Words read in two rows between, and what a return makes of them."""
        found = set()
        for a, b in zip(self.rows[i + 1 : stop - 1], self.rows[i + 2 : stop], strict=False):
            if a["read"] and b["read"] and a["data"] >= 0 and b["data"] >= 0:
                word = int.from_bytes([a["data"], b["data"]], "big" if self.table.file.big_endian else "little")
                found |= {word, (word + self.table.file.return_adds) & self.mask}
        return found

    def fits(self, i: int) -> list[int]:
        """Rows at which the instruction at row i may end."""
        shape = self.bytes_at(i)
        if shape is None:
            return []
        (raw, page, op), table = shape, self.table
        flow = Flow(int(table.flow[page, op]))
        if flow in (Flow.HALT, Flow.REPEAT, Flow.SKIP, Flow.SKIP_ONE, Flow.RESTART):
            return []
        here, operand = self.rows[i]["address"], raw[1 if page == 0 else 2 :]
        more = 0
        if table.cycle_kind[page, op] == BY_INDEX and table.post[page, op]:
            more = int(table.post_cycles[operand[0]])
        elif table.cycle_kind[page, op] == BY_PUSH:
            more = int(PUSHED[operand[0]])
        behind = (here + len(raw)) & self.mask
        leads = target_of(int(table.target[page, op]), raw, here, self.mask)
        may = [n for n in range(1, LONGEST_CYCLES) if int(table.cycles[page, op]) >> n & 1]
        ends, short = [], False
        for n in may:
            end = i + n + more
            if end >= len(self.rows):
                short = True
                break
            row = self.rows[end]
            if row["read"] and row["address"] >= 0 and self.may_go(flow, row["address"], i, end, n, may, behind, leads):
                ends.append(end)
        if short:  # it may end there as well
            raise RanOutError
        return ends[:4]

    def may_go(self, flow, there, i, end, n, may, behind, leads):
        if flow == Flow.NEXT:
            return there == behind
        if flow in (Flow.JUMP, Flow.CALL):
            return there == leads
        if flow in (Flow.BRANCH, Flow.CALL_IF):
            if len(may) == 1:
                return there in (behind, leads)
            if n == may[0]:
                return there == behind
            same_page = leads is not None and leads >> 8 == behind >> 8
            if n == may[0] + 1:
                return there == leads and (same_page or may[0] + 2 not in may)
            return there == leads and not same_page
        if flow == Flow.INDIRECT:
            return True
        if flow == Flow.RETURN_IF and there == behind:
            return True
        return there in self.read_words(i, end)

    def interrupted(self, i: int) -> int:
        writes = 0
        for k in range(i, min(i + LONGEST_INTERRUPT, len(self.rows) - 3)):
            if not self.rows[k]["read"]:
                writes += 1
                continue
            found = self.behind_vector(k) if writes >= 3 else 0
            if found:
                return found
        return 0

    def behind_vector(self, k: int, *, checked: bool = False) -> int:
        """The row where the word of a vector, read at rows k and k + 1, is fetched from; 0 if there is none."""
        a, b = self.rows[k], self.rows[k + 1]
        if not (a["read"] and b["read"]) or a["data"] < 0 or b["data"] < 0:
            return 0
        if a["address"] not in self.vectors or b["address"] != a["address"] + 1:
            return 0
        word = int.from_bytes([a["data"], b["data"]], "big" if self.table.file.big_endian else "little")
        for end in range(k + 2, min(k + 5, len(self.rows))):
            row = self.rows[end]
            if row["address"] == word and row["read"] and (not checked or self.goes_on(end, DEPTH)):
                return end
        return 0

    def goes_on(self, i: int, depth: int) -> bool:
        if depth == 0:
            return True
        try:
            ends = self.fits(i)
        except RanOutError:
            return True
        if not ends:
            end = self.interrupted(i) if i < len(self.rows) else 0
            ends = [end] if end else []
        return any(self.goes_on(end, depth - 1) for end in ends)

    def only(self, i: int) -> int:
        """The only end of the instruction at row i, else 0."""
        ends = self.fits(i)
        alive = [end for end in ends if self.goes_on(end, DEPTH if len(ends) > 1 else 1)]
        return alive[0] if len(alive) == 1 else 0

    def jumped(self, i: int) -> int:
        """Where a jump or a call is followed by a read of its target, and can only be there; else 0."""
        shape, ends = self.bytes_at(i), self.fits(i)
        if shape is None or len(ends) != 1:
            return 0
        _, page, op = shape
        sure = self.table.flow[page, op] in (Flow.JUMP, Flow.CALL) and self.table.target[page, op] != 9
        return ends[0] if sure else 0

    def step(self, i: int) -> int:
        try:
            return self.only(i) or self.interrupted(i)
        except RanOutError:
            return 0

    def only_reading(self, k: int) -> int:
        walks, telling = [], False
        for start in range(k, min(k + self.longest, len(self.rows))):
            walk, told, i = [start], False, start
            while len(walk) - 1 < WALK or i < k + self.longest:
                end = self.step(i)
                if not end:
                    walk = []
                    break
                shape = self.bytes_at(i)
                length = 0 if shape is None else len(shape[0])
                here = self.rows[i]["address"]
                told |= end - i > length + 1 or self.rows[end]["address"] != (here + length) & self.mask
                walk.append(end)
                i = end
            if walk:
                walks.append(set(walk))
                telling |= told
        common = set.intersection(*walks) if walks and telling else set()
        return min(common, default=0)


def follow_plain(rows: list[dict], table: InstructionSet, *, locked: bool, last: bool) -> tuple[list[str], int, bool]:
    """(a mark a row: "", "fetch", "interrupt", "lost"; row from which nothing is decided; whether one begins there)."""
    plain = Plain(rows, table)
    mark = [""] * len(rows)
    stop = len(rows) if last else len(rows) - LOOKAHEAD
    i = tried = 0
    while i < stop:
        if locked:
            try:
                end = plain.only(i)
            except RanOutError:
                mark[i] = "lost"
                return mark, len(rows), False
            if end:
                mark[i] = "fetch"
                i = end
                continue
            end = plain.interrupted(i)
            if end:
                mark[i:end] = ["interrupt"] * (end - i)
                i = end
                continue
            locked = False
            end = plain.jumped(i)
            if end:
                mark[i] = "fetch"
                i = end
                try:
                    shape = plain.bytes_at(i)
                except RanOutError:
                    shape = None
                if shape is not None:
                    mark[i] = "fetch"
                    i += max(len(shape[0]), int(table.late[shape[1], shape[2]]) + 1)
            if i < len(rows):
                mark[i] = "lost"
            if i >= stop:
                break
        end = plain.behind_vector(i, checked=True) if i + 4 < len(rows) else 0
        if end:
            mark[i:end] = ["interrupt"] * (end - i)
            i, locked = end, True
            continue
        if i >= tried:
            end = plain.only_reading(i)
            if end:
                i, locked = end, True
                continue
            tried = i + max(1, plain.longest // 2)
        i += 1
    return mark, i, locked
