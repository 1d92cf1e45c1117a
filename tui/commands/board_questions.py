"""The questions of ``board new``: few, most with a likely answer ready, asked again until it fits."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

import typer

from busledger.decoder.errors import BusledgerError, UsageError
from busledger.tui.commands import screen
from busledger.tui.commands.board_form import Form, FormDecoder, FormDriver, FormRegion, chips_needed

if TYPE_CHECKING:
    from busledger.decoder.board import DecoderPart
    from busledger.decoder.bus import Profile

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
    regions, decoders = _ask_selects(regions)
    drivers = _ask_drivers(profile)
    return Form(name, bus, tuple(regions), (), decoders, drivers, profile.data_bits)


def _ask_selects(regions: list[FormRegion]) -> tuple[list[FormRegion], tuple[FormDecoder, ...]]:
    """Select lines of the RAM banks, and the decoder that makes them: what names a decoder as a suspect."""
    from busledger.decoder.board import DecoderPart, parts

    banks = [k for k, region in enumerate(regions) if region.kind == "ram"]
    if not banks:
        return regions, ()
    names = _ask(f"Select lines of the {len(banks)} banks, first to last ('unknown' if you cannot tell)?", "unknown",
                 _none_or(_words(len(banks))))  # fmt: skip
    if names is None:
        return regions, ()
    made = list(regions)
    for k, name in zip(banks, names, strict=True):
        made[k] = replace(made[k], select=name)

    def decoder(text: str) -> tuple[str, DecoderPart]:
        designator, name = _pair(text)
        found = parts().get(name)
        if not isinstance(found, DecoderPart):
            raise UsageError(f"{found.name} is no decoder", expected="a decoder such as 74LS138")
        return designator, found

    answer = _ask("Decoder that makes them, as U9=74LS138 ('none')?", "none", _none_or(decoder))
    if answer is None:
        return made, ()
    designator, part = answer
    inputs = _ask(f"  Lines on its inputs {' '.join(part.inputs)}, as A=A10 B=A11?", None, _pins(part.inputs, part))
    likely = [f"{pin}={name}" for pin, name in zip(part.outputs, names, strict=False)]
    outputs = _ask("  Selects on its outputs?", " ".join(likely), _pins(part.outputs, part))
    return made, (FormDecoder(designator, part.name, tuple(inputs), tuple(outputs)),)


def _ask_drivers(profile: Profile) -> tuple[FormDriver, ...]:
    """Drivers between the bus and the card, each with the line that turns it."""
    from busledger.decoder.board import BufferPart, parts

    def driver(text: str) -> list[tuple[str, BufferPart]]:
        made = []
        for word in text.replace(",", " ").split():
            designator, name = _pair(word)
            found = parts().get(name)
            if not isinstance(found, BufferPart):
                raise UsageError(f"{found.name} is no bus driver", expected="a driver such as 74LS245")
            made.append((designator, found))
        return made

    def turned(text: str) -> tuple[str, int]:
        line, level = _pair(text)
        if not level.isdecimal() or int(level) > 1:
            raise UsageError(f"'{level}' is no level", expected="0 or 1, as RD=0")
        return line, int(level)

    made = []
    for designator, part in _ask("Data bus driver, as U10=74LS245 ('none')?", "none", _none_or(driver)) or []:
        likely = next((f"{line}={level}" for line, level in (("RD", 0), ("RW", 1)) if line in profile.lines), "unknown")
        direction = None
        if part.kind == "two-way":
            question = f"  Line that turns {designator}, and its level toward the CPU ('unknown')?"
            direction = _ask(question, likely, _none_or(turned))
        made.append(FormDriver(designator, part.name, direction))
    return tuple(made)


def _none_or(understand: Callable[[str], T]) -> Callable[[str], T | None]:
    return lambda text: None if text.strip().lower() in ("", "none", "no", "unknown") else understand(text)


def _pair(text: str) -> tuple[str, str]:
    name, sign, value = text.strip().partition("=")
    if not (name and sign and value):
        raise UsageError(f"'{text}' is no pair", expected="two words with = between, such as U9=74LS138")
    return name.strip(), value.strip()


def _pins(known: Sequence[str], part: DecoderPart) -> Callable[[str], list[tuple[str, str]]]:
    def understand(text: str) -> list[tuple[str, str]]:
        pairs = [_pair(word) for word in text.replace(",", " ").split()]
        wrong = [pin for pin, _ in pairs if part.pin_name(pin) not in known]
        if wrong or not pairs:
            raise UsageError(f"'{' '.join(wrong) or text}' names no pin here", expected=f"some of {' '.join(known)}")
        return pairs

    return understand


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
            names = _ask(f"  Chips of bank{number}, D0 first?", " ".join(offered), _words(len(spans)))
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


def _words(needed: int) -> Callable[[str], list[str]]:
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
