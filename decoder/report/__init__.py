"""Results as text, JSON lines and CSV; how they were found is not known here."""

from decoder.report.cycle_list import Lister, Selection, list_text
from decoder.report.cycle_rows import RowFormat
from decoder.report.files import refuse_overwriting, whole_file
from decoder.report.numbers import plural
from decoder.report.phrases import verdict
from decoder.report.tables import paragraphs, table_text
from decoder.report.text import check_text, to_ascii

__all__ = [
    "Lister",
    "RowFormat",
    "Selection",
    "check_text",
    "list_text",
    "paragraphs",
    "plural",
    "refuse_overwriting",
    "table_text",
    "to_ascii",
    "verdict",
    "whole_file",
]
