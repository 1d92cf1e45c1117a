"""Places that are sound but are not plain memory: registers, memory that lies there twice, or lacks lanes."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Region
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.replay.weighing import log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.registers import log_device
from busledger.decoder.diagnosis.rivals.rival import NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, named, span_of, stated

__all__ = ["DEVICE", "around", "devices", "narrow"]

LN2 = math.log(2.0)
# All doubled at once, and all halved: no answer of seven cases changes (as in strobes.py).
_LEFT = (9.0, 1.0)  # Beta prior, judged: how often an undriven lane shows what it last carried
_APART = 16  # judged, from registers of period devices (2 to 16 addresses): cells between two registers of one device
DEVICE = 256  # judged, one page, as decoders of devices give: cells; what is larger is no device's registers


def devices(story: Story) -> Iterator[Rival]:
    """Few addresses of a region that never hold what was written, while all around them do."""
    rows = story.rows
    read = ~rows.is_write & (rows.compared != 0)
    wrong = story.per_cell(rows.wrong != 0)
    tests, held = story.per_cell(story.took != kernel.NO_TEST), story.per_cell(story.holds())
    # Where no write tells, what is wrong in half of all reads is odd enough.
    odd = (wrong >= 2) & np.where(tests > 0, held <= 0.25 * tests, 2 * wrong >= story.per_cell(read))
    asked = story.per_cell(read) > 0
    used_of = [int(np.count_nonzero(asked[story.study.cells.span(r)])) for r in range(len(story.regions))]
    # Where no chips are named a region is what the traffic makes of it, and a device may have one of its own.
    anywhere = sum(used for r, used in enumerate(used_of) if story.regions[r].kind != "rom" and not story.has_chips(r))
    for r, region in enumerate(story.regions):
        if region.kind == "rom":
            continue
        span = story.study.cells.span(r)
        mine = np.flatnonzero(odd[span]) + span.start
        used = used_of[r] if story.has_chips(r) else anywhere
        if not len(mine):
            continue
        if 2 * len(mine) > used:
            if not _one_page(story, r, mine):
                continue
            used = story.study.cells.size[r]  # that just the device was asked is as likely as it is large
        mine = mine[np.argsort(story.address[mine])]
        cuts = np.flatnonzero(np.diff(story.address[mine]) > _APART) + 1
        for group in np.split(mine, cuts):
            found = _device(story, r, _grown(story, r, group, wrong, tests, held), read, used)
            if found is not None:
                yield found


def _one_page(story: Story, r: int, cells: NDArray[np.intp]) -> bool:
    """Whether the cells of a region whose chips are named lie no further apart than a device's registers: where a test
    went no further than that, what is all around them was not asked."""
    address = story.address[cells]
    return story.has_chips(r) and int(address.max()) - int(address.min()) < DEVICE


def _grown(
    story: Story, r: int, group: NDArray[np.intp], wrong: NDArray[np.int64], tests: NDArray[np.int64],
    held: NDArray[np.int64],
) -> NDArray[np.intp]:  # fmt: skip
    """The group with what else reads wrong in the aligned block around it, as far as of the cells there that were
    tested fewer held what was written than read wrong: a device's registers seldom fill the addresses that it is
    decoded for, and some of them can be read back."""
    span = story.study.cells.span(r)
    address = story.address[span]
    low, high = int(story.address[group].min()), int(story.address[group].max())
    size = 1
    while low // size != high // size:
        size *= 2
    while size <= DEVICE:
        inside = np.flatnonzero(address // size == low // size) + span.start
        bad, sound = wrong[inside] > 0, (held[inside] > 0) & (wrong[inside] == 0)
        if np.count_nonzero(sound) >= np.count_nonzero(bad) or not tests[inside].any():
            break
        group = np.union1d(group, inside[bad])
        size *= 2
    return group


def _device(story: Story, r: int, group: NDArray[np.intp], read: NDArray[np.bool_], used: int) -> Rival | None:
    rows, region = story.rows, story.regions[r]
    cells = np.zeros(max(1, story.study.cells.total), np.bool_)
    cells[group] = True
    here = read & cells[rows.cell]
    wrong = np.flatnonzero(here & (rows.wrong != 0))
    lanes = int(np.bitwise_or.reduce(rows.wrong[wrong]))
    if len(group) > DEVICE or lanes.bit_count() < 3:
        return None
    place = _rounded(story, r, group)
    values = log_device(rows.take(here))
    return Rival(
        fault="device",
        scope="machine",
        region=r,
        addresses=place,
        log_prior=prior_of("device", chips=story.has_chips(r)),
        log_own=values - math.log(max(1.0, used / len(group))),
        explains=len(wrong),
        against=0,
        summary=f"{span_of(place)} behaves like a device, not like memory: say so in the board file",
        evidence=(
            f"of {counted(len(group), 'address', 'addresses')} there "
            f"{'none holds' if len(group) > 1 else 'it does not hold'} what was written, while the rest of "
            f"{named(region)} does",
            f"{counted(len(wrong), 'wrong read')}, {counted(len(np.unique(rows.data[here])), 'different value')}, "
            f"on {lanes.bit_count()} lanes at once",
        ),
        next_step=f"If a device answers at {span_of(place)}, say so in the board file (or with --device "
        f"{span_of(place)}) and check again; if memory should be there, test these addresses alone.",
        propose=stated(f"device_{place[0]:04x}", place, "io"),
        index=rows.index[wrong],
        taken=NotJudged(cells),
    )


def _rounded(story: Story, r: int, group: NDArray[np.intp]) -> tuple[int, int]:
    """The group's addresses, rounded out to a power of two where no sound cell lies in that."""
    address = story.address[group]
    start, end = int(address.min()), int(address.max())
    size = 1 << story.study.cells.shift
    while start // size != end // size:
        size *= 2
    low, high = start // size * size, start // size * size + size - 1
    span = story.study.cells.span(r)
    inside = (story.address[span] >= low) & (story.address[span] <= high)
    right = story.per_cell((story.rows.compared != 0) & (story.rows.wrong == 0))[span]
    sound = inside & (right > 2)
    sound[group - span.start] = False
    region = story.regions[r]
    if sound.any() or low < region.start or high > region.end:
        return start, end + (1 << story.study.cells.shift) - 1
    return low, high


def around(word: NDArray[np.int64], bits: int, shift: int, region: Region) -> tuple[int, int]:
    """The addresses of the smallest aligned block that holds the words and both sides of every bit."""
    size = 1 << bits.bit_length()
    while int(word.min()) // size != int(word.max()) // size:
        size *= 2
    low = int(word.min()) // size * size
    return max(region.start, low << shift), min(region.end, ((low + size) << shift) - 1)


def narrow(story: Story) -> Iterator[Rival]:
    """Memory that is narrower than the bus: the lanes that it lacks show what the bus was left with."""
    rows = story.rows
    for r, region in enumerate(story.regions):
        if story.has_chips(r) or region.kind == "rom":
            continue
        spoilt = story.address[rows.cell[(rows.region == r) & (rows.wrong != 0)]] >> story.study.cells.shift
        if not len(spoilt):
            continue
        place = around(spoilt, 1, story.study.cells.shift, region)
        inside = (story.address[rows.cell] >= place[0]) & (story.address[rows.cell] <= place[1])
        read = (rows.region == r) & inside & ~rows.is_write & (rows.compared != 0)
        wrong = read & (rows.wrong != 0)
        lanes = int(np.bitwise_or.reduce(rows.wrong[wrong])) if wrong.any() else 0
        if lanes.bit_count() < 2 or int(np.bitwise_or.reduce(rows.compared[read])) == lanes:
            continue
        mask = np.uint32(lanes)
        shown = {
            lanes_kernel.KEPT: rows.kept[read],
            lanes_kernel.KEPT_BY_CARD: rows.rest[read],
            lanes_kernel.KEPT_FROM_BUS: rows.rest_bus[read],
            lanes_kernel.HIGH: mask,
            lanes_kernel.LOW: np.uint32(0),
        }
        told = rows.compared[read] & mask
        misses = {does: int(np.count_nonzero((rows.data[read] ^ value) & told)) for does, value in shown.items()}
        does = min(misses, key=lambda one: misses[one])
        miss = misses[does]
        hits = int(np.count_nonzero(wrong))
        if miss > hits // 3 or hits < 8:
            continue
        names = story.study.evidence.signs.data_lines if story.study.evidence.signs is not None else {}
        gone = [names.get(b, f"D{b}") for b in range(story.study.data_bits) if lanes >> b & 1]
        there = [f"D{b}" for b in range(story.study.data_bits) if not lanes >> b & 1]
        cells = np.zeros(max(1, story.study.cells.total), np.bool_)
        cells[rows.cell[read]] = True
        yield Rival(
            fault="device",
            scope="machine",
            lines=tuple(gone),
            region=r,
            addresses=place,
            log_prior=prior_of("device", chips=False),
            # What the bus was left with is not always what it held before the cycle: then any level. Cells that nobody
            # wrote to show it, too, as behind a chip that is dead.
            log_own=log_rate(hits, miss, _LEFT)
            - miss * lanes.bit_count() * LN2
            + max(0.0, story.first_reads.log_gain(LaneFault(does, lanes, (r,)))),
            explains=hits,
            against=miss,
            summary=f"{span_of(place)} is {len(there)} bits wide: nobody drives {gone[0]}-{gone[-1]} when it is read",
            evidence=(f"{counted(hits, 'wrong read')} show what the bus was left with; all other lanes are right",),
            next_step=f"If memory of {len(there)} bits is fitted, say so in the board file; if chips for "
            f"{gone[0]}-{gone[-1]} should be there, look for them first.",
            propose=stated(f"narrow_{place[0]:04x}", place, "ram", f'chips = [{{ lanes = "{there[0]}-{there[-1]}" }}]'),
            index=rows.index[wrong],
            taken=NotJudged(cells, None, lanes),
        )
