"""Slow twins of the rivals' kernels, from their descriptions: one access at a time, plain dictionaries."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Access:
    """One access: ``compared``, ``wrong`` masks of a read; all lanes are known and in use."""

    cell: int
    write: bool
    data: int
    compared: int = 0
    wrong: int = 0


@dataclass
class StoryTwin:
    """What became of each cell. ``held`` remembers so many different contents, the latest last."""

    held: int
    contents: dict[int, list[int]] = field(default_factory=dict)
    believed: dict[int, int] = field(default_factory=dict)
    last_read: dict[int, int] = field(default_factory=dict)
    unread: dict[int, bool] = field(default_factory=dict)
    changed: dict[int, bool] = field(default_factory=dict)
    sound: dict[int, int] = field(default_factory=dict)

    def remember(self, cell: int, value: int) -> None:
        had = [v for v in self.contents.get(cell, []) if v != value]
        self.contents[cell] = [*had, value][-self.held :]

    def tell(self, number: int, a: Access) -> tuple[str, str, int, int]:
        """(took, repeat, older, since) of one access."""
        since = self.sound.get(a.cell, -1)
        if a.write:
            self.unread[a.cell] = True
            self.changed[a.cell] = a.cell in self.believed and self.believed[a.cell] != a.data
            self.remember(a.cell, a.data)
            self.believed[a.cell], self.sound[a.cell] = a.data, number
            return "no test", "first", 0, since
        before = self.last_read.get(a.cell)
        repeat = "first"
        if not self.unread.get(a.cell) and before is not None:
            repeat = "same" if before == a.data else "other"
        as_before = before is not None and (before ^ a.data) & a.compared == 0
        took = "no test"
        if self.changed.get(a.cell) and a.compared:
            took = "stayed" if as_before else "neither"
            if not a.wrong:
                took = "to and fro" if as_before else "took"  # it may have held that all along
        older = 0
        if a.wrong:
            fits = [(v ^ a.data) & a.compared == 0 for v in reversed(self.contents.get(a.cell, []))]
            older = 1 | fits.index(True) << 2 if any(fits) else 0  # and how many came since
            older |= 2 * as_before
        elif a.compared:
            self.sound[a.cell] = number
        self.unread[a.cell] = self.changed[a.cell] = False
        self.remember(a.cell, a.data)
        self.believed[a.cell] = self.last_read[a.cell] = a.data
        return took, repeat, older, since


def folded(accesses: list[Access], target: list[int]) -> list[str]:
    """The accesses as memory gives them whose cell c lives in ``target[c]``."""
    memory: dict[int, int] = {}
    said = []
    for a in accesses:
        home = target[a.cell]
        told = "-"
        if home >= 0 and a.write:
            memory[home] = a.data
        elif home >= 0 and not a.write:
            if home not in memory or not a.compared:
                told = "first" if a.compared else "-"
                memory[home] = a.data
            else:
                right = (memory[home] ^ a.data) & a.compared == 0
                told = ("hit" if right else "other") if a.wrong else "-" if right else "miss"
        said.append(told)
    return said


def either(accesses: list[Access], first: int, partner: list[int], sides: int) -> list[tuple[int, int]]:
    """(hit, open) of each access where it may have gone to its cell or to the partner."""
    held: dict[int, list[int]] = {}
    said = []
    for number, a in enumerate(accesses):
        other = partner[a.cell]
        hit = open_ = 0
        if not a.write and a.compared and other >= 0 and number >= first:
            known = held.get(a.cell, []) + held.get(other, [])
            fits = [(v ^ a.data) & a.compared == 0 for v in known]
            if a.wrong:
                blank = not held.get(a.cell) or not held.get(other)
                hit = 1 if any(fits) else 2 if blank else 0
            elif not all(fits):
                open_ = 1
        if a.write or not a.wrong or hit:
            before = held.get(a.cell, []) if number >= first else []
            held[a.cell] = [*(v for v in before if v != a.data), a.data][-sides:]
        said.append((hit, open_))
    return said
