"""Test programs for the machine's own processor, out of templates that are data."""

from busledger.decoder.program.exercises.asked import (
    Asked,
    named_regions,
    parse_address,
    program_for,
    testable,
)
from busledger.decoder.program.exercises.columns import Line, OnFailure, Program, Range, Wanted
from busledger.decoder.program.exercises.compose import make_program
from busledger.decoder.program.exercises.foretold import Foretold, foretell, seconds_text
from busledger.decoder.program.exercises.formats import file_bytes, format_of
from busledger.decoder.program.exercises.library import memory_test, memory_tests, processor_for, processors
from busledger.decoder.program.exercises.listing import listing, typing_rows
from busledger.decoder.program.exercises.overlaps import range_text
from busledger.decoder.program.exercises.result import ExerciseResult, exercise_result
from busledger.decoder.program.exercises.schema import MemoryTest

__all__ = [
    "Asked",
    "ExerciseResult",
    "Foretold",
    "Line",
    "MemoryTest",
    "OnFailure",
    "Program",
    "Range",
    "Wanted",
    "exercise_result",
    "file_bytes",
    "foretell",
    "format_of",
    "listing",
    "make_program",
    "memory_test",
    "memory_tests",
    "named_regions",
    "parse_address",
    "processor_for",
    "processors",
    "program_for",
    "range_text",
    "seconds_text",
    "testable",
    "typing_rows",
]
