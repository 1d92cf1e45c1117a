"""Each region's select, as clipped, against the addresses of all cycles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board
from busledger.decoder.bus import KIND_NAMES, Profile
from busledger.decoder.checks.lines import WRITES, Setting, kinds_of_regions, pins, relevant_mask, rule_strobes
from busledger.decoder.checks.results import CheckFinding, RegionSelect, Weight
from busledger.decoder.checks.selects.region_kernel import BY_VALUE, count_selects
from busledger.decoder.checks.windows import CycleJoin, Joined

__all__ = ["RegionSelects"]

_TRANSFERS = ("read", "write", "opcode-fetch", "io-read", "io-write", "dma-read", "dma-write")
# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
FEW = 3
"""Fewer cycles may be a probe's: a pulse on the strobe's clip makes a cycle that the card never saw."""
RARE = 0.002
"""So small a share of the cycles is a doubt, not a fault, as for the lanes of a driver (``buffer_verdict.SHARE``): an
address read wrong as often makes as many. A fault that comes as seldom shows in the data it spoils."""


class RegionSelects:
    """Counts by region and select; the last group is cycles outside all regions."""

    def __init__(self, board: Board, profile: Profile, setting: Setting) -> None:
        self._board, self._profile, self._setting = board, profile, setting
        self.join = CycleJoin(rule_strobes(profile, setting))
        named = [r.select for r in board.regions if r.select is not None and r.select in setting.clipped]
        self._selects = tuple(dict.fromkeys(named))
        self._pins = pins(setting.names, self._selects)
        self._watched = relevant_mask(setting.words, self._pins)
        groups, n = len(board.regions) + 1, len(self._selects)
        width = 1 << n if n <= BY_VALUE else 0
        self._room = np.zeros((groups, width), np.int64), np.zeros((groups, width), np.int64)
        self._own = np.array(
            [self._selects.index(r.select) if r.select in self._selects else -1 for r in board.regions] + [-1], np.int64
        )
        self._active = np.array([self._active_level(line) for line in self._selects], np.int64)
        self._counts = np.zeros((groups, n, 2), np.int64)
        self._first = np.full((groups, n, 2), -1, np.int64)
        self.answered: NDArray[np.int64] = np.zeros(len(board.regions), np.int64)
        self._late = np.zeros(n, np.int64)
        self._late_first = np.full(n, -1, np.int64)
        self._groups = _group_table(np.array([r.kind == "rom" for r in board.regions] + [False], np.bool_))
        self._memory = np.array([profile.space(i) != "io" for i in range(len(profile.rules))], np.bool_)

    def _active_level(self, line: str) -> int:
        """The level at which a select line selects: as its decoder's table has it, else low (common practice)."""
        for decoder in self._board.decoders:
            for pin, made in decoder.outputs.items():
                if made == line:
                    word = decoder.part.lookup >> decoder.part.outputs.index(pin)
                    return 0 if 2 * int((word & 1).sum()) >= word.size else 1
        return 0

    @property
    def watches(self) -> bool:
        """Whether any select is clipped at all."""
        return bool(self._selects)

    def take(self, joined: Sequence[Joined]) -> None:
        """Cycles with their windows, regions filled in."""
        for one in joined if self._selects else ():
            self._count(one)

    def results(self) -> tuple[tuple[RegionSelect, ...], list[CheckFinding]]:
        """The regions with a clipped select, and what is wrong with them."""
        if not self._selects:
            return (), []
        regions = tuple(
            self._region(index) for index, region in enumerate(self._board.regions) if self._own[index] >= 0
        )
        return regions, self._findings()

    def _count(self, joined: Joined) -> None:
        cycles = joined.cycles
        group: NDArray[np.int64] = self._groups.take(kinds_of_regions(cycles), mode="wrap")
        if not self._memory.all():
            group[(cycles.region < 0) & ~self._memory[cycles.rule]] = -1
        count_selects(
            joined.windows, group, cycles.time,
            self._setting.skew_ticks, (self._pins.word, self._pins.bit, self._watched), self._own, self._active,
            self._counts, self._first, self._late, self._late_first, self._room,
        )  # fmt: skip

    def _seen(self, group: int, select: int, active: bool) -> int:
        level = int(self._active[select]) if active else 1 - int(self._active[select])
        return int(self._counts[group, select, level])

    def _first_s(self, group: int, select: int, active: bool) -> float | None:
        level = int(self._active[select]) if active else 1 - int(self._active[select])
        return self._setting.seconds(int(self._first[group, select, level]))

    def _foreign(self, index: int) -> dict[int, int]:
        """Other groups (with a select of their own) in whose cycles this region's select was active."""
        s, regions = int(self._own[index]), self._board.regions
        came = self._counts[: len(regions), s, self._active[s]]
        return {
            g: int(came[g])
            for g in np.flatnonzero(came).tolist()  # in few
            if g != index and self._own[g] != s and regions[g].space == regions[index].space
        }

    def _region(self, index: int) -> RegionSelect:
        region, s = self._board.regions[index], int(self._own[index])
        foreign = self._foreign(index)
        firsts = [t for g in foreign if (t := self._first_s(g, s, True)) is not None]
        return RegionSelect(
            region=region.name,
            select=self._selects[s],
            active_level=int(self._active[s]),
            cycles=int(self._counts[index, s].sum()),
            missing=self._seen(index, s, False),
            late=int(self._late[s]),
            answered=int(self.answered[index]),
            extra={self._board.regions[g].name: n for g, n in foreign.items()},
            outside=self._seen(len(self._board.regions), s, True),
            first_missing_s=self._first_s(index, s, False),
            first_extra_s=min(firsts, default=None),
        )

    def _findings(self) -> list[CheckFinding]:
        found: list[CheckFinding] = []
        told: set[tuple[int, int]] = set()
        late_told: set[int] = set()  # regions may share a select
        indices = [i for i in range(len(self._board.regions)) if self._own[i] >= 0]
        for i in indices:
            foreign = self._foreign(i)
            for j in foreign:
                if j in indices and self._swapped(i, j) and (j, i) not in told:
                    told.update({(i, j), (j, i)})
                    found.append(self._finding("select-swapped", i, j, self._seen(i, int(self._own[i]), False)))
        swapped = {i for pair in told for i in pair}
        for i in indices:
            missing = self._seen(i, int(self._own[i]), False)
            if missing and i not in swapped:
                found.append(self._finding("select-missing", i, None, missing))
            for j, count in self._foreign(i).items():
                if (i, j) not in told:
                    found.append(self._finding("select-extra", i, j, count))
            late = int(self._late[self._own[i]])
            if late and self._own[i] not in late_told and self._counts[i, self._own[i]].any():
                late_told.add(int(self._own[i]))
                found.append(self._finding("select-late", i, None, late))
        return sorted(found, key=lambda f: (f.code == "select-late", -f.count / max(f.of, 1)))

    def _swapped(self, i: int, j: int) -> bool:
        """Each select is missing about as often as it comes for the other region."""
        si, sj = int(self._own[i]), int(self._own[j])
        pairs = (
            (self._seen(i, si, False), self._seen(i, sj, True)),
            (self._seen(j, sj, False), self._seen(j, si, True)),
        )
        return all(missing and other and 0.8 <= other / missing <= 1.25 for missing, other in pairs)

    def _finding(self, code: str, i: int, j: int | None, count: int) -> CheckFinding:
        region, s = self._board.regions[i], int(self._own[i])
        other = self._board.regions[j] if j is not None else None
        source = self._board.select_source(region)
        of = int(self._counts[j if code == "select-extra" and j is not None else i, s].sum())
        line = self._selects[s]
        lines: tuple[str, ...] = (line,)
        if code == "select-swapped" and other is not None and j is not None:
            lines = (line, self._selects[int(self._own[j])])
            text = f"{' and '.join(lines)} are exchanged: {line} comes for {other.name} instead of {region.name}"
        elif code == "select-extra" and other is not None:
            text = f"{line} ({region.name}) also comes in cycles of {other.name}"
        elif code == "select-late":
            text = f"{line} ({region.name}) comes only in the second half of the strobe"
        else:
            text = f"{line} does not come in cycles of {region.name}"
        when = {
            "select-extra": self._first_s(j, s, True) if j is not None else None,
            "select-late": self._setting.seconds(int(self._late_first[s])),
        }.get(code, self._first_s(i, s, False))
        return CheckFinding(
            code=code,
            weight=_weight(code, count, of),
            text=f"{text}: {count} of {of}",
            component=source[0].designator if source else None,
            lines=lines,
            region=region.name,
            other_region=other.name if other else None,
            count=count,
            of=of,
            first_time_s=when,
        )


def _group_table(rom: NDArray[np.bool_]) -> NDArray[np.int64]:
    """int64 by ``kinds_of_regions``: the row of the counts, the last one outside all regions; -1 = not counted."""
    table = np.full((len(rom), len(KIND_NAMES)), -1, np.int64)
    moves = np.array([name in _TRANSFERS for name in KIND_NAMES], np.bool_)
    table[:, moves] = np.arange(len(rom))[:, None]
    table[np.ix_(rom, WRITES)] = -1  # nobody need select a ROM to write it
    return table.reshape(-1)


def _weight(code: str, count: int, of: int) -> Weight:
    """How sure a count is of a fault."""
    if code == "select-late":
        # Many boards let a select through with a late part of the strobe: too late is only what spoils the data.
        return "note" if 2 * count >= of else "doubt"
    return "fault" if 2 * count >= of or (count >= FEW and count >= RARE * of) else "doubt"
