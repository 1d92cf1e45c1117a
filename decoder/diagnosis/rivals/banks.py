"""Memory that is switched in banks by something that was not told: whole blocks change at once, and back again."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.contents import log_found
from busledger.decoder.diagnosis.replay.study import Overlay, Rows
from busledger.decoder.diagnosis.replay.urns import log_filled
from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate, log_sum
from busledger.decoder.diagnosis.rivals import banks_kernel as kernel
from busledger.decoder.diagnosis.rivals import story_kernel
from busledger.decoder.diagnosis.rivals.protected import PAGE
from busledger.decoder.diagnosis.rivals.rival import Both, Excused, NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.story_kernel import folded
from busledger.decoder.diagnosis.rivals.words import counted, named, span_of

__all__ = ["banked", "block_of", "latched", "log_unwritten"]

# Judged: with fewer reads or a smaller gain than these anything would be banks; the rest are bounds of work. All
# doubled at once, and all halved: no answer of three cases changes (as in protected.py).
_FEWEST = 6  # wrong reads: fewer show no banks
_LATCHES = 64  # addresses outside memory that are tried
_VALUES = 16  # different values written to a latch, at most
_SMALLEST = 16  # cells: nothing smaller is switched in banks
# Of the wrong reads: what a latch explains at the least, and so that nothing else is judged there.
_MOST, _NEARLY_ALL = 0.6, 0.9
_CHANGES = 10  # wrong reads that are news for each of another value than its cell gave before, at the most. Judged
_PER_ODD = 20  # wrong reads that banks explain, for each that they do not: fewer are no banks
_PER_SWITCH = 2.0  # wrong reads that a switch of banks explains, at least: else anything would be banks


def banked(story: Story) -> Iterator[Rival]:
    """Regions, or the block of one in which reads are wrong, whose contents come and go together."""
    rows = story.rows
    for r in range(len(story.regions)):
        wrong = (rows.region == r) & (rows.wrong != 0)
        if np.count_nonzero(wrong) < _FEWEST:
            continue
        low, high = block_of(story, r, wrong)
        if high - low + 1 < _SMALLEST << story.study.cells.shift:
            continue
        cells = np.zeros(max(1, story.study.cells.total), np.bool_)
        span = story.study.cells.span(r)
        cells[span] = (story.address[span] >= low) & (story.address[span] <= high)
        inside = cells[rows.cell] & (rows.region == r)
        found = _follow(story, r, inside, (low, high), cells, wrong)
        if found is not None:
            yield found


def latched(story: Story) -> Iterator[Rival]:
    """Regions that are switched by what is written to an address outside all memory: each value its own bank."""
    signs = story.study.evidence.signs
    writes = signs.latches() if signs is not None else None
    if writes is None or not len(writes.time):
        return
    rows = story.rows
    in_ram = np.zeros(len(writes.time), np.bool_)
    for region in story.regions:
        if region.space != "io" and region.kind == "ram":
            in_ram |= (writes.address >= region.start) & (writes.address <= region.end) & (writes.io == 0)
    key = writes.address << 1 | writes.io
    latches: list[tuple[int, int, NDArray[np.int64], NDArray[np.intp]]] = []
    for one in np.unique(key[~in_ram]):
        mine = (key == one) & ~in_ram
        values, which = np.unique(writes.data[mine], return_inverse=True)
        if len(values) <= _VALUES:
            latches.append((int(one), len(values), writes.time[mine], which))
    latches.sort(key=lambda latch: latch[1] == 1)  # what was written but one value may have been switched once
    places: list[tuple[int, NDArray[np.bool_], tuple[int, int]]] = []
    for r in range(len(story.regions)):
        here = rows.region == r
        wrong = here & (rows.wrong != 0)
        if story.regions[r].kind == "rom" or not wrong.any():
            continue
        block = block_of(story, r, wrong)
        here &= (story.address[rows.cell] >= block[0]) & (story.address[rows.cell] <= block[1])
        places.append((r, here, block))
    # What shows the same whatever was written or switched has no banks by itself, only beside another that has. A read
    # that a loop makes again and again could not have shown more.
    news = story.repeat != story_kernel.SAME
    by_itself = {
        r
        for r, here, _ in places
        if _changes(rows.take(here)) >= max(1, int(np.count_nonzero((rows.wrong != 0) & here & news)) // _CHANGES)
    }
    if not by_itself:
        return
    found = []
    for latch in latches[:_LATCHES]:
        mine = [f for r, here, block in places if (f := _latched(story, r, here, block, latch)) is not None]
        found.append(mine if any(f.region in by_itself for f in mine) else [])
    for r in sorted(by_itself):
        mine = [f for of_latch in found for f in of_latch if f.region == r and f.explains >= _FEWEST]
        if mine:
            yield max(mine, key=lambda f: f.log_own)
    # One latch may switch what is several regions to the board file, or to what was written where.
    joint = [
        (latch[0], of_latch)
        for latch, of_latch in zip(latches, found, strict=False)
        if len(of_latch) > 1 and max(f.explains for f in of_latch) >= _FEWEST
    ]
    if joint:
        yield _together(*max(joint, key=lambda one: sum(f.explains for f in one[1])))


def _said(where: str, are: str, key: int) -> str:
    """``key``: the latch's address and 1 for io."""
    latch = f"{key >> 1:04X}{' (I/O)' if key & 1 else ''}"
    return f"{where} {are} switched in banks by a write to {latch}: say so in the board file"


def _together(key: int, found: Sequence[Rival]) -> Rival:
    """One latch that switches several regions: what each shows, and that there is such a latch, once."""
    first = max(found, key=lambda f: f.explains)
    spans = [f.addresses for f in found if f.addresses is not None]
    where = ", ".join(span_of(span) for span in sorted(spans))
    index = np.unique(np.concatenate([f.index for f in found]))
    overlay: Overlay = found[0].taken
    for f in found[1:]:
        overlay = Both(overlay, f.taken)
    return replace(
        first,
        region=None,
        addresses=(min(low for low, _ in spans), max(high for _, high in spans)),
        log_own=sum(f.log_own for f in found) + (len(found) - 1) * math.log(_LATCHES),
        explains=len(index),
        against=sum(f.against for f in found),
        summary=_said(where, "are", key),
        evidence=tuple(f"{span_of(f.addresses)}: {text}" for f in found if f.addresses for text in f.evidence),
        propose=tuple(line for f in found for line in f.propose),
        index=index,
        taken=overlay,
    )


def _latched(
    story: Story,
    r: int,
    here: NDArray[np.bool_],
    block: tuple[int, int],
    latch: tuple[int, int, NDArray[np.int64], NDArray[np.intp]],
) -> Rival | None:
    """The region with a bank for each value of the latch (its address and 1 for io, how many values, when it was
    written, which value); before its first write the bank is one of its own."""
    key, values, time, which = latch
    rows, region, size = story.rows.take(here), story.regions[r], story.study.cells.size[r]
    at = np.searchsorted(time, rows.time, side="left") - 1
    total = size * (values + 2)
    # Which bank it is before the latch is first written: one of its own, or one of its values'. Or one of them is a
    # ROM that writes pass by, to the memory under it.
    ways = [(before, -1) for before in range(values + 1)] if values > 1 else [(1, -1)]
    ways += [(before, rom) for rom in range(values + 1) for before in {rom, values}]
    tried = []
    for before, rom in ways:
        bank = np.where(at >= 0, which[np.maximum(at, 0)], before)
        there = bank if rom < 0 else np.where((bank == rom) & ~rows.is_write, rom, values + 1)
        cell = (rows.cell - story.study.cells.base[r] + size * there).astype(np.int32)
        memory, known = np.zeros(total, np.uint32), np.zeros(total, np.uint32)
        found = np.zeros(len(rows), np.uint8)
        folded(
            cell, rows.is_write, rows.data, rows.sure, rows.lanes, rows.compared, rows.wrong,
            np.arange(total, dtype=np.int32), memory, known, found,
        )  # fmt: skip
        odd = int(np.count_nonzero((found == 2) | (found == 3)))
        tried.append((10 * odd + int(np.count_nonzero(found == 4)), before, rom, found))
    _, _, rom, verdict = min(tried, key=lambda t: t[:3])
    wrong = rows.wrong != 0
    first = verdict == 4
    hits = int(np.count_nonzero(verdict == 1))
    against = int(np.count_nonzero((verdict == 2) | (verdict == 3)))
    explained = wrong & ((verdict == 1) | first)
    count = int(np.count_nonzero(explained))
    share = count / max(1, int(np.count_nonzero(wrong)))
    if not count or share < _MOST or against > count // 10:
        return None
    unknown = log_unwritten(story, here, first)
    address, io = key >> 1, key & 1
    cells = np.zeros(max(1, story.study.cells.total), np.bool_)
    cells[rows.cell] = True
    space = "io" if io else "memory"
    return Rival(
        fault="banked",
        scope="machine",
        region=r,
        addresses=block,
        log_prior=prior_of("banked", chips=story.has_chips(r)),
        log_own=log_rate(hits, against, HARD) + unknown - math.log(_LATCHES),
        explains=count,
        against=against,
        summary=_said(span_of(block), "is", key),
        evidence=(
            f"with {'a ROM' if rom >= 0 else 'a bank'} for {'one' if rom >= 0 else 'each'} of the {values} values "
            f"written there, {counted(hits, 'wrong read')} give what was last seen there; {against} do not",
        ),
        next_step=f"Say in the board file which value of {address:04X} switches which bank in, and check again.",
        propose=(
            "[[region]]",
            f'name = "{named(region)}_bank0"',
            f"start = 0x{block[0]:04X}",
            f"end = 0x{block[1]:04X}",
            f'kind = "{region.kind}"',
            f'when = {{ latch = 0x{address:04X}, space = "{space}", value = 0 }}',
        ),
        index=rows.index[explained],
        taken=NotJudged(cells) if share >= _NEARLY_ALL else Excused(rows.index[explained]),
    )


def log_unwritten(story: Story, here: NDArray[np.bool_], first: NDArray[np.bool_]) -> float:
    """``_log_found`` of those rows of ``here`` that are the ``first`` to tell of their cell and bank."""
    rows = story.rows.take(here)
    blank = first & ~_found_as_expected(story, here)
    left = _log_found(rows.data[blank], rows.compared[blank])
    # Or what any memory holds of which nobody knows, as faults that lead reads astray have it.
    study, found = story.study, rows.take(np.flatnonzero(blank))
    ideas = [left, log_found(study.card, study.cells, found.cell, found.data, found.compared)]
    return log_sum(ideas) - math.log(2.0)


def _log_found(data: NDArray[np.uint32], compared: NDArray[np.uint32]) -> float:
    """Log probability of what banks are found to hold that nobody was seen to write: anything, or what a program left
    there before; values in the order of time."""
    anything = -float(np.bitwise_count(compared).sum()) * math.log(2.0)
    left = log_filled(data & compared, int(np.bitwise_or.reduce(compared, initial=0)))
    return log_sum([anything, left]) - math.log(2.0)


def _changes(rows: Rows) -> int:
    """Reads that give another value than the last read of their cell."""
    reads = np.flatnonzero(~rows.is_write)
    order = reads[np.argsort(rows.cell[reads], kind="stable")]
    one, two = order[:-1], order[1:]
    other = (rows.data[one] ^ rows.data[two]) & rows.sure[one] & rows.sure[two]
    return int(np.count_nonzero((rows.cell[one] == rows.cell[two]) & (other != 0)))


def _found_as_expected(story: Story, here: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """Right reads of cells that nobody wrote: what they hold is known from the reads themselves, whoever is weighed,
    and only the lanes on which those agree are compared at all."""
    rows = story.rows
    written = np.full(max(1, story.study.cells.total), len(rows), np.int64)
    writes = np.flatnonzero(rows.is_write)[::-1]
    written[rows.cell[writes]] = writes  # the first one of each cell
    unwritten = np.arange(len(rows)) < written[rows.cell]
    found: NDArray[np.bool_] = unwritten & (rows.compared != 0) & (rows.wrong == 0)
    return found if here is None else found[here]


def block_of(story: Story, r: int, wrong: NDArray[np.bool_]) -> tuple[int, int]:
    """The smallest aligned power of two that holds every wrong read of a region; where chips are named a page at the
    least, for no decoder of memory parts less."""
    address = story.address[story.rows.cell[wrong]]
    start, end = int(address.min()), int(address.max())
    size = PAGE if story.has_chips(r) else 1 << story.study.cells.shift
    while start // size != end // size:
        size *= 2
    region = story.regions[r]
    low = start // size * size
    return max(region.start, low), min(region.end, low + size - 1)


def _follow(
    story: Story,
    r: int,
    inside: NDArray[np.bool_],
    block: tuple[int, int],
    cells: NDArray[np.bool_],
    wrong: NDArray[np.bool_],
) -> Rival | None:
    rows = story.rows
    # What the kernel would have to tell of some reads, all of them may show at the most.
    every = int(np.count_nonzero(wrong & inside))
    if _came_back(story, inside, wrong & inside) < _back_needed(every - every // _PER_ODD):
        return None
    total = max(1, story.study.cells.total)
    bank, said = np.zeros(len(rows), np.int8), np.zeros(len(rows), np.uint8)
    mark = np.zeros(total, np.int32)
    content, known = (np.zeros((kernel.MOST_BANKS, total), np.uint32) for _ in range(2))
    banks = int(
        kernel.follow(
            rows.cell, rows.is_write, rows.data, rows.sure, rows.lanes, inside, content, known, mark,
            np.empty((kernel.PENDING, kernel.WAITS), np.uint32), bank, said,
        )
    )  # fmt: skip
    switches = np.flatnonzero(said == kernel.SWITCHES)
    odd = int(np.count_nonzero(said == kernel.CONTRADICTS))
    hits = every - odd
    agrees = int(np.count_nonzero(said == kernel.AGREES))
    came_back = _came_back(story, (said == kernel.AGREES) | (said == kernel.SWITCHES), wrong & inside)
    if banks < 2 or odd > hits // _PER_ODD or hits < _PER_SWITCH * len(switches) or len(switches) < 2:
        return None
    if came_back < _back_needed(hits):
        return None
    latch, told = _latch(story, switches, np.flatnonzero(said == kernel.AGREES))
    # When it is switched has to be known for each switch: of the writes to the latch, or of all accesses.
    moments = len(switches) * math.log(max(2, int(np.count_nonzero(inside)) if latch is None else told))
    # What a bank holds where it was never seen has to be found out, also where it is what another bank was given.
    blank = (said == kernel.LEARNS) | (said == kernel.SWITCHES)
    blank[switches] = story.older[switches] & 1 == 0
    blank &= ~_found_as_expected(story)
    new = _log_found(rows.data[blank], rows.compared[blank])
    chips = story.has_chips(r)
    where = span_of(block)
    by = f"a write to {latch[0]:04X}" if latch is not None else "something that is not on the clips"
    rival_when = (
        f'when = {{ latch = 0x{latch[0]:04X}, space = "{"io" if latch[1] else "memory"}", value = 0 }}'
        if latch is not None
        else 'when = { line = "BANK0", level = 0 }'
    )
    region = story.regions[r]
    return Rival(
        fault="banked",
        scope="machine",
        region=r,
        addresses=block,
        log_prior=prior_of("banked", chips=chips),
        log_own=log_rate(agrees, odd, HARD) - moments + new,
        explains=hits,
        against=odd,
        summary=f"{where} is switched between {banks} banks by {by}: say so in the board file",
        evidence=(
            f"{counted(len(switches), 'time')} the contents change together, and what was held before comes back: "
            f"{counted(hits, 'wrong read')} explained, {odd} not",
            *((f"{told} of {len(switches)} changes follow a write to {latch[0]:04X}",) if latch is not None else ()),
        ),
        next_step=(
            f"Say in the board file which value of {latch[0]:04X} switches which bank in."
            if latch is not None
            else "Find the latch or line that switches the banks, clip it, and say in the board file which is which."
        ),
        propose=(
            "[[region]]",
            f'name = "{named(region)}_bank0"',
            f"start = 0x{block[0]:04X}",
            f"end = 0x{block[1]:04X}",
            f'kind = "{region.kind}"',
            rival_when,
        ),
        index=rows.index[wrong & inside],
        taken=NotJudged(cells),
    )


def _back_needed(hits: int) -> int:
    """Of ``hits`` explained reads, how many must give again what their cell held before."""
    return max(3, hits // 10)


def _came_back(story: Story, told: NDArray[np.bool_], wrong: NDArray[np.bool_]) -> int:
    """Reads that give again what their cell held before it gave something else: of what is switched in now and then,
    that which comes back may be the other bank, or what the reads were held against all the time."""
    again = (story.rows.compared != 0) & (story.rows.wrong == 0) & (story.repeat == story_kernel.OTHER)
    return int(np.count_nonzero(told & (again | (wrong & (story.older & 1 == 1)))))


def _latch(story: Story, switches: NDArray[np.intp], agrees: NDArray[np.intp]) -> tuple[tuple[int, int] | None, int]:
    """((address, 1 for io) of the latch, changes that follow a write to it).

    That is the address outside all regions that is written between the last read that fits the bank before and the
    first that shows the bank after, for (nearly) every switch, where chance would seldom have it written there.
    """
    signs = story.study.evidence.signs
    writes = signs.latches() if signs is not None else None
    if writes is None or not len(writes.time):
        return None, 0
    inside = np.zeros(len(writes.time), np.bool_)
    for region in story.regions:
        if region.space != "io" and region.kind == "ram":
            inside |= (writes.address >= region.start) & (writes.address <= region.end) & (writes.io == 0)
    time, key = writes.time[~inside], (writes.address << 1 | writes.io)[~inside]
    rows = story.rows
    until = rows.time[switches]
    at = np.searchsorted(agrees, switches) - 1
    since = np.where(at >= 0, rows.time[agrees[np.maximum(at, 0)]] if len(agrees) else 0, 0)
    whole = max(1, int(rows.time[-1]) - int(rows.time[0]))
    best: tuple[tuple[int, int] | None, int] = (None, 0)
    for one in np.unique(key):
        mine = time[key == one]
        follows = int((np.searchsorted(mine, until, side="right") > np.searchsorted(mine, since, side="right")).sum())
        chance = float(np.minimum(1.0, len(mine) * (until - since) / whole).mean())
        if follows >= max(2, 0.9 * len(switches)) and chance < 0.5 and follows > best[1]:
            best = ((int(one >> 1), int(one & 1)), follows)
    return best
