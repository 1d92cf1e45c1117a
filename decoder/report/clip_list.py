"""The plan as one page to print: a list of clips to tick for every pass. No network, no script."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib import metadata
from typing import Any

from markupsafe import Markup

from busledger.decoder.marks import marked
from busledger.decoder.planning import ClipPoint, PlanPass, PlanResult
from busledger.decoder.report.packages import package_svg
from busledger.decoder.report.page import page_style, templates
from busledger.decoder.report.phrases import safe
from busledger.decoder.report.planning_words import (
    clip_place,
    headline,
    other_places,
    pass_title,
    sampling_lines,
    unproven_words,
    why_words,
)

__all__ = ["plan_page"]


def plan_page(result: PlanResult) -> str:
    """HTML text; every text that comes from a file is cleaned and escaped."""
    result = marked(result)
    return (
        templates()
        .get_template("plan.html.j2")
        .render(
            title=safe(f"{result.board}: {headline(result)}"),
            style=Markup(page_style()),
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
            "unproven": safe(unproven_words(one.clips)),
            "packages": [Markup(svg) for svg in _packages(one)],
            "shows": [safe(text) for text in one.shows],
            "cannot": [safe(text) for text in one.cannot],
        }


def _packages(one: PlanPass) -> Iterator[str]:
    """A drawing of every chip that the pass clips, in the order of the list; the best place of each line."""
    chips: dict[str, dict[int, tuple[str, ClipPoint]]] = {}
    for clip in one.clips:
        if clip.points and clip.points[0].pins:
            best = clip.points[0]
            chips.setdefault(best.designator, {})[best.pin] = (clip.line, best)
    for designator, clips in chips.items():
        yield _package(designator, clips)


def _package(designator: str, clips: Mapping[int, tuple[str, ClipPoint]]) -> str:
    _, point = next(iter(clips.values()))
    return package_svg(designator, point.part, point.pins, clips)
