"""``busledger parts``: the chips that are known."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from busledger.tui.commands import options as opt
from busledger.tui.commands import screen
from busledger.tui.commands.completing import part_names

if TYPE_CHECKING:
    from busledger.decoder.board import Part

__all__ = ["parts"]


def parts(
    name: Annotated[
        str | None,
        typer.Argument(
            autocompletion=part_names,
            metavar="NAME",
            help="A part, in any usual marking: SN74LS138N.",
            show_default=False,
        ),
    ] = None,
    as_json: opt.JsonOption = False,
) -> int:
    """List the parts that a board file may name, or tell all about one.

    \b
    busledger parts
    busledger parts 2114
    """
    from busledger.decoder.board import parts as library

    known = library()
    chosen = list(known) if name is None else [known.get(name)]
    if as_json:
        data = [part.model_dump(mode="json", by_alias=True) for part in chosen]
        screen.show_data(json.dumps({"schema": "busledger.parts/1", "parts": data}, indent=2).encode() + b"\n")
    elif name is None:
        screen.show_table(("part", "kind", "what it is"), [(p.name, _kind(p), p.title) for p in chosen])
    else:
        _show_one(chosen[0])
    return 0


def _kind(part: Part) -> str:
    return str(getattr(part, "kind", ""))


def _show_one(part: Part) -> None:
    texts = [f"{part.name}: {part.title}", f"Kind: {_kind(part)}"]
    if part.aliases:
        texts.append(f"Also marked: {', '.join(part.aliases)}")
    texts += _organisation(part)
    texts += list(part.notes)
    texts.append(f"Source: {part.source}")
    screen.show_paragraphs(texts, title=True)
    if part.pinout:
        screen.show("\n")
        warned = part.dangerous_pins
        pins = [
            (str(number), signal, f"{warned[number]:g} V: do not clip an analyser here" if number in warned else "")
            for number, signal in enumerate(part.pinout, 1)
        ]
        screen.show_table(("pin", "signal", ""), pins)
    for section in getattr(part, "sections", ()):
        screen.show("\n")
        screen.show_paragraphs(
            [f"Truth table: {' '.join(section.inputs)} | {' '.join(section.outputs)}", *section.rows], title=True
        )


def _organisation(part: Part) -> list[str]:
    """What only one kind of part has, in words."""
    from busledger.decoder.board import BufferPart, MemoryPart

    if isinstance(part, MemoryPart):
        grades = ", ".join(
            f"{access:g} ns" if name == f"{access:g}ns" else f"{name} {access:g} ns"
            for name, access in part.grades.items()
        )
        return [f"{part.words} words of {part.width} bits, {part.pins} pins", f"Access time by grade: {grades}"]
    if isinstance(part, BufferPart):
        return [f"{part.channels} lines, {'inverting' if part.inverting else 'not inverting'}"]
    return []
