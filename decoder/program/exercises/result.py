"""A program and what is said of it, as one JSON object for other programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from busledger.decoder.figures import NO_BREAK
from busledger.decoder.program.exercises.columns import Program
from busledger.decoder.program.exercises.foretold import Foretold

__all__ = ["ExerciseResult", "exercise_result"]


class ExerciseResult(BaseModel):
    """``exercise --json``. Addresses are integers, ranges include both ends, times are seconds.

    ``bytes`` in hexadecimal from ``origin`` on; ``labels`` name addresses in it (FADDR, FWROTE, FREAD keep a failure;
    the program ends at DONE or HALTED). ``finds``, ``part``, ``misses``: published kinds of fault by their short names.
    ``said`` holds the sentences for people under their heads, ``chosen`` why this test (empty where it was asked for).
    """

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)
    schema_: Literal["busledger.exercise/1"] = Field(default="busledger.exercise/1", alias="schema")
    title: str
    processor: str
    test: str
    ranges: tuple[tuple[int, int], ...]
    origin: int
    end: int
    bytes: str
    labels: dict[str, int]
    layout: str
    on_failure: str
    pass_s: float
    passes: int | None
    stack: tuple[int, int] | None
    scratch: tuple[int, int] | None
    finds: tuple[str, ...]
    part: dict[str, str]
    misses: tuple[str, ...]
    said: dict[str, tuple[str, ...]]
    chosen: tuple[str, ...] = ()
    written: tuple[str, ...] = ()


def exercise_result(
    program: Program, told: Foretold, *, chosen: Sequence[str] = (), written: Sequence[str] = ()
) -> ExerciseResult:
    """The result of one program; ``written``: the files it was written to."""
    wanted = program.wanted
    return ExerciseResult(
        title=_plain([told.title])[0],
        processor=wanted.processor.name,
        test=wanted.test.name,
        ranges=wanted.ranges,
        origin=program.origin,
        end=program.end,
        bytes=program.data.hex().upper(),
        labels=dict(program.labels),
        layout=program.layout,
        on_failure=wanted.on_failure,
        pass_s=program.pass_s,
        passes=wanted.passes,
        stack=program.stack,
        scratch=program.scratch,
        finds=wanted.test.finds,
        part=dict(wanted.test.part),
        misses=wanted.test.misses,
        said={head: _plain(sentences) for head, sentences in told.sections},
        chosen=_plain(chosen),
        written=tuple(written),
    )


def _plain(texts: Sequence[str]) -> tuple[str, ...]:
    return tuple(text.replace(NO_BREAK, " ") for text in texts)
