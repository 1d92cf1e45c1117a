"""Errors that a machine's own memory test printed: the lines read, their order told, the test's pattern guessed."""

from busledger.decoder.errors_list.columns import FIELDS, SKIP, ErrorList, MachineBus
from busledger.decoder.errors_list.pattern import Pattern, pattern_of
from busledger.decoder.errors_list.reading import read_errors
from busledger.decoder.errors_list.stated import parse_order, parse_tested

__all__ = [
    "FIELDS",
    "SKIP",
    "ErrorList",
    "MachineBus",
    "Pattern",
    "parse_order",
    "parse_tested",
    "pattern_of",
    "read_errors",
]
