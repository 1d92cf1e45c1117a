"""The replay of a path fault in plain objects, lane by lane where that is easy: the slow twin of the kernel."""

from __future__ import annotations

from tests.reference.effects_plain import Hash
from tests.reference.replay_card import FaultyCard
from tests.reference.replay_words import LANES, Cell, Change, Row, Theory, Word, lanes_in, unknown, word


def every_second(index: int) -> bool:
    return (index & 0xFFFFFFFF).bit_count() % 2 == 1


class ReplayTwin(FaultyCard):
    def __init__(self, theory: Theory, cells: int) -> None:
        super().__init__(theory, cells)
        counted = ("hit", "miss", "other", "explained", "unsure", "contradicted", "excused", "two ways", "both or none")
        self.hard = dict.fromkeys(counted, 0)
        self.some = dict(self.hard)
        self.hashes = (Hash(), Hash())
        self.explained_rows: list[int] = []
        self.found: dict[int, int] = {}  # lanes of each read that a cell of unknown contents showed
        self.mine = lanes_in(theory.mask)

    # -- rows ------------------------------------------------------------------
    def feed(self, row: Row) -> None:
        if row.write:
            if self.mine:
                self.write(row)
        else:
            self.read(row)

    def write(self, row: Row) -> None:
        here = self.cells[row.cell]
        data = word(row.data, row.sure)
        floats = self.t.bends == "float"
        plain = (self.t.stores == "data" or floats) and not (self.t.on_writes and self.t.bends != "not")
        other = {"high": word(0xFF), "low": word(0), "rest": word(row.rest_read)}.get(self.t.stores, unknown())
        if plain:
            bad = data
        elif self.t.stores == "data" or floats:
            bad = self.bend(data, other)
        else:
            bad = other
        targets = [c for c in (self.t.w1[row.cell], self.t.w2[row.cell]) if c >= 0]
        for c in targets:
            for k in self.mine:
                self.cells[c].hard[k] = bad[k]
        missed = here.lost if here.state == "open" and row.cell not in targets else None
        if here.doubt and here.state != "open" and row.cell not in targets:
            pass  # what was written before stays the other thing that it may hold
        elif row.hours != "awake":
            here.lost_before = missed
        elif not missed or here.hours == "asleep":
            here.lost_before = None
        elif here.hours != "awake" or not here.lost_before:
            here.lost_before = missed
        here.lost = None
        here.state, here.owner, here.owner_before = "settled", None, None
        here.writes += 1
        here.hours = row.hours
        here.doubt, here.either = False, False
        if row.cell not in targets:
            here.lost, here.state = Change(list(here.held), self.mine), "open"
        elif not plain:
            here.lost, here.state = Change(list(bad), self.mine), "open"
        for c in targets:
            if c != row.cell:
                other = self.cells[c]
                if other.owner is not None:
                    other.owner_before, other.owner_before_writes = other.owner, other.owner_writes
                    other.over_before = other.over
                other.owner, other.owner_writes, other.over = row.cell, here.writes, Change(list(bad), self.mine)
                other.owner_hours = row.hours
                here.state = "open"
        for k in self.mine:
            here.held[k] = data[k]

    def read(self, row: Row) -> None:
        t, here = self.t, self.cells[row.cell]
        judged = [k for k in lanes_in(row.compared) if k in self.mine]
        seen = word(row.data)
        due = word(row.expected)
        wrong = [k for k in judged if seen[k] != due[k]]
        elsewhere_wrong = [k for k in lanes_in(row.wrong) if k not in self.mine]
        floating = self.floating(row)
        told = self.answer("hard", row.cell, floating)
        if t.on_reads:
            told = self.bend(told, floating)
        differ = [k for k in judged if told[k] is not None and told[k] != due[k]]
        self.judge_hard(row, judged, seen, told, differ, wrong, elsewhere_wrong)
        q1, q2 = t.r1[row.cell], t.r2[row.cell]
        bends = t.on_reads and t.bends != "not"
        if q1 >= 0 and q2 < 0 and not bends:
            for k in self.mine:
                if (row.sure >> k) & 1 and self.cells[q1].hard[k] is None:
                    self.cells[q1].hard[k] = seen[k]
        if row.hours == "awake" and here.corrupt and q1 != row.cell and q2 < 0:
            value = self.answer("held", row.cell, floating)
            if any(here.held[k] is None for k in judged) and all(value[k] == seen[k] for k in judged):
                if wrong:
                    self.some["hit"] += 1
                    self.hashes[1].add(row.index, sum(1 << k for k in wrong))
                if wrong and not elsewhere_wrong:
                    self.some["explained"] += 1
                    self.explained_rows.append(row.index)
                return
        for k in judged:
            if here.held[k] is None and here.corrupt:
                here.held[k] = seen[k]
                self.some["unsure"] += 1
                self.found[row.index] = self.found.get(row.index, 0) | 1 << k
            elif here.held[k] is None:
                here.held[k] = due[k]
        for k in self.mine:
            if k not in judged and (row.sure >> k) & 1 and here.held[k] is None:
                here.held[k] = seen[k]
        off = [k for k in judged if seen[k] != here.held[k]]
        astray = q1 != row.cell or q2 >= 0 or bends
        value = self.answer("held", row.cell, floating) if astray else list(here.held)
        if astray and t.on_reads:
            value = self.bend(value, floating)
        explained = bool(wrong)
        if not off:
            same = row.hours == "awake" and astray and all(value[k] == seen[k] for k in judged)
            met = row.hours == "awake" and astray and not same and self.met_both(judged, seen, q1, q2, bends)
            self.some["both or none"] += 2 * met + (same and self.could_differ(row.cell, judged))
            if not same and not met:
                self.right(row, judged, astray, value, q1, q2)
        else:
            explained = self.off(row, judged, seen, off, astray, value, told, differ, wrong, bends) and bool(wrong)
        if any(told[k] not in (None, seen[k]) for k in judged):
            here.refuted = True
        if explained and not elsewhere_wrong:
            self.some["explained"] += 1
            self.explained_rows.append(row.index)

    def judge_hard(self, row, judged, seen, told, differ, wrong, elsewhere_wrong):  # type: ignore[no-untyped-def]
        agrees = all(told[k] in (None, seen[k]) for k in judged)
        self.hard["unsure"] += sum(told[k] is None for k in judged)
        if differ:
            self.hashes[0].add(row.index, sum(1 << k for k in differ))
            self.hard["hit" if agrees else "miss" if not wrong else "other"] += 1
        if agrees and wrong and not elsewhere_wrong:
            self.hard["explained"] += 1

    def miss(self, row: Row, lanes: list[int]) -> None:
        self.some["miss"] += 1
        self.hashes[1].add(row.index, sum(1 << k for k in lanes))

    def right(self, row: Row, judged: list[int], astray: bool, value: Word, q1: int, q2: int) -> None:
        here = self.cells[row.cell]
        here.lost_before = None
        if here.doubt:
            there = self.cells[q1]
            if all(there.held[k] is not None and there.held[k] == here.held[k] for k in judged):
                for k in judged:
                    there.held[k] = None
        here.doubt, here.either = False, False
        self.refute(row, judged, here)
        if astray:
            refuted = [k for k in judged if value[k] is not None and value[k] != here.held[k]]
            fighting = [k for k in judged if value[k] is None]
            both_drive = q1 >= 0 and q2 >= 0
            lucky = len(fighting) > 1 or (len(fighting) == 1 and every_second(row.index))
            if not refuted and lucky and (both_drive or self.strange(row)):
                refuted = fighting
            if refuted:
                self.miss(row, refuted)

    def refute(self, row: Row, judged: list[int], here: Cell) -> None:
        """The cell is seen to hold what it is believed to: each write that could have left anything else is a miss."""
        if here.state == "open" and here.lost:
            refuted = [k for k in judged if k in here.lost.lanes and here.lost.value[k] != here.held[k]]
            if refuted:
                here.state = "was idle"
                if not self.by_luck(row, refuted, here.lost):
                    self.miss(row, refuted)
        if here.owner is not None and here.over and self.clobber_refuted(
            row, judged, here, here.over, here.owner, here.owner_writes
        ):
            here.owner = None
        if here.owner_before is not None and here.over_before and self.clobber_refuted(
            row, judged, here, here.over_before, here.owner_before, here.owner_before_writes
        ):
            here.owner_before = None

    def clobber_refuted(
        self, row: Row, judged: list[int], here: Cell, over: Change, owned_by: int, writes: int
    ) -> bool:
        """Whether the read shows that another cell's write has not come here; that is a miss, told once."""
        refuted = [k for k in judged if k in over.lanes and over.value[k] != here.held[k]]
        if not refuted:
            return False
        owner, fresh = self.cells[owned_by], True
        if owner.writes == writes:
            fresh = owner.state == "open"
            owner.state = "was idle"
        if fresh and not self.by_luck(row, refuted, over):
            self.miss(row, refuted)
        return True

    @staticmethod
    def by_luck(row: Row, lanes: list[int], change: Change) -> bool:
        """Whether it is taken to look right by luck: of one lane that nobody knew, every second time."""
        return len(lanes) == 1 and change.value[lanes[0]] is None and not every_second(row.index)

    def met_both(self, judged: list[int], seen: Word, q1: int, q2: int, bends: bool) -> bool:
        """Whether a right read had come out the same, had the fault led it and the write before it astray."""
        if q1 < 0 or q2 >= 0 or bends:
            return False
        there = self.cells[q1]
        if there.owner is None or there.over is None or there.owner_hours == "asleep":
            return False
        return self.fits(q1, judged, seen, there.over) == []

    def strange(self, row: Row) -> bool:
        """Whether the fault leads a read of this cell to one other cell."""
        q1, q2 = self.t.r1[row.cell], self.t.r2[row.cell]
        return q1 >= 0 and q1 != row.cell and q2 < 0 and not (self.t.on_reads and self.t.bends != "not")

    def act(self, cell: int, awake: bool = False) -> None:
        here = self.cells[cell]
        lost = here.lost_before if awake and here.state == "open" and here.lost_before else here.lost
        here.state = "did act"
        if lost:
            for k in lost.lanes:
                here.held[k] = lost.value[k]
            here.corrupt = True
        for c in (self.t.w1[cell], self.t.w2[cell]):
            if c < 0 or c == cell:
                continue
            other = self.cells[c]
            if other.owner == cell and other.owner_writes == here.writes and other.over:
                for k in other.over.lanes:
                    other.held[k] = other.over.value[k]
                other.corrupt, other.owner = True, None

    def fits(self, cell: int, judged: list[int], seen: Word, change: Change) -> list[int] | None:
        """Lanes that fit only for want of knowledge; None if it does not fit."""
        held = self.cells[cell].held
        want = [change.value[k] if k in change.lanes else held[k] for k in range(LANES)]
        if any(want[k] is not None and want[k] != seen[k] for k in judged):
            return None
        return [k for k in judged if want[k] is None]

    def written_too(self, cell: int, judged: list[int], seen: Word) -> bool:
        here = self.cells[cell]
        if here.state == "open" and here.lost and self.fits(cell, judged, seen, here.lost) == []:
            return True
        if here.owner is None or not here.over:
            return False
        owner = self.cells[here.owner]
        idle = owner.writes == here.owner_writes and owner.state == "was idle"
        return not idle and self.fits(cell, judged, seen, here.over) == []

    def take(self, cell: int, judged: list[int], seen: Word) -> None:
        for k in judged:
            self.cells[cell].held[k] = seen[k]

    def off(self, row, judged, seen, off, astray, value, told, differ, wrong, bends) -> bool:  # type: ignore[no-untyped-def]
        here = self.cells[row.cell]
        if here.doubt and not wrong:
            here.doubt, here.corrupt, here.state = False, False, "was idle"
            self.take(row.cell, judged, seen)
            return False
        at_write = self.could_differ(row.cell, judged)
        chance = astray or at_write
        either, here.either = here.either, False
        if either and wrong and self.written_too(row.cell, judged, seen):
            self.written(row, judged, seen)
            self.some["two ways"] -= 1
            return True
        unsure = self.explain(row, judged, seen, off, astray, value, told, differ, bends)
        if unsure is not None:
            self.some["hit"] += 1
            self.some["unsure"] += len(unsure)
            for k in unsure:
                self.found[row.index] = self.found.get(row.index, 0) | 1 << k
            self.hashes[1].add(row.index, sum(1 << k for k in wrong))
            return True
        if not wrong:
            self.some["contradicted"] += here.corrupt
            self.take(row.cell, judged, seen)
            here.corrupt = False
        else:
            self.some["excused" if chance else "other"] += 1
            if at_write:
                self.take(row.cell, judged, seen)
        return False

    def could_differ(self, cell: int, judged: list[int]) -> bool:
        """Whether an act at a write could have left anything else than what the cell is believed to hold."""
        here = self.cells[cell]
        changes = [here.lost, here.lost_before] if here.state == "open" else []
        changes += [here.over] if here.owner is not None else []
        changes += [here.over_before] if here.owner_before is not None else []
        return any(
            change and k in change.lanes and change.value[k] != here.held[k] for change in changes for k in judged
        )

    def written(self, row: Row, judged: list[int], seen: Word) -> list[int] | None:
        """Lanes that an act at a write explains for want of knowledge; None if it does not explain the read."""
        here = self.cells[row.cell]
        if here.state == "open" and here.lost:
            for change in (here.lost, here.lost_before):
                unsure = self.fits(row.cell, judged, seen, change) if change else None
                if unsure is not None:
                    self.act(row.cell)
                    self.take(row.cell, judged, seen)
                    return unsure
        if here.owner is not None and here.over:
            owner = self.cells[here.owner]
            same = owner.writes == here.owner_writes
            unsure = self.fits(row.cell, judged, seen, here.over)
            if not (same and owner.state == "was idle") and unsure is not None:
                if same:
                    self.act(here.owner, owner.hours == "awake")
                self.take(row.cell, judged, seen)
                here.corrupt, here.owner, here.owner_before = True, None, None
                return unsure
        if here.owner_before is not None and here.over_before:
            first = self.cells[here.owner_before]
            same = first.writes == here.owner_before_writes
            if not (same and first.state == "was idle") and self.fits(row.cell, judged, seen, here.over_before) == []:
                if here.owner is not None and self.cells[here.owner].writes == here.owner_writes:
                    self.cells[here.owner].state = "was idle"
                if same:
                    self.act(here.owner_before, first.hours == "awake")
                self.take(row.cell, judged, seen)
                here.corrupt, here.owner, here.owner_before = True, None, None
                return []
        return None

    def beside(self, cell: int, q1: int, q2: int, judged: list[int], seen: Word) -> list[int] | None:
        """Lanes left open if the cell and another one answer, and that one holds what a write that met the fault left
        there: one of the last two, or one before them, of which nothing is known any more. None: it does not."""
        if cell not in (q1, q2) or min(q1, q2) < 0:
            return None
        there = self.cells[q2 if q1 == cell else q1]
        held = self.cells[cell].held
        for now in (True, False):
            owner, over = (there.owner, there.over) if now else (there.owner_before, there.over_before)
            if owner is None or not over:
                continue
            left = [over.value[k] if k in over.lanes else there.held[k] for k in range(LANES)]
            if all(self.join(held[k], left[k]) == seen[k] for k in judged):
                for k in over.lanes:
                    there.held[k] = over.value[k]
                if now:
                    there.owner = None
                else:
                    there.owner_before = None
                return []
        if there.owner_before is None or any(held[k] is None for k in judged):
            return None
        wins = 0 if self.t.joins == "low wins" else 1
        if any(held[k] == wins != seen[k] for k in judged):
            return None
        for k in judged:
            there.held[k] = seen[k] if held[k] != wins else None
        there.owner = there.owner_before = None
        return [k for k in judged if held[k] != wins]

    def note_either(self, row: Row, judged: list[int], seen: Word) -> None:
        """The read met the fault: did the last write, too, that would show the same?"""
        if self.written_too(row.cell, judged, seen):
            self.some["two ways"] += 1
            self.cells[row.cell].either = True

    def explain(self, row, judged, seen, off, astray, value, told, differ, bends):  # type: ignore[no-untyped-def]
        t, here = self.t, self.cells[row.cell]
        q1, q2 = t.r1[row.cell], t.r2[row.cell]
        fits = all(value[k] in (None, seen[k]) for k in judged)
        blind = self.strange(row) and fits and all(value[k] is None for k in off)
        if row.hours == "asleep" and self.could_differ(row.cell, judged) and self.written_too(row.cell, judged, seen):
            unsure = self.written(row, judged, seen)
            if unsure is not None:
                return unsure
        if astray:
            fights = t.joins == "nobody knows" and q1 >= 0 and q2 >= 0
            known_off = any(value[k] is not None for k in off)
            if (known_off or fights) and all(value[k] in (None, seen[k]) for k in judged):
                if self.strange(row) and known_off and all(value[k] is not None for k in judged):
                    self.refute(row, judged, self.cells[q1])
                if row.cell in (q1, q2) and min(q1, q2) >= 0 and not fights and not bends:
                    there, wins = self.cells[q2 if q1 == row.cell else q1], 0 if t.joins == "low wins" else 1
                    left = [k for k in judged if here.held[k] != wins and there.held[k] is not None]
                    self.refute(row, left, there)
                self.note_either(row, judged, seen)
                return [k for k in judged if value[k] is None]
            if q1 >= 0 and q1 != row.cell and not bends:
                there = self.cells[q1]
                lost = there.lost if there.state == "open" else None
                over = there.over if there.owner is not None else None
                for change in (lost, over):
                    if change and self.fits(q1, judged, seen, change) == []:
                        self.note_either(row, judged, seen)
                        return []
            if not fights and not bends and t.joins != "nobody knows":
                unsure = self.beside(row.cell, q1, q2, judged, seen)
                if unsure is not None:
                    self.note_either(row, judged, seen)
                    return unsure
        was = list(here.held)
        unsure = self.written(row, judged, seen)
        if unsure is not None:
            if self.strange(row):
                there = self.cells[q1].held
                led = [k for k in judged if there[k] is not None and there[k] != seen[k]]
                if led:
                    self.miss(row, led)
            elif astray and q1 < 0 and q2 < 0 and not bends and any(value[k] != seen[k] for k in judged):
                self.miss(row, [k for k in judged if value[k] != seen[k]])
            if blind and all(k in unsure for k in off):
                here.doubt = True
                if here.state != "open":
                    here.lost_before = Change(was, judged)
                self.take(q1, [k for k in judged if value[k] is None], seen)
            return unsure
        if differ and not here.refuted and all(told[k] in (None, seen[k]) for k in judged):
            if not astray:
                self.take(row.cell, judged, seen)
                here.corrupt = True
                here.state = "did act" if here.state == "open" else here.state
            return [k for k in judged if told[k] is None]
        beside = row.cell in (q1, q2) and min(q1, q2) >= 0 and t.joins != "nobody knows" and not bends
        if blind or (beside and fits and all(value[k] is None for k in off)):
            guessed = [k for k in judged if value[k] is None]
            self.take(q1 if q1 != row.cell else q2, guessed, seen)
            if blind:
                self.refute(row, judged, self.cells[q1])
            else:
                self.refute(row, guessed, self.cells[q1 if q1 != row.cell else q2])
            return guessed
        return None
