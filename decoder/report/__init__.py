"""Results as text, page, markdown, JSON lines and CSV; how they were found is not known here.

Pictures (matplotlib) and templates (jinja2) are loaded when first asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from busledger.decoder.report.bad_parts import ordered_steps
from busledger.decoder.report.cycle_list import Lister, Selection, list_text
from busledger.decoder.report.cycle_rows import RowFormat
from busledger.decoder.report.facts import coverage_lines, coverage_rows
from busledger.decoder.report.files import refuse_overwriting, whole_file
from busledger.decoder.report.numbers import plural
from busledger.decoder.report.phrases import (
    accusations,
    gain_words,
    how_often_and_sure,
    ninth_bit_faults,
    place_line,
    verdict,
    who,
)
from busledger.decoder.report.places import LIKELY, BadPlace, places_of
from busledger.decoder.report.program_list import folded_text
from busledger.decoder.report.program_rows import ProgramRows
from busledger.decoder.report.tables import paragraphs, table_text
from busledger.decoder.report.terminal import to_ascii
from busledger.decoder.report.text import check_text

if TYPE_CHECKING:
    from busledger.decoder.report.around import Scene, SceneCollector
    from busledger.decoder.report.board_drawing import board_text
    from busledger.decoder.report.board_picture import board_svg
    from busledger.decoder.report.card import STATE_SIGNS, STATE_WORDS, State, card_rows, part_states
    from busledger.decoder.report.checks_text import buffers_text, probes_text, selects_text, timing_text
    from busledger.decoder.report.clip_list import plan_page
    from busledger.decoder.report.markdown import markdown_text
    from busledger.decoder.report.night import night_pictures
    from busledger.decoder.report.over_time import TimeCounts
    from busledger.decoder.report.page import html_page
    from busledger.decoder.report.planning_text import join_text, match_text, plan_text
    from busledger.decoder.report.plots import Histogram, Trend
    from busledger.decoder.report.repair_text import retest_text
    from busledger.decoder.report.scenes import scene_svg
    from busledger.decoder.report.schemas import board_schema, profile_schema, result_schema, sets_schema
    from busledger.decoder.report.sets import between_lines, between_text, set_heading, sets_text
    from busledger.decoder.report.sets_page import page_of_sets
    from busledger.decoder.report.several import many_text
    from busledger.decoder.report.supply_text import power_json, power_text
    from busledger.decoder.report.timing_plots import timing_histograms
    from busledger.decoder.report.timing_words import (
        TimingFigures,
        allowed_words,
        limit_sources,
        stands,
        timing_figures,
    )

__all__ = [
    "LIKELY",
    "STATE_SIGNS",
    "STATE_WORDS",
    "BadPlace",
    "Histogram",
    "Lister",
    "ProgramRows",
    "RowFormat",
    "Scene",
    "SceneCollector",
    "Selection",
    "State",
    "TimeCounts",
    "TimingFigures",
    "Trend",
    "accusations",
    "allowed_words",
    "between_lines",
    "between_text",
    "board_schema",
    "board_svg",
    "board_text",
    "buffers_text",
    "card_rows",
    "check_text",
    "coverage_lines",
    "coverage_rows",
    "folded_text",
    "gain_words",
    "how_often_and_sure",
    "html_page",
    "join_text",
    "limit_sources",
    "list_text",
    "many_text",
    "markdown_text",
    "match_text",
    "night_pictures",
    "ninth_bit_faults",
    "ordered_steps",
    "page_of_sets",
    "paragraphs",
    "part_states",
    "place_line",
    "places_of",
    "plan_page",
    "plan_text",
    "plural",
    "power_json",
    "power_text",
    "probes_text",
    "profile_schema",
    "refuse_overwriting",
    "result_schema",
    "retest_text",
    "scene_svg",
    "selects_text",
    "set_heading",
    "sets_schema",
    "sets_text",
    "stands",
    "table_text",
    "timing_figures",
    "timing_histograms",
    "timing_text",
    "to_ascii",
    "verdict",
    "who",
    "whole_file",
]

_LATER = {
    "Histogram": "plots",
    "STATE_SIGNS": "card",
    "STATE_WORDS": "card",
    "State": "card",
    "TimeCounts": "over_time",
    "TimingFigures": "timing_words",
    "Trend": "plots",
    "timing_figures": "timing_words",
    "page_of_sets": "sets_page",
    "part_states": "card",
    "Scene": "around",
    "SceneCollector": "around",
    "between_lines": "sets",
    "between_text": "sets",
    "allowed_words": "timing_words",
    "board_schema": "schemas",
    "board_svg": "board_picture",
    "board_text": "board_drawing",
    "buffers_text": "checks_text",
    "card_rows": "card",
    "html_page": "page",
    "join_text": "planning_text",
    "limit_sources": "timing_words",
    "many_text": "several",
    "markdown_text": "markdown",
    "match_text": "planning_text",
    "night_pictures": "night",
    "plan_page": "clip_list",
    "plan_text": "planning_text",
    "power_json": "supply_text",
    "power_text": "supply_text",
    "probes_text": "checks_text",
    "profile_schema": "schemas",
    "retest_text": "repair_text",
    "scene_svg": "scenes",
    "selects_text": "checks_text",
    "set_heading": "sets",
    "result_schema": "schemas",
    "sets_schema": "schemas",
    "sets_text": "sets",
    "stands": "timing_words",
    "timing_histograms": "timing_plots",
    "timing_text": "checks_text",
}


def __getattr__(name: str) -> Any:
    if name in _LATER:
        from importlib import import_module

        return getattr(import_module(f"busledger.decoder.report.{_LATER[name]}"), name)
    raise AttributeError(name)
