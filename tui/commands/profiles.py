"""``busledger profiles``: the buses that are known."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tui.commands import options as opt
from tui.commands import screen
from tui.commands.completing import bus_names

if TYPE_CHECKING:
    from decoder.bus import Profile

__all__ = ["profiles"]


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
    """List the buses that are known, or tell all about one: its lines, its cycles, its timing.

    How to write a profile of your own is told in bus_profiles/WRITING.md.

    \b
    busledger profiles
    busledger profiles z80
    busledger profiles my_bus.toml
    busledger profiles --check my_bus.toml
    """
    from decoder.bus import load_profile, profile_names

    if check is not None:
        return _check(check)
    if as_json:
        names = profile_names() if name is None else (name,)
        known = [_as_data(load_profile(each)) for each in names]
        text = json.dumps({"schema": "busledger.profiles/1", "profiles": known}, indent=2)
        screen.show_data(text.encode() + b"\n")
    elif name is None:
        rows = [(p.name, str(p.address_bits), str(p.data_bits), p.title) for p in map(load_profile, profile_names())]
        screen.show_table(("bus", "address", "data", "what it is"), rows)
    else:
        _show_one(load_profile(name))
    return 0


def _check(path: Path) -> int:
    """Exit status 0 for a profile without mistakes, 2 with each of them in a sentence."""
    from decoder.bus import check_profile

    found = check_profile(path)
    if not found:
        screen.show_paragraphs([f"{path}: this profile is right"])
        return 0
    head = f"{path}: {len(found)} mistake{'s' if len(found) != 1 else ''}"
    screen.show_paragraphs([head, *(f"- {sentence}" for sentence in found)], title=True)
    return 2


def _show_one(profile: Profile) -> None:
    width = f"{profile.address_bits} address bits, {profile.data_bits} data bits"
    screen.show_paragraphs(
        [f"{profile.name}: {profile.title}", f"{width}; cycles: {', '.join(profile.kinds)}"], title=True
    )
    screen.show_paragraphs([f"Never compared: {text}" for text in profile.never_compared])
    lines = [
        (
            line.name,
            "low" if line.active_low else "high",
            "must" if line.required else "may",
            line.meaning or line.role,
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
                limit.meaning + (" (doubtful)" if limit.doubtful else ""),
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
        "kinds": list(profile.kinds),
        "lines": [
            {"name": line.name, "role": line.role, "active_low": line.active_low, "required": line.required}
            for line in profile.lines.values()
        ],
        "grades": [grade.model_dump(mode="json") for grade in profile.grades],
    }
