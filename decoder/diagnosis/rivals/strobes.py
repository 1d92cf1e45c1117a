"""Clips of control lines that have come off: nothing is written or read any more, or a select rests."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.rival import NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, look_at, moment, named

__all__ = ["reads_gone", "selects_at_rest", "writes_gone"]

_FEW = 200  # transfers: a program's loop may leave a line alone for so long
_TELLING = 25.0  # nats at most that a line's rest adds: what was thought of is never surer than that
_LOOPS = 10.0  # transfers that a program's loop makes of one choice
_LONGER = 3.0  # times the longest other rest of the line: programs have phases, too
_EXPECTED = 20.0  # changes that the rest of the capture lets expect
_HELD_VALUES = 4  # different levels of the other lines, so that the bus was at work


def writes_gone(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """From some moment on nothing is written any more, yet memory goes on changing."""
    before = max(1, signs.transfers - signs.reads_after_write)
    expected = signs.reads_after_write * signs.writes / before
    if not signs.writes or signs.reads_after_write < _FEW or expected < _EXPECTED:
        return
    rows = story.rows
    after = rows.time > signs.last_write
    wrong = after & (rows.wrong != 0)
    changed = int(np.count_nonzero(wrong & (story.repeat != kernel.SAME)))
    stays = int(np.count_nonzero(wrong & (story.repeat == kernel.SAME)))
    if changed < 3:
        return
    line = _direction_line(signs)
    alone = signs.reads_after_write >= _LONGER * signs.longest_reading
    pattern = sum(math.log(2.0) * int(lanes).bit_count() for lanes in rows.compared[wrong & (story.repeat != 1)])
    yield Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,) if line else (),
        log_prior=prior_of("clip-off", chips=True),
        log_own=(min(_TELLING, expected / _LOOPS) if alone else 0.0) - pattern,
        explains=changed + stays,
        summary=(
            f"the clip on {line or 'the write strobe'} has come off at {moment(story.seconds(signs.last_write))}: "
            f"{counted(signs.reads_after_write, 'read')} and not one write since, where {expected:.0f} would be "
            "expected, and memory goes on changing"
        ),
        evidence=(f"{counted(changed, 'read')} give something new that nobody was seen to write",),
        next_step=look_at(line or "the write strobe"),
        stops_judging=True,
        index=rows.index[wrong],
        taken=NotJudged(None, (signs.last_write + 1, signs.span[1])),
    )


def reads_gone(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """From some moment on nothing is read any more: no processor goes on without fetching."""
    line = _direction_line(signs, "read")
    if signs.reads and signs.longest_writing >= _FEW:
        first, last = signs.writing_span
        yield Rival(
            fault="clip-off",
            scope="clip",
            lines=(line,) if line else (),
            log_prior=prior_of("clip-off", chips=True),
            log_own=0.0,
            explains=0,
            summary=(
                f"the clip on {line or 'the read strobe'} was off from {moment(story.seconds(first))} to "
                f"{moment(story.seconds(last))}: {counted(signs.longest_writing, 'write')} and not one read, which no "
                "processor does"
            ),
            next_step=look_at(line or "the read strobe"),
            stops_judging=True,
            taken=NotJudged(None, (first + 1, signs.span[1])),
        )
    if not signs.reads or signs.writes_after_read < _FEW:
        return
    yield Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,) if line else (),
        log_prior=prior_of("clip-off", chips=True),
        log_own=0.0,
        explains=0,
        summary=(
            f"the clip on {line or 'the read strobe'} has come off at {moment(story.seconds(signs.last_read))}: "
            f"{counted(signs.writes_after_read, 'write')} and not one read since, which no processor does"
        ),
        next_step=look_at(line or "the read strobe"),
        stops_judging=True,
        taken=NotJudged(None, (signs.last_read + 1, signs.span[1])),
    )


def _direction_line(signs: CaptureSigns, which: str = "write") -> str | None:
    """The clipped line that tells writes from reads."""
    behaviour = signs.profile.file.behaviour
    if behaviour is None:
        return None
    strobes = getattr(behaviour, which)
    named = [behaviour.direction, *((strobes,) if isinstance(strobes, str) else strobes)]
    return next((line for line in named if line in signs.names), None)


def selects_at_rest(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """A select that never comes although its region answers rightly."""
    board = story.study.evidence.board
    rows = story.rows
    for r, region in enumerate(board.regions):
        if region.select is None or region.select not in signs.names:
            continue
        moves, last, level = signs.line(region.select)
        if level == board.select_level(region.select):
            continue
        mine = (rows.region == r) & (rows.compared != 0) & (rows.time > (last if moves else -1))
        right = int(np.count_nonzero(mine & (rows.wrong == 0)))
        wrong = int(np.count_nonzero(mine)) - right
        if len(np.unique(rows.data[mine & (rows.wrong == 0)])) < _HELD_VALUES or right < 20 or wrong > right // 10:
            continue
        yield Rival(
            fault="clip-off",
            scope="clip",
            lines=(region.select,),
            region=r,
            log_prior=prior_of("clip-off", chips=True),
            # Nothing else makes a select rest of which the region's right reads say that it comes.
            log_own=_TELLING,
            explains=0,
            summary=(
                f"the clip on {region.select} has come off"
                f"{f' at {moment(story.seconds(last))}: it did not move since' if moves else ': it never moved'}, yet "
                f"{counted(right, 'read')} of {named(region)} came back right"
            ),
            next_step=look_at(region.select),
        )
