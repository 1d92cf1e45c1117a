"""The judgement on a repair for a terminal; the first line is the answer."""

from __future__ import annotations

from busledger.decoder.planning import RetestResult
from busledger.decoder.report.tables import paragraphs

__all__ = ["retest_text"]


def retest_text(result: RetestResult, *, width: int, colour: bool, answer_only: bool = False) -> str:
    """The verdict, why, and how much longer to run."""
    told = result.sentences[:1] if answer_only else result.sentences
    return paragraphs(told, width=width, colour=colour, title=True)
