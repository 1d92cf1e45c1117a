"""All rivals of a study: the innocent explanations that compete with the card's faults."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from busledger.decoder.diagnosis.replay.study import Study, Survey
from busledger.decoder.diagnosis.replay.urns import log_values
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, Noise, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.aliases import aliases
from busledger.decoder.diagnosis.rivals.banks import banked, latched
from busledger.decoder.diagnosis.rivals.beyond import beyond
from busledger.decoder.diagnosis.rivals.busy import busy_after_writes
from busledger.decoder.diagnosis.rivals.changes import other_images, shared
from busledger.decoder.diagnosis.rivals.clips import clips_off
from busledger.decoder.diagnosis.rivals.dips import dips
from busledger.decoder.diagnosis.rivals.exchanged import clips_exchanged
from busledger.decoder.diagnosis.rivals.exchanged_selects import selects_exchanged
from busledger.decoder.diagnosis.rivals.flickers import flickering_clips
from busledger.decoder.diagnosis.rivals.ghosts import ghosts
from busledger.decoder.diagnosis.rivals.handed_over import bus_handed_over
from busledger.decoder.diagnosis.rivals.loose import loose_clips
from busledger.decoder.diagnosis.rivals.lost import contents_lost
from busledger.decoder.diagnosis.rivals.mirrors import mirrors, twin_blocks, twins
from busledger.decoder.diagnosis.rivals.no_access import cycles_of_no_access
from busledger.decoder.diagnosis.rivals.noise import noisy_clips, ringing_pulses
from busledger.decoder.diagnosis.rivals.one_memory import one_memory
from busledger.decoder.diagnosis.rivals.places import devices, narrow
from busledger.decoder.diagnosis.rivals.protected import read_only
from busledger.decoder.diagnosis.rivals.rarely_loose import rarely_loose
from busledger.decoder.diagnosis.rivals.rival import Both, Excused, NotJudged, Rival
from busledger.decoder.diagnosis.rivals.sampling import ringing, too_slow
from busledger.decoder.diagnosis.rivals.sides import left_astray
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.strobes import reads_gone, selects_at_rest, writes_gone
from busledger.decoder.diagnosis.rivals.turns import taken_in_turns
from busledger.decoder.diagnosis.rivals.written_beside import written_beside

__all__ = ["find_rivals", "rivals_of_lines", "unread_of_lines"]

_REST = math.log(0.2)  # judged: that a cause of a region reaches further than its own sign tells
_PROVEN = 100.0  # nats of its own sign from which on a clip was off for sure: what was read then says nothing. Judged


def find_rivals(study: Study, survey: Survey) -> list[Rival]:
    """Innocent explanations of what was seen, the likeliest first.

    Rivals that explain no wrong read (a line that never moved in a capture that is right otherwise) come last: they
    say what was not judged. Every figure is of the whole capture, nothing taken out; two rivals may explain the same
    reads, and the caller weighs them as it weighs candidates.

    Raises
    ------
    OutputError
        the access log's temporary file cannot be read back.
    """
    story = Story.of(study)
    of_lines = list(rivals_of_lines(story))
    found = list(_with_signs(of_lines))
    if survey.wrong:
        found += _hiding(story, of_lines)
        places = list(_of_places(story))
        found += [*places, *(wide for rival in places if (wide := _with_rest(story, rival)) is not None)]

    noise = Noise(survey.wrong, survey.total, study.data_bits)

    def place(rival: Rival) -> tuple[bool, float]:
        return rival.explains == 0, -rival.log_posterior - noise.log_strays(survey.wrong - rival.explains)

    return sorted(found, key=place)


def _with_signs(found: list[Rival]) -> Iterator[Rival]:
    """What lines show of a cause (a rival that explains no wrong read) speaks for the one that explains some, too."""
    seen: dict[tuple[str, tuple[str, ...]], float] = {}
    for one in (one for one in found if not one.explains):
        seen[one.fault, one.lines] = max(one.log_seen, seen.get((one.fault, one.lines), -math.inf))
    for one in found:
        more = seen.get((one.fault, one.lines), 0.0) if one.explains and one.lines and not one.log_seen else 0.0
        yield replace(one, log_own=one.log_own + max(0.0, more)) if more else one


def _hiding(story: Story, found: list[Rival]) -> Iterator[Rival]:
    """Clips that are off for a while, as their lines show: every wrong read of that time is theirs, and of what was
    written in it, at the price of one that may give anything."""
    rows, signs = story.rows, story.study.evidence.signs
    bits = {} if signs is None else {line: bit for bit, line in signs.address_lines.items()}
    for one in found:
        if one.log_seen <= 0.0 or one.span is None:
            continue
        hidden = story.bad[(rows.time[story.bad] > one.span[0]) & (rows.time[story.bad] <= one.span[1])]
        for bit in (bits[line] for line in one.lines if bits.get(line, -1) >= story.study.cells.shift):
            hidden = np.union1d(hidden, story.bad[left_astray(story, bit, one.span)[story.bad]])
        hidden = hidden[~np.isin(rows.index[hidden], one.index)]  # what it explains already it has weighed
        news = hidden[story.repeat[hidden] != kernel.SAME]
        if len(hidden):
            if one.explains and one.log_seen >= _PROVEN:
                news = news[rows.time[news] > one.span[1]]  # nothing of that time is asked of any card any more
            price = sum(int(lanes).bit_count() for lanes in rows.compared[news]) * math.log(2.0)
            index = np.union1d(rows.index[hidden], one.index)
            taken = Both(NotJudged(None, one.span), Excused(index))
            own = (one.log_own if one.explains else one.log_seen) - price
            yield replace(one, log_own=own, log_seen=0.0, explains=len(index), index=index, taken=taken)


def _with_rest(story: Story, rival: Rival) -> Rival | None:
    """The same cause with all else that is wrong in its region, each read at the price of one of an unlisted fault:
    where memory is not what the board file makes of it, the rest is rather more of that than a bad chip beside it."""
    if rival.region is None or not rival.explains:
        return None
    rows = story.rows
    here = rows.region == rival.region
    left = here & (rows.wrong != 0) & ~np.isin(rows.index, rival.index)
    count = int(np.count_nonzero(left))
    if not 0 < count <= rival.explains:
        return None
    right = int(np.count_nonzero(here & (rows.compared != 0) & (rows.wrong == 0)))
    news = left & (story.repeat != kernel.SAME)  # what stays as it was read costs a chip nothing either
    rest = log_rate(int(np.count_nonzero(news)), right, SOMETIMES)
    rest += log_values(rows.cell[news], rows.data[news], rows.compared[news])
    cells = np.zeros(max(1, story.study.cells.total), np.bool_)
    cells[story.study.cells.span(rival.region)] = True
    return replace(
        rival,
        log_own=rival.log_own + _REST + rest,
        explains=rival.explains + count,
        index=np.union1d(rival.index, rows.index[left]),
        taken=NotJudged(cells),
    )


def rivals_of_lines(story: Story) -> Iterator[Rival]:
    """Those of clips and of the sampling."""
    evidence = story.study.evidence
    if evidence.signs is not None:
        yield from clips_off(story, evidence.signs)
        yield from ghosts(story, evidence.signs)
        yield from writes_gone(story, evidence.signs)
        yield from reads_gone(story, evidence.signs)
        yield from selects_at_rest(story, evidence.signs)
        yield from selects_exchanged(story, evidence.signs)
        yield from noisy_clips(story, evidence.signs)
        yield from loose_clips(story, evidence.signs)
        yield from flickering_clips(story, evidence.signs)
        yield from dips(story, evidence.signs)
        yield from rarely_loose(story, evidence.signs)
        yield from cycles_of_no_access(story, evidence.signs)
        yield from ringing(story, evidence.signs)
        yield from ringing_pulses(story, evidence.signs)
    yield from too_slow(story)
    yield from clips_exchanged(story)


def unread_of_lines(story: Story) -> Iterator[Rival]:
    """Those of ``rivals_of_lines`` that may explain no wrong read, and are told all the same."""
    signs = story.study.evidence.signs
    found: list[Iterator[Rival]] = [clips_exchanged(story)]
    if signs is not None:
        of_signs = (clips_off, ghosts, writes_gone, reads_gone, selects_at_rest, selects_exchanged)
        found = [*(one(story, signs) for one in of_signs), *found]
    return (rival for rivals in found for rival in rivals if not rival.explains)


def _of_places(story: Story) -> Iterator[Rival]:
    yield from devices(story)
    yield from busy_after_writes(story)
    yield from read_only(story)
    yield from mirrors(story)
    yield from twins(story)
    yield from twin_blocks(story)
    yield from one_memory(story)
    if story.study.evidence.signs is not None:
        yield from written_beside(story, story.study.evidence.signs)
    yield from narrow(story)
    yield from aliases(story)
    yield from latched(story)
    yield from banked(story)
    yield from taken_in_turns(story)
    yield from contents_lost(story)
    yield from shared(story)
    yield from bus_handed_over(story)
    yield from other_images(story)
    yield from beyond(story)
