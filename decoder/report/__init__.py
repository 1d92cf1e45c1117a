"""Results as text, page, markdown, JSON lines and CSV; how they were found is not known here.

Each is loaded when first asked for: much of it leads to pictures, templates and compiled code.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from busledger.decoder.report.around import Scene, SceneCollector
    from busledger.decoder.report.bad_parts import ordered_steps
    from busledger.decoder.report.board_drawing import board_text
    from busledger.decoder.report.board_picture import board_svg
    from busledger.decoder.report.card import STATE_SIGNS, STATE_WORDS, State, card_rows, part_states
    from busledger.decoder.report.checks_text import (
        buffers_text,
        probes_text,
        selects_text,
        skipped_together,
        timing_text,
    )
    from busledger.decoder.report.cleared_parts import cleared_together
    from busledger.decoder.report.clip_list import plan_page
    from busledger.decoder.report.cycle_list import Lister, Selection, list_text
    from busledger.decoder.report.cycle_rows import RowFormat
    from busledger.decoder.report.facts import coverage_lines, coverage_rows
    from busledger.decoder.report.files import refuse_overwriting, whole_file
    from busledger.decoder.report.markdown import markdown_text
    from busledger.decoder.report.night import night_pictures
    from busledger.decoder.report.numbers import plural, seconds
    from busledger.decoder.report.over_time import TimeCounts
    from busledger.decoder.report.page import html_page
    from busledger.decoder.report.phrases import (
        accusations,
        gain_words,
        how_often,
        how_often_and_sure,
        ninth_bit_faults,
        place_line,
        verdict,
        who,
    )
    from busledger.decoder.report.places import LIKELY, BadPlace, places_of
    from busledger.decoder.report.planning_text import join_text, match_text, plan_text
    from busledger.decoder.report.plots import Histogram, Trend
    from busledger.decoder.report.program_list import folded_text
    from busledger.decoder.report.program_rows import ProgramRows
    from busledger.decoder.report.repair_text import retest_text
    from busledger.decoder.report.scenes import scene_svg
    from busledger.decoder.report.schemas import board_schema, profile_schema, result_schema, sets_schema
    from busledger.decoder.report.sets import between_lines, between_text, set_heading, sets_text
    from busledger.decoder.report.sets_page import page_of_sets
    from busledger.decoder.report.several import many_text
    from busledger.decoder.report.supply_text import power_json, power_text
    from busledger.decoder.report.tables import paragraphs, table_text
    from busledger.decoder.report.terminal import to_ascii
    from busledger.decoder.report.text import check_text
    from busledger.decoder.report.timing_plots import timing_histograms
    from busledger.decoder.report.timing_words import (
        TimingFigures,
        allowed_words,
        limit_names,
        limit_sources,
        limit_span,
        limits_together,
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
    "cleared_together",
    "coverage_lines",
    "coverage_rows",
    "folded_text",
    "gain_words",
    "how_often",
    "how_often_and_sure",
    "html_page",
    "join_text",
    "limit_names",
    "limit_sources",
    "limit_span",
    "limits_together",
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
    "seconds",
    "selects_text",
    "set_heading",
    "sets_schema",
    "sets_text",
    "skipped_together",
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
    "BadPlace": "places",
    "Histogram": "plots",
    "LIKELY": "places",
    "Lister": "cycle_list",
    "ProgramRows": "program_rows",
    "RowFormat": "cycle_rows",
    "STATE_SIGNS": "card",
    "STATE_WORDS": "card",
    "Scene": "around",
    "SceneCollector": "around",
    "Selection": "cycle_list",
    "State": "card",
    "TimeCounts": "over_time",
    "TimingFigures": "timing_words",
    "Trend": "plots",
    "accusations": "phrases",
    "allowed_words": "timing_words",
    "between_lines": "sets",
    "between_text": "sets",
    "board_schema": "schemas",
    "board_svg": "board_picture",
    "board_text": "board_drawing",
    "buffers_text": "checks_text",
    "card_rows": "card",
    "check_text": "text",
    "cleared_together": "cleared_parts",
    "coverage_lines": "facts",
    "coverage_rows": "facts",
    "folded_text": "program_list",
    "gain_words": "phrases",
    "how_often": "phrases",
    "how_often_and_sure": "phrases",
    "html_page": "page",
    "join_text": "planning_text",
    "limit_names": "timing_words",
    "limit_sources": "timing_words",
    "limit_span": "timing_words",
    "limits_together": "timing_words",
    "list_text": "cycle_list",
    "many_text": "several",
    "markdown_text": "markdown",
    "match_text": "planning_text",
    "night_pictures": "night",
    "ninth_bit_faults": "phrases",
    "ordered_steps": "bad_parts",
    "page_of_sets": "sets_page",
    "paragraphs": "tables",
    "part_states": "card",
    "place_line": "phrases",
    "places_of": "places",
    "plan_page": "clip_list",
    "plan_text": "planning_text",
    "plural": "numbers",
    "power_json": "supply_text",
    "power_text": "supply_text",
    "probes_text": "checks_text",
    "profile_schema": "schemas",
    "refuse_overwriting": "files",
    "result_schema": "schemas",
    "retest_text": "repair_text",
    "scene_svg": "scenes",
    "seconds": "numbers",
    "selects_text": "checks_text",
    "set_heading": "sets",
    "sets_schema": "schemas",
    "sets_text": "sets",
    "skipped_together": "checks_text",
    "stands": "timing_words",
    "table_text": "tables",
    "timing_figures": "timing_words",
    "timing_histograms": "timing_plots",
    "timing_text": "checks_text",
    "to_ascii": "terminal",
    "verdict": "phrases",
    "who": "phrases",
    "whole_file": "files",
}


def __getattr__(name: str) -> Any:
    if name in _LATER:
        from importlib import import_module

        return getattr(import_module(f"busledger.decoder.report.{_LATER[name]}"), name)
    raise AttributeError(name)
