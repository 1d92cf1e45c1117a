"""Lines that rest: how long, whether a program or a clip that is off is the likelier cause, and how that is said."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns, Rest
from busledger.decoder.diagnosis.rivals.rival import prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, moment

__all__ = ["FEW", "WHEN", "Span", "came_off", "log_rest", "prior_of_line", "spans_of_rest"]

# Judged, where no reason stands beside a figure: see clips.py.
FEW = 200  # transfers: a program's loop may leave a line alone for so long
WHEN = (math.log(0.7), math.log(0.25), math.log(0.05))  # of clips off: always, from some moment on, for a while
_EXPECTED = 20.0  # changes that the rest of the capture lets expect
_LONGER = 3.0  # times the longest other rest of the line: programs have phases, too


@dataclass(frozen=True)
class Span:
    """A rest of one bit: ``first``, ``last`` ticks, transfers in it, changes expected there by the rest of the capture
    (None where it never moved); ``alone``: no other rest of the line is nearly as long; ``log_odds``: of a clip that
    is off just then against a program that rests the line so, before any read is looked at."""

    first: int
    last: int
    transfers: int
    expected: float | None
    to_end: bool
    alone: bool
    log_odds: float


def spans_of_rest(signs: CaptureSigns, rest: Rest, tail: int = 1) -> Iterator[Span]:
    """The rests of a bit that are long enough to be looked at: to the end of the capture, and the longest between, of
    which that of a clip that was off for a while need not be the longest. ``tail``: see ``log_rest``."""
    end = signs.span[1]
    if rest.of < FEW:
        return
    if rest.moves == 0:
        yield Span(signs.span[0], end, rest.of, None, True, True, WHEN[0])
        return
    between = rest.rests or ((rest.quiet, rest.quiet_from, rest.quiet_to),)
    looked_at = [(rest.after, rest.since, end, True, rest.quiet)]
    for k, (transfers, first, last) in enumerate(between):
        looked_at.append((transfers, first, last - 1, False, max(rest.after, rest.quiet if k else rest.second)))
    for transfers, first, last, to_end, other in looked_at:
        others = rest.of - transfers
        expected = transfers * rest.moves / max(1, others)
        if transfers >= FEW and expected >= _EXPECTED:
            odds = WHEN[1 if to_end else 2] + log_rest(transfers, other, rest.of, tail)
            yield Span(first, last, transfers, expected, to_end, transfers >= _LONGER * other, odds)


def log_rest(transfers: int, other: int, of: int, tail: int = 1) -> float:
    """Log odds of a rest of ``transfers`` out of ``of``, where the line's longest other one has ``other``.

    A clip that is off begins and ends anywhere, so that every length is as likely, 1 / of. Rests that a program makes
    (phases of a test, loops) have no scale of their own: one of them is longer than t with a chance of about
    (other / t)^tail, which is the density tail · other^tail / t^(tail + 1). Where in the capture the rest lies costs
    both alike.
    """
    longer = transfers / float(max(1, other))
    return math.log(longer**tail * transfers / (tail * max(1, of)))


def prior_of_line(story: Story) -> float:
    """Log prior of a clip that is off, for any one of the clipped lines."""
    signs = story.study.evidence.signs
    return prior_of("clip-off", chips=True) - math.log(max(1, len(signs.names) if signs is not None else 1))


def came_off(story: Story, line: str, span: Span, while_: str, how: str = "has come off") -> str:
    if span.expected is None:
        return f"the clip on {line} {how}: it never moved in {counted(span.transfers, 'cycle')} while {while_}"
    since = moment(story.seconds(span.first))
    if span.to_end:
        return (
            f"the clip on {line} {how} at {since}: it did not move in {counted(span.transfers, 'cycle')} since, "
            f"where {span.expected:.0f} changes would be expected"
        )
    return (
        f"the clip on {line} was off from {since} to {moment(story.seconds(span.last))}: it did not move in "
        f"{counted(span.transfers, 'cycle')}, where {span.expected:.0f} changes would be expected"
    )
