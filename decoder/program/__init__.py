"""The door of ``decoder.program``: test programs for the machine; ``following`` has a door of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from busledger.decoder.program.exercises import (
        Asked,
        ExerciseResult,
        Foretold,
        MemoryTest,
        OnFailure,
        Program,
        Wanted,
        exercise_result,
        file_bytes,
        foretell,
        format_of,
        listing,
        make_program,
        memory_test,
        memory_tests,
        named_regions,
        parse_address,
        processor_for,
        processors,
        program_for,
        range_text,
        seconds_text,
        testable,
        typing_rows,
    )

__all__ = [
    "Asked",
    "ExerciseResult",
    "Foretold",
    "MemoryTest",
    "OnFailure",
    "Program",
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


def __getattr__(name: str) -> Any:
    """Whoever only follows a program needs no test programs: looked up when first used."""
    if name in __all__:
        from busledger.decoder.program import exercises

        return getattr(exercises, name)
    raise AttributeError(name)
