"""``busledger profiles``: the buses that are known."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busledger.tui.commands import options as opt
from busledger.tui.commands import screen
from busledger.tui.commands.completing import bus_names

if TYPE_CHECKING:
    from busledger.decoder.bus import Profile

__all__ = ["MEMORY_NOTE", "profile_table", "profiles"]

MEMORY = "†"
MEMORY_NOTE = f"{MEMORY} from memory of it, without the sheet at hand."


def profiles(
    name: Annotated[
        str | None,
        typer.Argument(
            autocompletion=bus_names,
            metavar="NAME",
            help="A bus, or the path of a profile of your own.",
            show_default=False,
        ),
    ] = None,
    check: Annotated[
        Path | None,
        typer.Option(
            "--check", metavar="FILE", help="Explain every mistake in a profile of your own.", show_default=False
        ),
    ] = None,
    as_json: opt.JsonOption = False,
) -> int:
    """List the buses that are known and what each was checked against, or tell all about one: lines, cycles, timing.

    How to write a profile of your own is told in bus_profiles/WRITING.md.

    \b
    busledger profiles
    busledger profiles z80
    busledger profiles my_bus.toml
    busledger profiles --check my_bus.toml
    """
    from busledger.decoder.bus import load_profile, profile_names

    if check is not None:
        return _check(check)
    if as_json:
        names = profile_names() if name is None else (name,)
        known = [_as_data(load_profile(each)) for each in names]
        text = json.dumps({"schema": "busledger.profiles/1", "profiles": known}, indent=2)
        screen.show_data(text.encode() + b"\n")
    elif name is None:
        _show_all([load_profile(each) for each in profile_names()])
    else:
        _show_one(load_profile(name))
    return 0


def profile_table(known: Sequence[Profile]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """(headings, rows): each bus with its family, its widths, its kinds of cycle, and what decoding was checked
    against."""
    heads = ("bus", "what it is", "family", "bits", "cycles", "checked against")
    rows: list[tuple[str, ...]] = [
        (p.name, p.title, p.family, f"{p.address_bits}/{p.data_bits}", ", ".join(p.kinds), _marked(p.checked))
        for p in known
    ]
    return heads, rows


def _marked(checked: str) -> str:
    """What stands in many rows is said once, below the table: a sign takes its place."""
    return re.sub(r",? from memory,?", MEMORY, checked)


def _show_all(known: Sequence[Profile]) -> None:
    rows = [
        (name, family, bits, f"{title}: {kinds}. Checked against {checked}.")
        for name, title, family, bits, kinds, checked in profile_table(known)[1]
    ]
    screen.show_table(("bus", "family", "bits", "what it is, its cycles, its checks"), rows)
    screen.show_paragraphs(["bits: address/data.", MEMORY_NOTE])


def _check(path: Path) -> int:
    """Exit status 0 for a profile without mistakes, 2 with each of them in a sentence."""
    from busledger.decoder.bus import check_profile

    found = check_profile(path)
    if not found:
        screen.show_paragraphs([f"{path}: this profile is right"])
        return 0
    head = f"{path}: {len(found)} mistake{'s' if len(found) != 1 else ''}"
    screen.show_paragraphs([head, *(f"- {sentence}" for sentence in found)], title=True)
    return 2


def _show_one(profile: Profile) -> None:
    from busledger.decoder.marks import Marks

    checked, marks = profile.checked, Marks(profile.marked)
    width = f"{profile.address_bits} address bits, {profile.data_bits} data bits"
    screen.show_paragraphs(
        [f"{profile.name}: {profile.title}", f"{width}; cycles: {', '.join(profile.kinds)}"], title=True
    )
    screen.show_paragraphs([f"Family: {profile.family}", *([f"Checked against: {checked}"] if checked else [])])
    screen.show_paragraphs([f"Never compared: {marks.text(text)}" for text in profile.never_compared])
    lines = [
        (
            marks.name(line.name),
            "low" if line.active_low else "high",
            "must" if line.required else "may",
            marks.text(line.meaning or line.role),
        )
        for line in profile.lines.values()
        if line.role not in ("address", "data")
    ]
    screen.show("\n")
    screen.show_table(("line", "active", "clip", "meaning"), lines)
    for grade in profile.grades:
        screen.show("\n")
        screen.show_paragraphs([f"Grade {grade.name}, ns (source: {grade.source})"], title=True)
        limits = [
            (
                limit.symbol,
                _figure(limit.min),
                _figure(limit.max),
                marks.text(limit.meaning) + (" (doubtful)" if limit.doubtful else ""),
            )
            for limit in grade.limits
        ]
        screen.show_table(("figure", "min", "max", "what"), limits)


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:g}"


def _as_data(profile: Profile) -> dict[str, Any]:
    return {
        "name": profile.name,
        "title": profile.title,
        "address_bits": profile.address_bits,
        "data_bits": profile.data_bits,
        "family": profile.family,
        "kinds": list(profile.kinds),
        "checked_against": profile.checked,
        "lines": [
            {"name": line.name, "role": line.role, "active_low": line.active_low, "required": line.required}
            for line in profile.lines.values()
        ],
        "grades": [grade.model_dump(mode="json") for grade in profile.grades],
    }
