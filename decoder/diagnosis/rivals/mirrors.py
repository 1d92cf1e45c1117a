"""Memory that answers at two addresses: a region that is sized too large, two regions, or two blocks, that are one."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Region
from busledger.decoder.diagnosis.replay.likely_pairs import likely_pairs
from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.places import around
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, named, span_of, stated

__all__ = ["mirrors", "through", "twin_blocks", "twins"]

_BLOCKS = 6  # bounds of work: blocks of one size in which reads are wrong, …
_PAIRS = 200  # … of which one is tried with each of the others, …
_SMALLEST = 64  # … and cells: what is smaller is no memory of its own
# Judged: how much commoner it is that two of a card's rows are one, as where one was never fitted and a jumper has the
# other answer for both, than that chips hold less than their names say.
_ONE_ROW = 10.0


def mirrors(story: Story) -> Iterator[Rival]:
    """Memory that answers at two addresses: what is written to one is read at the other."""
    for r, region in enumerate(story.regions):
        mine = story.rows.region == r
        if region.kind == "rom" or not np.count_nonzero(story.rows.wrong[mine]):
            continue
        found = _fold(story, r, mine)
        if found is not None:
            yield found


def _fold(story: Story, r: int, mine: NDArray[np.bool_]) -> Rival | None:
    """The set of address bits inside the region, or the block of it where reads are wrong, that make no difference."""
    space, region = story.study.cells, story.regions[r]
    spoilt = story.address[story.rows.cell[mine & (story.rows.wrong != 0)]] >> space.shift
    best, bits, block = _oversized(story, r, np.flatnonzero(mine))
    width = space.size[r].bit_length() - 1
    whole, address = np.flatnonzero(mine), story.address[story.rows.cell[mine]]
    for again in range(4):
        tried = []
        for more in _sets_of_bits(width, 1 if again else 3):
            if bits & more:
                continue
            place = around(spoilt, bits | more, space.shift, region)
            inside = whole[(address >= place[0]) & (address <= place[1])]
            tried.append((*_folded(story, r, inside, bits | more), more, place))
        hits, misses, hit, more, place = max(
            tried, key=lambda t: t[0] - 20 * t[1], default=(0, 1, best[2], 0, block)
        )
        if hits <= best[0] or misses > hits // 100:
            break
        best, bits, block = (hits, misses, hit), bits | more, place
    hits, misses, hit = best
    if hits < 4:
        return None
    lines = _lines(story, [space.shift + b for b in range(16) if bits >> b & 1])
    size = (block[1] - block[0] + 1) >> bits.bit_count()
    name = named(region)
    return Rival(
        fault="mirrored",
        scope="machine",
        lines=lines,
        region=r,
        addresses=block,
        log_prior=prior_of("mirrored", chips=story.has_chips(r)),
        log_own=log_rate(hits, misses, HARD) - _log_choices(space.size[r], bits, block, region),
        explains=hits,
        against=misses,
        summary=f"{span_of(block)} holds {counted(size, 'byte')} that are seen {1 << bits.bit_count()} times: "
        f"{', '.join(lines)} {'make' if len(lines) > 1 else 'makes'} no difference there",
        evidence=(
            f"{counted(hits, 'wrong read')} give what was last written to the same cell of its mirror, "
            f"{misses} speak against it",
            "an address line that is open on the card does the same: the size of the chips tells them apart",
        ),
        next_step="Compare with the size of the chips that are fitted: if they hold no more, say so in the board file; "
        f"if they do, follow {', '.join(lines)} to the chips.",
        propose=stated(f"{name}_mirror", (block[0] + size, block[1]), "ram", f'mirror_of = "{name}"'),
        index=hit,
        taken=Excused(hit),
    )


def _sets_of_bits(width: int, most: int) -> Iterator[int]:
    """Single bits below ``width``, then as many as ``most`` neighbours: memory that is seen four times in its block
    leaves out two lines at once, neither of which alone makes no difference."""
    for count in range(1, most + 1):
        yield from (((1 << count) - 1) << low for low in range(width - count + 1))


def _oversized(
    story: Story, r: int, mine: NDArray[np.intp]
) -> tuple[tuple[int, int, NDArray[np.int64]], int, tuple[int, int]]:
    """((hits, misses, cycles), bits, block) of memory of a quarter or an eighth of its region's size, where none of its
    highest bits alone makes no difference; nothing where it is not so."""
    width, region = story.study.cells.size[r].bit_length() - 1, story.regions[r]
    whole = (region.start, region.end)
    for count in (2, 3):
        bits = ((1 << count) - 1) << max(0, width - count)
        found = _folded(story, r, mine, bits) if width > count else (0, 1, np.zeros(0, np.int64))
        if found[0] >= 4 and found[1] <= found[0] // 100:
            return found, bits, whole
    return (0, 0, np.zeros(0, np.int64)), 0, whole


def _log_choices(cells: int, bits: int, block: tuple[int, int], region: Region) -> float:
    """Log of the ways to choose such bits: of a region that is sized too large its highest ones make no difference,
    where the next size down is what was fitted as often as all smaller ones together, and so on; else any set of each
    number, one as often as all others together, and any aligned block."""
    width = max(1, cells.bit_length() - 1)
    count = bits.bit_count()
    if block == (region.start, region.end) and bits >> (width - count) == (1 << count) - 1:
        return math.log(2.0) * (1 + min(count, width))
    blocks = max(1, (region.end - region.start + 1) // (block[1] - block[0] + 1))
    # Of a region without chips nobody said how large they are: then one line is the usual number.
    numbers = 1 if count == 1 and not region.chips else width
    return math.log(2.0 * math.comb(width, count) * numbers) + math.log(blocks)


def _folded(story: Story, r: int, inside: NDArray[np.intp], bits: int) -> tuple[int, int, NDArray[np.int64]]:
    """(hits, misses, cycles that hit) with the word bits in ``bits`` of region ``r`` left out."""
    space = story.study.cells
    target = space.identity.copy()
    span = space.span(r)
    target[span] = space.base[r] + (np.arange(space.size[r], dtype=np.int64) & ~bits)
    return through(story, inside, target)


def through(
    story: Story, inside: NDArray[np.intp], target: NDArray[np.int32]
) -> tuple[int, int, NDArray[np.int64]]:
    """(hits, misses, cycles that hit) with each cell living in another, its ``target``; ``inside``: rows."""
    rows = story.rows
    memory, known = (np.zeros(max(1, story.study.cells.total), np.uint32) for _ in range(2))
    verdict = np.zeros(len(inside), np.uint8)
    seen = (rows.cell, rows.is_write, rows.data, rows.sure, rows.lanes, rows.compared, rows.wrong)
    kernel.folded(*(column.take(inside) for column in seen), target, memory, known, verdict)
    hit = inside[verdict == 1]
    return len(hit), int(np.count_nonzero(verdict == 2)), rows.index[hit]


def twins(story: Story) -> Iterator[Rival]:
    """Two regions that are one memory."""
    rows, space = story.rows, story.study.cells
    wrong = np.bincount(rows.region[rows.wrong != 0], minlength=len(story.regions))
    likely = likely_pairs(story.study, rows)
    others: dict[int, Iterable[int]] = {}
    if likely is not None:
        for r, s in sorted({(min(pair), max(pair)) for pair in likely}):
            others[r] = [*others.get(r, ()), s]
    alike = Counter(space.size[r] for r, region in enumerate(story.regions) if region.kind != "rom")
    pairs = max(1, sum(math.comb(count, 2) for count in alike.values()))  # one of which it is
    for r, one in enumerate(story.regions):
        for s in range(r + 1, len(story.regions)) if likely is None else others.get(r, ()):
            two = story.regions[s]
            if space.size[r] != space.size[s] or one.kind == "rom" or two.kind == "rom" or not wrong[r] + wrong[s]:
                continue
            target = space.identity.copy()
            target[space.span(s)] = np.arange(space.base[r], space.base[r] + space.size[r])
            mine = np.flatnonzero((rows.region == r) | (rows.region == s))
            hits, misses, index = through(story, mine, target)
            if hits < 4 or misses > hits // 100:
                continue
            chips = story.has_chips(r) and story.has_chips(s)
            yield Rival(
                fault="mirrored",
                scope="machine",
                region=s,
                other_region=r,
                addresses=(two.start, two.end),
                log_prior=prior_of("mirrored", chips=chips) + (math.log(_ONE_ROW / pairs) if chips else 0.0),
                log_own=log_rate(hits, misses, HARD),
                explains=hits,
                against=misses,
                summary=f"{named(two)} is the memory of {named(one)} once more: what is written to one is read in both",
                evidence=(f"{counted(hits, 'wrong read')} give what was last written to either, {misses} do not",),
                next_step=f"See whether {named(two)} has chips of its own; if not, say in the board file that it "
                f"mirrors {named(one)}, else look at the selects of both.",
                propose=stated(f"{named(two)}", (two.start, two.end), "ram", f'mirror_of = "{named(one)}"'),
                index=index,
                taken=Excused(index),
            )


def twin_blocks(story: Story) -> Iterator[Rival]:
    """Two blocks of a region that nobody described which are one memory: what traffic alone joins may be several."""
    for r, region in enumerate(story.regions):
        spoilt = (story.rows.region == r) & (story.rows.wrong != 0)
        if region.kind == "rom" or story.has_chips(r) or not spoilt.any():
            continue
        found = [one for size in _sizes(story, r) for one in _twin_blocks(story, r, size, spoilt)]
        best = max(found, key=lambda rival: rival.log_own, default=None)
        if best is not None:
            yield best


def _sizes(story: Story, r: int) -> Iterator[int]:
    size = story.study.cells.size[r] // 2
    while size >= _SMALLEST:
        yield size
        size //= 2


def _twin_blocks(story: Story, r: int, size: int, spoilt: NDArray[np.bool_]) -> Iterator[Rival]:
    space = story.study.cells
    blocks = np.unique((story.address[story.rows.cell[spoilt]] >> space.shift) // size)
    if len(blocks) > _BLOCKS:
        return
    mine = np.flatnonzero(story.rows.region == r)
    place = (story.address >> space.shift) // size
    count = space.size[r] // size
    # What is read wrong in one of them may have been written to another that was never read since.
    used = np.unique(place[story.rows.cell[mine[story.rows.is_write[mine]]]])
    if len(blocks) * len(used) > _PAIRS:
        used = blocks
    for i, spoiled in enumerate(blocks.tolist()):
        for other in np.setdiff1d(used, blocks[: i + 1]).tolist():
            one, two = min(spoiled, other), max(spoiled, other)
            target = space.identity.copy()
            span = space.span(r)
            there = span.start + np.flatnonzero(place[span] == two)
            word = (story.address[there] >> space.shift) - (two - one) * size
            target[there] = space.base[r] + (word & (space.size[r] - 1))
            hits, misses, index = through(story, mine, target)
            if hits < 4 or misses > hits // 100:
                continue
            low, high = (((b * size) << space.shift, (((b + 1) * size) << space.shift) - 1) for b in (one, two))
            yield Rival(
                fault="mirrored",
                scope="machine",
                region=r,
                addresses=(low[0], high[1]),
                log_prior=prior_of("mirrored", chips=False),
                log_own=log_rate(hits, misses, HARD) - math.log(math.comb(count, 2) * space.size[r].bit_length()),
                explains=hits,
                against=misses,
                summary=f"{span_of(high)} is the memory of {span_of(low)} once more: what is written to one is read in "
                "both",
                evidence=(f"{counted(hits, 'wrong read')} give what was last written to either, {misses} do not",),
                next_step=f"See whether {span_of(high)} has chips of its own; if not, describe both in a board file, "
                "one as the other's mirror; else look at the address lines that tell them apart.",
                propose=(
                    *stated(f"bank_{low[0]:04x}", low, "ram"),
                    *stated(f"bank_{high[0]:04x}", high, "ram", f'mirror_of = "bank_{low[0]:04x}"'),
                ),
                index=index,
                taken=Excused(index),
            )


def _lines(story: Story, bits: Sequence[int]) -> tuple[str, ...]:
    signs = story.study.evidence.signs
    known = signs.address_lines if signs is not None else {}
    return tuple(known.get(bit, f"A{bit}") for bit in bits)


