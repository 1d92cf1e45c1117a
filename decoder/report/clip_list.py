"""The plan as one page to print: a list of clips to tick for every pass. No network, no script."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import metadata
from typing import Any

from markupsafe import Markup

from busledger.decoder.marks import marked
from busledger.decoder.planning import PlanPass, PlanResult
from busledger.decoder.report import palette
from busledger.decoder.report.page import templates
from busledger.decoder.report.phrases import safe
from busledger.decoder.report.planning_words import (
    clip_place,
    headline,
    other_places,
    pass_title,
    sampling_lines,
    why_words,
)

__all__ = ["plan_page"]


def plan_page(result: PlanResult) -> str:
    """HTML text; every text that comes from a file is cleaned and escaped."""
    result = marked(result)
    style = (
        templates()
        .get_template("report.css.j2")
        .render(light=Markup(palette.css_variables(palette.LIGHT)), dark=Markup(palette.css_variables(palette.DARK)))
    )
    return (
        templates()
        .get_template("plan.html.j2")
        .render(
            title=safe(f"{result.board}: {headline(result)}"),
            style=Markup(style),
            board=safe(result.board),
            profile=safe(result.profile),
            headline=safe(headline(result)),
            sampling=[safe(line) for line in sampling_lines(result)],
            trigger=safe(result.trigger),
            cautions=[safe(caution) for caution in result.cautions],
            passes=list(_passes(result.passes)),
            tied=[safe(group) for group in result.tied],
            version=metadata.version("busledger"),
        )
    )


def _passes(passes: tuple[PlanPass, ...]) -> Iterator[dict[str, Any]]:
    for one in passes:
        yield {
            "title": safe(pass_title(one)),
            "clips": [
                {
                    "channel": k,
                    "line": safe(clip.line),
                    "why": why_words(clip),
                    "place": safe(clip_place(clip)),
                    "others": safe(other_places(clip)),
                }
                for k, clip in enumerate(one.clips)
            ],
            "shows": [safe(text) for text in one.shows],
            "cannot": [safe(text) for text in one.cannot],
        }
