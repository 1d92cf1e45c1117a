"""Several captures for a terminal: what all of them together say, then a line for each."""

from __future__ import annotations

from busledger.decoder.findings import CaptureSummary, CheckManyResult
from busledger.decoder.report.numbers import between, count, odds, plural, seconds
from busledger.decoder.report.tables import paragraphs, table_text
from busledger.decoder.report.text import check_text
from busledger.decoder.text import plain

__all__ = ["CAPTURE_HEADS", "capture_rows", "many_text", "several_words", "unread_lines"]

CAPTURE_HEADS = ("start", "compared", "wrong", "share wrong (95 % sure)", "capture")


def many_text(result: CheckManyResult, *, width: int, colour: bool, answer_only: bool = False) -> str:
    """The joint report, the captures in time order, and those that could not be read."""
    whole = check_text(result.joint, width=width, colour=colour, answer_only=answer_only)
    unread = unread_lines(result)
    if answer_only:
        return whole + paragraphs(unread, width=width, colour=colour)
    table = table_text(CAPTURE_HEADS, capture_rows(result), width=width, colour=colour)
    return "\n".join(
        [whole, paragraphs([several_words(result)], width=width, colour=colour, title=True) + table]
        + ([paragraphs(unread, width=width, colour=colour)] if unread else [])
    )


def capture_rows(result: CheckManyResult) -> list[tuple[str, ...]]:
    """One row a capture under ``CAPTURE_HEADS``, in order of time."""
    return [_row(one) for one in result.captures]


def unread_lines(result: CheckManyResult) -> list[str]:
    """A sentence a capture that could not be read; most messages begin with its path themselves."""
    return [
        f"Not read: {plain(one.message, 500)}"
        if one.message.startswith(one.path)
        else f"Not read: {plain(one.path)}: {plain(one.message, 500)}"
        for one in result.unread
    ]


def several_words(result: CheckManyResult) -> str:
    """How many captures over how long, and what they hold, in one sentence."""
    wrong = result.captures_with_mismatches
    told = (
        f"{plural(len(result.captures), 'capture')} over {seconds(result.span_s)}: "
        f"{plural(result.reads_compared, 'read')} compared, {count(result.mismatch_total)} wrong, in {wrong} of them"
    )
    if not result.starts_known:
        told += "; their times are not known and they are laid end to end (--offset tells)"
    return told


def _row(one: CaptureSummary) -> tuple[str, ...]:
    often = "-"
    if one.rate_95 is not None:
        low, high = one.rate_95
        often = f"under {odds(high)}" if not one.mismatches else between((low, high))
    return (seconds(one.start_s), count(one.reads_compared), count(one.mismatches), often, plain(one.path))
