"""Memory that cannot be written, always or at times: ROM, or write-protected by a switch, a link or a latch."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Region
from busledger.decoder.diagnosis.faults.lost_writes import log_prior_at_times, log_prior_never_written
from busledger.decoder.diagnosis.replay.contents import log_found
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.weighing import HARD, SOMETIMES, log_chances, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.rival import Excused, NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, named, span_of, stated

__all__ = ["PAGE", "read_only"]

LN2 = math.log(2.0)
# Both doubled at once, and both halved: no answer of a device, banks and a write-protected region changes (seed 86500
# of the outside world, ``tests.outside.sensitivity``).
_STRETCH = 4.0  # judged: writes in a row that do not take, in the mean
PAGE = 256  # judged: addresses, the least that is protected, or switched in, by itself where chips of memory are named
_BLOCK = 16  # judged; cells: a smaller block is not protected by anything of the time
_FEW_CELLS, _FEW_WRONG = 3, 6  # judged: fewer cells, and fewer wrong reads, show no switch
# Judged, nats: where no read tells a switch from a contact or an open write line, no part is likelier than not.
_TIE = 0.05


def read_only(story: Story) -> Iterator[Rival]:
    """Blocks in which writes never take, and reads agree with each other."""
    rows = story.rows
    # The first read after a write tells whether it took, whether or not what was there before is known.
    told = ~rows.is_write & (story.repeat == kernel.FIRST) & (rows.compared != 0) & (story.since >= 0)
    told[told] = rows.is_write[story.since[told]] | (rows.wrong[told] != 0)
    # What is read right may have lain there by chance; only what was something else before shows that the write took.
    stayed, took = story.per_cell(told & (rows.wrong != 0)), story.per_cell(story.took == kernel.TOOK)
    bare = [r for r, region in enumerate(story.regions) if region.kind != "rom" and not story.has_chips(r)]
    for r, region in enumerate(story.regions):
        if region.kind == "rom":
            continue
        span = story.study.cells.span(r)
        fixed = (stayed[span] > 0) & (took[span] <= 0.05 * stayed[span])
        block = _block(story.address[span], fixed, took[span] > 0)
        parts = 0.0
        if block is not None and story.has_chips(r) and _within_a_page(story.address[span], block, took[span] > 0):
            parts = _log_places(*block, region.start, region.end)
            block = block if _of_several_chips(story, r, block) else None
        tried = (_fixed(story, r, block, parts) if block is not None else None, _at_times(story, [r], stayed > 0, told))
        yield from (found for found in tried if found is not None)
    # Without chips a region is what the traffic makes of it: one block may be several.
    several = [r for r in bare if (stayed[story.study.cells.span(r)] > 0).any()]
    if len(several) > 1 and (found := _at_times(story, bare, stayed > 0, told)) is not None:
        yield found


def _block(address: NDArray[np.int64], fixed: NDArray[np.bool_], taking: NDArray[np.bool_]) -> tuple[int, int] | None:
    """The largest aligned power of two with fixed cells and (next to) none that takes writes."""
    best: tuple[int, int, int] | None = None
    size = _BLOCK
    whole = int(address.max()) - int(address.min()) + 1
    while size <= 2 * whole:
        number = address // size
        count, yes = np.bincount(number - number.min(), fixed), np.bincount(number - number.min(), taking & ~fixed)
        for k in np.flatnonzero((count >= _BLOCK // 2) & (yes <= 0.01 * count)):
            # The smallest block that holds as many.
            if best is None or count[k] > best[0]:
                start = int(k + number.min()) * size
                best = (int(count[k]), start, start + size - 1)
        size *= 2
    if best is None:
        return None
    return max(best[1], int(address.min())), min(best[2], int(address.max()))


def _within_a_page(address: NDArray[np.int64], block: tuple[int, int], taking: NDArray[np.bool_]) -> bool:
    """Whether writes take in the same page beside the block: what protects memory goes by a decoder, and no decoder
    of memory parts less; rows of the cells of a chip do."""
    low, high = block[0] // PAGE * PAGE, block[1] // PAGE * PAGE + PAGE - 1
    beside = (address >= low) & (address <= high) & ((address < block[0]) | (address > block[1]))
    return bool((taking & beside).any())


def _of_several_chips(story: Story, r: int, block: tuple[int, int]) -> bool:
    """Whether more than one chip of the region keeps what it held there: rows of cells are one chip's."""
    rows = story.rows
    address = story.address[rows.cell]
    there = (rows.region == r) & (address >= block[0]) & (address <= block[1])
    wrong = int(np.bitwise_or.reduce(rows.wrong[there], initial=0))
    lanes: dict[str, int] = {}
    for chip in story.regions[r].chips:
        lanes[chip.designator] = lanes.get(chip.designator, 0) | sum(1 << lane for lane in chip.lanes)
    return sum(mask & wrong != 0 for mask in lanes.values()) > 1


def _log_places(low: int, high: int, start: int, end: int) -> float:
    """Log of how many blocks of ``start`` to ``end`` it might have been: whole, a power of two as decoders make them,
    or any."""
    size = high - low + 1
    span = end - start + 1
    if size == span:
        return 0.0
    if size & (size - 1) == 0 and low % size == 0:
        return math.log(max(2, 2 * span // _BLOCK))
    return 2.0 * math.log(span)  # where it begins and ends has to be known


def _at_times(story: Story, regions: Sequence[int], stays: NDArray[np.bool_], told: NDArray[np.bool_]) -> Rival | None:
    """A block in which writes take or do not, all together, for long stretches: a write-protect that is switched.
    ``regions``: those that it may lie in; ``stays``: bool a cell; ``told``: the first reads after writes."""
    inside = np.zeros(max(1, story.study.cells.total), np.bool_)
    for r in regions:
        inside[story.study.cells.span(r)] = True
    if np.count_nonzero(stays & inside) < _FEW_CELLS:
        return None
    # Where writes were lost; or all of a region that the board file names, of which a test that walks up through it
    # when the switch is turned tells only as far as it had come.
    tried = [story.address[stays & inside], *([story.address[inside]] if story.has_chips(regions[0]) else [])]
    places = {(int(where.min()), int(where.max())) for where in tried}
    ways = (_switched(story, regions, inside, place, told) for place in sorted(places))
    return max((way for way in ways if way is not None), key=lambda way: way.log_prior + way.log_own, default=None)


def _switched(
    story: Story,
    regions: Sequence[int],
    inside: NDArray[np.bool_],
    place: tuple[int, int],
    told: NDArray[np.bool_],
) -> Rival | None:
    """``_at_times`` of the cells of ``inside`` (bool a cell) from the one to the other address of ``place``."""
    low, high = place
    cells = inside & (story.address >= low) & (story.address <= high)
    rows = story.rows
    here = cells[rows.cell] & ~rows.is_write
    unread = np.zeros(len(rows), np.bool_)
    reads = np.flatnonzero(~rows.is_write)
    unread[reads[np.unique(rows.cell[reads], return_index=True)[1]]] = True
    # In the order of the writes, not of the reads that tell of them; a write of what was there already tells nothing,
    # but the first write that is found again does, whatever was there before.
    took = (story.took == kernel.TOOK) | (unread & story.tells_nothing() & (rows.compared != 0))
    telling = np.flatnonzero(here & told & ((rows.wrong != 0) | took))
    telling = telling[np.argsort(story.since[telling], kind="stable")]
    lost = rows.wrong[telling] != 0
    # One alone among lost ones held what was to be written already: that is chance, and no switch.
    alone = np.zeros(len(lost), np.bool_)
    alone[1:-1] = lost[:-2] & ~lost[1:-1] & lost[2:]
    alone &= story.tells_nothing()[telling]
    lucky = rows.compared[telling[alone]]
    telling, lost = telling[~alone], lost[~alone]
    changes = int(np.count_nonzero(lost[1:] != lost[:-1]))
    if lost.sum() < _STRETCH * (changes + 1) / 2:
        return None  # writes lost here and there: nothing is switched so often
    # A write that is lost leaves what the last read gave, or, of a cell not read yet, what was written before, or what
    # nobody knows.
    wrong = here & (rows.wrong != 0)
    as_before = wrong & ((story.older & 2 != 0) | (unread & (story.older & 1 != 0)))
    # Or what a write before it had left, which nobody read; which of the contents it was has to be known.
    left = wrong & ~as_before & (story.older & 1 != 0)
    as_before |= left
    found = wrong & ~as_before & unread
    hits, others = int(np.count_nonzero(as_before)), int(np.count_nonzero(wrong & ~as_before))
    odd = int(np.count_nonzero(wrong & ~as_before & ~found))
    if hits + others < _FEW_WRONG or odd > hits or changes < 1 or 5 * changes > len(lost) or lost.all():
        return None
    unknown = sum(int(lanes).bit_count() for lanes in (*rows.compared[wrong & ~as_before & ~found], *lucky))
    # What was lost does not come back without a write, nor does anything else change.
    back = here & (rows.compared != 0) & (rows.wrong == 0) & (story.repeat == kernel.OTHER)
    unknown += sum(int(lanes).bit_count() for lanes in rows.compared[back])
    against = odd + int(np.count_nonzero(back))
    chips = story.has_chips(regions[0])
    # Where no write is seen to take beside the block, it may as well be all of the region.
    whole = not (took & told & inside[rows.cell] & ~here).any()
    turned = log_rate(changes, len(lost) - changes, SOMETIMES)
    if chips and whole:
        turned = min(turned, _as_a_contact(rows, story.since[telling], lost))
    own = turned - unknown * LN2 + log_rate(0, against, HARD)
    study = story.study
    own -= float(np.log(np.clip(story.older[left] >> kernel.BACK, 1, kernel.HELD)).sum())
    own += log_found(study.card, study.cells, rows.cell[found], rows.data[found], rows.compared[found])
    one = regions[0] if len(regions) == 1 else None
    first, ends = story.regions[regions[0]], [story.regions[r].end for r in regions]
    own -= 0.0 if whole else _log_places(low, high, min(story.regions[r].start for r in regions), max(ends))
    log_prior = prior_of("read-only", chips=chips)
    if chips and whole:
        # A contact that opens and closes does the same, to every read: that it is one is as likely as a switch.
        ram = sum(one.kind == "ram" for one in story.regions)
        log_prior = max(log_prior, _TIE + log_prior_at_times(ram, one_chip=_in_one_chip(first)))
    return Rival(
        fault="read-only",
        scope="machine",
        region=one,
        addresses=place,
        log_prior=log_prior,
        log_own=own,
        explains=hits + others,
        against=against,
        summary=f"{span_of(place)}{f' of {named(first)}' if one is not None else ''} cannot be written at times: "
        "write-protected by something that is switched",
        evidence=(
            f"{counted(int(lost.sum()), 'write')} of {len(lost)} did not take, in "
            f"{counted(1 + changes, 'stretch', 'stretches')} of writes that all take or all do not",
        ),
        next_step="Find the switch, link or latch that protects it; clip its line and say in the board file at which "
        "level writes do not take.",
        propose=stated(f"protected_{low:04x}", place, "ram", 'write_protect = { line = "WP", level = 0 }'),
        index=rows.index[wrong],
        taken=NotJudged(cells),
    )


def _as_a_contact(rows: Rows, writes: NDArray[np.int64], lost: NDArray[np.bool_]) -> float:
    """How well a write line that comes and goes explains which of the ``writes`` (rows of ``rows``) were ``lost``: it
    is turned off and on no more freely than a switch is."""
    hits, misses = (np.bincount(rows.window[writes[so]], minlength=WINDOWS).astype(np.int64) for so in (lost, ~lost))
    return log_chances(hits, misses, (int(hits.sum()), int(misses.sum())))


def _fixed(story: Story, r: int, block: tuple[int, int], places: float) -> Rival | None:
    """``places``: log of how many blocks it might have been, where that is not a matter of course."""
    rows, region = story.rows, story.regions[r]
    cells = np.zeros(max(1, story.study.cells.total), np.bool_)
    span = story.study.cells.span(r)
    cells[span] = (story.address[span] >= block[0]) & (story.address[span] <= block[1])
    judged = np.flatnonzero(cells[rows.cell] & ~rows.is_write & (rows.sure != 0))
    if not len(judged):
        return None
    # What lay there before the capture began has to be found out once a cell; then every read must give it again.
    _, first, of = np.unique(rows.cell[judged], return_index=True, return_inverse=True)
    known, compared = rows.sure[judged][first], rows.compared[judged]
    held, told = rows.data[judged][first][of], known[of] & compared
    again = told != 0
    again[first] = False
    same = again & (((held ^ rows.data[judged]) & told) == 0)
    wrong = rows.wrong[judged] != 0
    hits, against = int(np.count_nonzero(wrong & same)), int(np.count_nonzero(again & ~same))
    # Nor need any cell be read twice where none holds what was written, but one or the other by chance.
    none, some = int(np.count_nonzero(wrong)), int(np.count_nonzero(compared))
    never = none >= _BLOCK and some - none <= none // 50
    if against > hits // 10 or (hits < 3 and not never):
        return None
    # Of a cell that was read before anything else a sound card would have to be guessed as well (screening).
    guessed = np.isin(judged[first], np.unique(rows.cell, return_index=True)[1])
    asked = np.where(guessed, np.uint32(0), compared[first])
    contents = log_found(story.study.card, story.study.cells, rows.cell[judged][first], rows.data[judged][first], asked)
    whole = block == (region.start, region.end)
    log_prior = prior_of("read-only", chips=story.has_chips(r))
    taken = (story.took == kernel.TOOK) & (rows.region == r)
    taken[judged] = False
    if story.has_chips(r) and not taken.any():
        # Where no write to a region takes, no read can tell a switch or a link from a write line that is open: it is
        # as likely as all parts together that would show so.
        log_prior = _TIE + log_prior_never_written(
            sum(one.kind == "ram" for one in story.regions), one_chip=_in_one_chip(region)
        )
    explained = wrong & (same | ~again)
    return Rival(
        fault="read-only",
        scope="machine",
        region=r,
        addresses=block,
        log_prior=log_prior,
        # As an open write line is weighed (paths): every read that it foretells is a matter of course.
        log_own=log_rate(0, against, HARD) + contents - places,
        explains=int(np.count_nonzero(explained)),
        against=against,
        summary=(
            f"{span_of(block)}{f' of {named(region)}' if not whole else ''} cannot be written: no write takes, and "
            "reads agree with each other: ROM, or write-protected"
        ),
        evidence=(
            f"{counted(hits, 'wrong read')} give what was read there before, whatever was written"
            if hits
            else f"{counted(none, 'read')} of {some} give something else than was written",
            "a write line that is open does the same: the write-protect switch or link tells them apart",
        ),
        next_step=f"See whether {span_of(block)} is ROM, or protected by a switch, a link or a latch; if so say it in "
        "the board file, else clip the write line at one of its chips.",
        propose=stated(f"fixed_{block[0]:04x}", block, "ram", "write_protect = true"),
        index=rows.index[judged[explained]],
        # An open write line leaves the chips behind it as they are: so does this, where the two are one to every read.
        taken=Excused(rows.index[judged[explained]]) if whole else NotJudged(cells),
    )


def _in_one_chip(region: Region) -> bool:
    return len({chip.designator for chip in region.chips}) == 1
