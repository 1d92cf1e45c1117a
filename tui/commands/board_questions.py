"""The questions of ``board new``: few, most with a likely answer ready, asked again until it fits."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TypeVar

import typer

from busledger.decoder.errors import BusledgerError, UsageError
from busledger.tui.commands import screen
from busledger.tui.commands.board_form import Form, FormRegion, chips_needed

__all__ = ["ask_form"]

T = TypeVar("T")
_NUMBER = re.compile(r"(.*?)(\d+)")


def ask_form(*, name: str | None = None, bus: str | None = None, part: str | None = None) -> Form:
    """Ask for a whole card; what is given is not asked."""
    from busledger.decoder.bus import load_profile, profile_names

    if name is None:
        name = _ask("What is the card called?", "Memory card", _not_empty)
    if bus is None:
        screen.show_paragraphs([f"Buses: {', '.join(profile_names())}"])
        bus = _ask("Which bus is it on?", None, lambda text: load_profile(text).name)
    profile = load_profile(bus)
    regions = list(_ask_banks(profile.data_bits, part))
    while _ask("Another region, such as a ROM?", "no", _yes_or_no):
        region = _ask("  Its name?", "monitor", _not_empty)
        kind = _ask("  ram, rom or io?", "rom", _kind)
        start = _ask("  Its first address (hexadecimal)?", "F800", _hex)
        end = _ask("  Its last address?", f"{start + 0x7FF:X}", _hex_from(start))
        regions.append(FormRegion(region, start, end, kind))
    return Form(name, bus, tuple(regions))


def _ask_banks(data_bits: int, part: str | None) -> list[FormRegion]:
    """Like banks of RAM, one after another in memory, as cards of the time have them."""
    from busledger.decoder.board import MemoryPart, parts

    banks = _ask("How many banks of RAM, all of one size?", "4", _count)
    if banks == 0:
        return []
    spans: list[tuple[int, int]] = []
    words = 0x400

    def known(text: str) -> str | None:
        nonlocal spans, words
        if not text.strip() or text.strip() == "unknown":
            return None
        spans = chips_needed(text, data_bits)
        found = parts().get(text)
        assert isinstance(found, MemoryPart)
        words = found.words
        return found.name

    chip = known(part) if part is not None else _ask("Which RAM chips ('unknown' if you cannot tell)?", "2114", known)
    start = _ask("First address of the first bank (hexadecimal)?", "4000", _hex)
    end = _ask("Last address of the first bank?", f"{start + words - 1:X}", _hex_from(start))
    made, following = [], "U1"
    for number in range(banks):
        base = start + number * (end - start + 1)
        names: list[str] = []
        if spans:
            offered = _count_on(following, len(spans))
            names = _ask(f"  Chips of bank{number}, D0 first?", " ".join(offered), _designators(len(spans)))
            following = _count_on(names[-1], 2)[1]
        chips = tuple((name, low, high) for name, (low, high) in zip(names, spans, strict=False))
        made.append(FormRegion(f"bank{number}", base, base + end - start, "ram", chip, chips))
    return made


def _ask(question: str, likely: str | None, understand: Callable[[str], T]) -> T:
    """Ask until ``understand`` takes the answer; its error says what would be right. None: no answer is likely."""
    while True:
        answer = typer.prompt(question, default=likely)
        try:
            return understand(str(answer))
        except BusledgerError as error:
            screen.show_paragraphs([str(error)])


def _not_empty(text: str) -> str:
    if not text.strip():
        raise UsageError("a name is needed")
    return text.strip()


def _yes_or_no(text: str) -> bool:
    if text.strip().lower() in ("y", "yes"):
        return True
    if text.strip().lower() in ("n", "no"):
        return False
    raise UsageError(f"'{text}' is neither yes nor no")


def _kind(text: str) -> str:
    if text.strip().lower() not in ("ram", "rom", "io"):
        raise UsageError(f"'{text}' is no kind of region", expected="ram, rom or io")
    return text.strip().lower()


def _count(text: str) -> int:
    if not text.strip().isdecimal() or int(text) > 64:
        raise UsageError(f"'{text}' is no count of banks", expected="0 to 64")
    return int(text)


def _hex(text: str) -> int:
    try:
        return int(text.strip().removeprefix("$"), 16)
    except ValueError:
        raise UsageError(f"'{text}' is not an address", expected="hexadecimal, such as 4000") from None


def _hex_from(start: int) -> Callable[[str], int]:
    def understand(text: str) -> int:
        end = _hex(text)
        if end < start:
            raise UsageError(f"{end:X} lies before the first address, {start:X}")
        return end

    return understand


def _designators(needed: int) -> Callable[[str], list[str]]:
    def understand(text: str) -> list[str]:
        names = text.replace(",", " ").split()
        if len(names) != needed:
            raise UsageError(f"these are {len(names)} names", expected=f"{needed}, with spaces between")
        return names

    return understand


def _count_on(name: str, how_many: int) -> list[str]:
    """``U7`` → U7, U8, …; a name without a number is offered again and again."""
    match = _NUMBER.fullmatch(name)
    if match is None:
        return [name] * how_many
    return [f"{match[1]}{int(match[2]) + k}" for k in range(how_many)]
