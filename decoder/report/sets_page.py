"""Several wired sets of one capture on one page: the answer for each, the way to its own page, what lies between."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from importlib import metadata
from pathlib import PurePath
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from busledger.decoder.checks import SetsResult
from busledger.decoder.findings import CheckResult
from busledger.decoder.report.page import page_style, templates, tone_of
from busledger.decoder.report.phrases import safe, verdict
from busledger.decoder.report.sets import between_lines

__all__ = ["page_of_sets"]


_TONES = {"wrong": "failing", "unsure": "unsettled", "good": "aside"}


def page_of_sets(result: SetsResult[CheckResult], pages: Sequence[str | None]) -> str:
    """HTML text; ``pages[k]`` is the file of set k's own page, beside this one, or None where there is none."""
    return (
        templates()
        .get_template("sets.html.j2")
        .render(
            title=f"{len(result.sets)} wired sets of one capture",
            style=Markup(page_style()),
            capture=safe(result.capture),
            sets=list(_sets(result, pages)),
            between=[safe(line) for one in result.between for line in between_lines(one)],
            version=metadata.version("busledger"),
        )
    )


def _sets(result: SetsResult[CheckResult], pages: Sequence[str | None]) -> Iterator[dict[str, Any]]:
    for number, (entry, page) in enumerate(zip(result.sets, pages, strict=True), 1):
        found = entry.result
        bus = "" if entry.name == entry.profile else f", {entry.profile} bus"
        yield {
            "heading": safe(f"Set {number}: {entry.name}{bus}"),
            "told": verdict(found) if found is not None else f"Not judged: {safe(entry.message or '')}",
            "tone": _TONES[tone_of(found) if found is not None else "unsure"],
            "page": quote(PurePath(page).name) if page is not None else "",
        }
