"""The templates that come with busledger: processors and tests, read when first asked for."""

from __future__ import annotations

import difflib
import tomllib
from functools import cache
from importlib import resources

from busledger.decoder.bus import profile_names
from busledger.decoder.errors import UsageError
from busledger.decoder.program.exercises.schema import LayoutFile, MemoryTest, MemoryTestsFile, ProcessorFile
from busledger.decoder.text import plain

__all__ = ["layouts_of", "memory_test", "memory_tests", "processor_for", "processors"]

_HERE = "busledger.decoder.program.exercises"


@cache
def processors() -> tuple[ProcessorFile, ...]:
    """Every processor, by the name of its file."""
    folder = resources.files(_HERE).joinpath("processors")
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)
    return tuple(ProcessorFile.model_validate(tomllib.loads(f.read_text(encoding="utf-8"))) for f in files)


@cache
def memory_tests() -> MemoryTestsFile:
    """The tests, and the kinds of fault that they are held against."""
    text = resources.files(_HERE).joinpath("tests.toml").read_text(encoding="utf-8")
    return MemoryTestsFile.model_validate(tomllib.loads(text))


def memory_test(name: str) -> MemoryTest:
    """A test by its name. UsageError where there is none."""
    for test in memory_tests().test:
        if test.name == name.strip().lower():
            return test
    raise UsageError(
        f"there is no test {plain(name)!r}", expected=f"one of {', '.join(t.name for t in memory_tests().test)}"
    )


def processor_for(bus: str, name: str | None) -> ProcessorFile:
    """The processor to write for: the one named, or the one that a bus has.

    Raises
    ------
    UsageError
        an unknown name; a processor that the bus cannot have; a bus that no processor here has, or that several have.
    """
    fitting = [one for one in processors() if bus in one.buses]
    if name is not None:
        wanted = name.strip().lower()
        found = next((one for one in processors() if wanted in one.names), None)
        known = sorted(n for one in processors() for n in one.names)
        if found is None:
            near = difflib.get_close_matches(wanted, known, n=1)
            raise UsageError(
                f"there are no templates for a processor {plain(name)!r}",
                expected=f"one of {', '.join(known)}",
                hint=f"Did you mean {near[0]}?" if near else "",
            )
        if found not in fitting and bus in profile_names():  # of a profile of one's own nothing is known
            raise UsageError(
                f"the board's bus is {plain(bus)}, which {found.one} does not drive",
                expected=_choice(fitting, bus),
                hint="Is it the board file of this machine?",
            )
        return found
    # A processor whose own bus it is comes before one that can also sit on it.
    own = [one for one in fitting if bus in one.names]
    if len(own or fitting) == 1:
        return (own or fitting)[0]
    if not fitting:
        raise UsageError(
            f"there are no templates for a processor on the bus {plain(bus)}",
            expected=f"a board whose bus is one of {', '.join(sorted({b for one in processors() for b in one.buses}))}",
            hint="" if bus in profile_names() else "Say --processor, if it is a bus of your own.",
        )
    raise UsageError(f"several processors drive the bus {plain(bus)}", expected=_choice(fitting, bus))


def _choice(fitting: list[ProcessorFile], bus: str) -> str:
    if not fitting:
        return f"a processor that drives {plain(bus)} (there are templates for none)"
    return "--processor " + " or ".join(one.names[0] for one in fitting)


def layouts_of(processor: ProcessorFile) -> tuple[LayoutFile, ...]:
    """The processor's layouts, each with all its fragments: its own, those of the one it is like, the processor's."""
    by_name = {layout.name: layout for layout in processor.layout}
    return tuple(_whole(layout, by_name, processor) for layout in processor.layout)


def _whole(layout: LayoutFile, by_name: dict[str, LayoutFile], processor: ProcessorFile) -> LayoutFile:
    above = _whole(by_name[layout.like], by_name, processor) if layout.like else None
    fragments = above.fragment if above else processor.fragment
    ops = above.op if above else processor.op
    merged = {name: {**ops.get(name, {}), **layout.op.get(name, {})} for name in {*ops, *layout.op}}
    return layout.model_copy(
        update={
            "fragment": {**fragments, **layout.fragment},
            "op": merged,
            "scratch": layout.scratch or (above.scratch if above else {}),
            "scratch_below": min(layout.scratch_below, above.scratch_below if above else layout.scratch_below),
            "needs_ram": layout.needs_ram or bool(above and above.needs_ram),
        }
    )
