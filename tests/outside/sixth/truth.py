"""The truth of a case, by playing the same accesses again: with all faults, one mended, or another."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from .card import IDLE, READS, WRITES, Card, Fault, Quirk
from .cpus import Log, access
from .faults import cell_faults, chip_faults, row_faults, wide_faults


@dataclass
class Ledger:
    """What each read is compared with: the level expected, or -1 where nothing is known."""

    expected: list[int]
    mismatch: list[int]  # access numbers of reads that are wrong

    @property
    def compared(self) -> int:
        """Reads that are compared."""
        return sum(e >= 0 for e in self.expected)


def keep_books(card: Card, log: Log, skip: int, images: bool, hidden: Iterable[int] = ()) -> Ledger:
    """Keep what was written, as the bus showed it, from the first access that the capture has."""
    known: dict[int, int] = {}
    where: dict[int, bool] = {}
    for number, row in enumerate(card.rows):
        if number in set(hidden):
            continue
        for at in range(row.size):
            where[row.start + at] = row.kind == "ram"
            if row.kind == "rom" and images:
                known[row.start + at] = row.image[at]
    expected, wrong = [], []
    for i, kind in enumerate(log.kind):
        want = -1
        if i >= skip:
            address = log.address[i]
            if kind in WRITES and where.get(address):
                known[address] = log.data[i]
            elif kind in READS:
                want = known.get(address, -1)
                if want >= 0 and want != log.data[i]:
                    wrong.append(i)
        expected.append(want)
    return Ledger(expected, wrong)


def play(card: Card, faults: list[Fault], log: Log, quirk: Quirk | None = None) -> list[int]:
    """Play the same accesses on a card with these faults; give the level of the data bus in each."""
    card.faults = faults
    card.start()
    left, levels = 0xFF, []
    for i, kind in enumerate(log.kind):
        if kind in READS or kind in WRITES:
            levels.append(access(card, quirk, i, kind, log.address[i], log.sent[i], left))
        else:
            levels.append(log.data[i])
        left = log.data[i]
    return levels


def alike(card: Card, faults: list[Fault], log: Log, books: Ledger, order: list[int]) -> bool:
    """Say whether these faults give every compared read as it was; stops at the first that is not."""
    card.faults = faults
    card.start()
    left = 0xFF
    kinds, addresses, sent, data, expected = log.kind, log.address, log.sent, log.data, books.expected
    for i in order:
        kind = kinds[i]
        left = data[i - 1] if i else 0xFF
        if kind in WRITES:
            card.write(i, addresses[i], sent[i], left)
        elif card.read(i, addresses[i], left)[0] != data[i] and expected[i] >= 0:
            return False
    return True


def memory_accesses(log: Log) -> list[int]:
    """Number the accesses that memory takes part in."""
    return [i for i, k in enumerate(log.kind) if k != IDLE and (k in READS or k in WRITES)]


def shows(log: Log, books: Ledger, levels: list[int]) -> list[int]:
    """Number the compared reads that would have been otherwise."""
    return [i for i, e in enumerate(books.expected) if e >= 0 and levels[i] != log.data[i]]


def rivals_of(card: Card, fault: Fault, wrong: list[int], log: Log) -> list[Fault]:
    """List the answers that might read like a fault: on the rows where it shows, and on what all rows share."""
    rows = sorted({card.where[log.address[i]] for i in wrong} | ({fault.region} if fault.region > 0 else set()))
    found: list[Fault] = []
    for row in rows:
        if row < 1:
            continue
        found += chip_faults(card, row)
        found += row_faults(card, row)
        cells = {log.address[i] - card.rows[row].start for i in wrong if card.where[log.address[i]] == row}
        if len(cells) <= 2:
            lanes = [1 << n for n in range(8) if fault.mask >> n & 1]
            for cell in cells:
                found += [
                    f for lane in lanes for f in cell_faults(card, row, cell, lane, []) if f.kind.startswith("stuck")
                ]
    return found + list(wide_faults(card))


def alternatives(
    card: Card, faults: list[Fault], number: int, log: Log, books: Ledger, wrong: list[int]
) -> list[Fault]:
    """List what else gives every compared read as it was, in the place of one fault, the others as they are."""
    fault = faults[number]
    order = memory_accesses(log)
    card.start()
    home = [card.where[log.address[i]] for i in order]
    rams = [i for i, r in zip(order, home, strict=True) if r > 0]
    by_row = {row: [i for i, r in zip(order, home, strict=True) if r == row] for row in set(home)}
    others = faults[:number] + faults[number + 1 :]
    only = frozenset(wrong)
    found = []
    for rival in rivals_of(card, fault, wrong, log):
        tries = [replace(rival, active=fault.active, how=fault.how)]
        if fault.how != "hard" or len(wrong) < 6:
            tries.append(replace(rival, active=lambda i, _a, _l: i in only, how="at these reads"))
        near = order if not card.driver else rams
        if card.pull_inner or not card.driver:
            local = all(f.scope in ("chip", "cell", "region") for f in (rival, fault))
            if local and not any(f.scope == "decoder" for f in others):
                near = sorted(i for row in {rival.region, fault.region} for i in by_row.get(row, []))
        for one in tries:
            if alike(card, [*others, one], log, books, near):
                found.append(one)
                break
    card.faults = faults
    return found
