"""A suspect as text, with all that is known; and the verdict in a sentence."""

from __future__ import annotations

from dataclasses import dataclass

from rich.text import Text

from busledger.decoder.diagnosis import KINDS
from busledger.decoder.figures import NO_BREAK, percent
from busledger.decoder.findings import CheckResult, Suspect
from busledger.decoder.marks import Marks
from busledger.decoder.report import (
    LIKELY,
    cleared_together,
    coverage_lines,
    coverage_rows,
    gain_words,
    how_often,
    how_often_and_sure,
    ordered_steps,
    place_line,
    places_of,
    seconds,
    verdict,
    who,
)
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS
from busledger.tui.source import CycleSource
from busledger.tui.state import BrowserState
from busledger.tui.widgets.clicking import acts
from busledger.tui.wording import hex_bits, ranges_text, thousands, time_text

__all__ = ["Piece", "bar", "flowing", "pieces_of", "verdict_words", "why_text"]


@dataclass(frozen=True, slots=True)
class Piece:
    """One thing to look at: ``cycle`` to go to, or None for the wrong cycles that speak for the suspect."""

    words: str
    cycle: int | None


def verdict_words(result: CheckResult, *, see: str = ": see Why") -> Text:
    """The answer as every report gives it, then how many reads are wrong; ``see``: where the cautions are."""
    compared = sum(region.reads_compared for region in result.regions)
    sign, colour = "✓", COLOURS["good"]
    if not result.judged:
        sign, colour = "~", COLOURS["caution"]
    elif result.mismatch_total or (result.suspects and result.suspects[0].probability >= LIKELY):
        sign, colour = "✗", COLOURS["wrong"]
    elif not compared:
        sign, colour = "~", COLOURS["caution"]
    text = Text(f"{sign} {flowing(verdict(result))}.", f"bold {colour}", end="")
    if result.mismatch_total:
        text.append(f" {thousands(result.mismatch_total)} of {thousands(compared)} compared reads are wrong.", colour)
    if result.unexplained:
        text.append(f" {thousands(result.unexplained)} of them fit no suspect.", COLOURS["caution"])
    if result.capture.warnings:
        cautions = len(result.capture.warnings)
        text.append(f" {cautions} caution{'s' if cautions > 1 else ''}{see}.", COLOURS["caution"])
    return text


def flowing(words: str) -> str:
    """A sentence of the reports on a screen that breaks lines by itself."""
    return words.replace(NO_BREAK, " ")


def bar(probability: float, width: int) -> str:
    """At least an eighth of a cell for anything above nothing, never full for less than certain."""
    eighths = (
        max(1, min(round(probability * width * 8), width * 8 - 1))
        if 0 < probability < 1
        else round(probability) * width * 8
    )
    return ("█" * (eighths // 8) + " ▏▎▍▌▋▊▉"[eighths % 8]).strip().ljust(width, "·")


def _percent(probability: float) -> str:
    return flowing(percent(probability))


def pieces_of(result: CheckResult, source: CycleSource, place: int) -> list[Piece]:
    """What can be gone to from a suspect: its evidence, then its first wrong cycles."""
    if not 0 <= place < len(result.suspects):
        return []
    suspect, facts = result.suspects[place], source.facts
    pieces = [Piece(plain(words, 500), None) for words in suspect.evidence]
    for cycle in suspect.first_cycles:
        if not 0 <= cycle < source.total:
            continue
        row = source.row(cycle)
        pieces.append(
            Piece(
                f"#{cycle}  {time_text(row.time, facts.tick_fs)} s"
                f"  at {hex_bits(row.address, row.address_unknown, facts.address_bits)}"
                f"  read {hex_bits(row.data, row.data_unknown, facts.data_bits)}"
                f" for {hex_bits(row.expected, ~row.known, facts.data_bits)}",
                cycle,
            )
        )
    return pieces


def _title(text: Text, words: str) -> None:
    text.append(f"\n{words}\n", f"bold {COLOURS['accent']}")


def why_text(result: CheckResult, source: CycleSource, state: BrowserState) -> tuple[Text, int]:
    """The page of the chosen suspect, and the line of its chosen piece of evidence."""
    text, chosen_line = Text(end=""), 0
    if result.suspects:
        chosen_line = _suspect(text, result, source, state)
        _rivals(text, result, state.suspect)
    else:
        text.append("There is no suspect. ", f"bold {COLOURS['text']}")
        text.append_text(verdict_words(result, see=" below"))
        text.append("\n")
    if result.next_steps:
        _title(text, "What to do next")
        marks = Marks(result.active_low)
        for number, step in enumerate(ordered_steps(result), 1):
            text.append(f" {number}. {plain(step.text, 600)}", COLOURS["text"])
            if step.clip:
                text.append(f"  clip {' '.join(plain(marks.name(line)) for line in step.clip)}", COLOURS["key"])
            if step.gain_bits is not None:
                text.append(f"  {flowing(gain_words(step))}", COLOURS["dim"])
            text.append("\n")
    if result.cleared:
        _title(text, "Cleared")
        for cleared in cleared_together(result.cleared):
            lanes = plain(ranges_text(cleared.lanes)).replace(" ", ", ")
            told = "" if lanes in cleared.evidence else f" {lanes}"
            text.append(f" ✓ {plain(cleared.component)}{told}", f"bold {COLOURS['good']}")
            text.append(f"  {plain(cleared.evidence, 400)}\n", COLOURS["dim"])
    _coverage(text, result)
    if result.capture.warnings:
        _title(text, "Cautions")
        for warning in result.capture.warnings:
            when = f" at {flowing(seconds(warning.time_s))}" if warning.time_s is not None else ""
            text.append(f" ~ {flowing(plain(warning.text, 400))}{when}\n", COLOURS["caution"])
    return text, chosen_line


def _coverage(text: Text, result: CheckResult) -> None:
    """The regions' figures as sentences, then what was not exercised."""
    rows, rest = coverage_rows(result.coverage), coverage_lines(result.coverage)
    if rows or rest:
        _title(text, "What the capture exercised, and what not")
    for name, cells, lanes, lines in rows:
        text.append(f" {name}", COLOURS["text"])
        text.append(f"  {cells} cells compared; at both levels: {lanes}; told apart: {lines}\n", COLOURS["dim"])
    for line in rest:
        text.append(f" {line}\n", COLOURS["dim"])


def _suspect(text: Text, result: CheckResult, source: CycleSource, state: BrowserState) -> int:
    place = min(state.suspect, len(result.suspects) - 1)
    suspect = result.suspects[place]
    text.append(f"{suspect.rank} of {len(result.suspects)}  ", COLOURS["dim"])
    text.append(f"{plain(suspect.summary, 400)}\n", f"bold {COLOURS['text']}")
    text.append(f"{bar(suspect.probability, 24)} ", COLOURS["wrong"])
    text.append(_percent(suspect.probability), f"bold {COLOURS['text']}")
    text.append(f"{_counted(suspect)}\n", COLOURS["dim"])
    _part_is_bad(text, result, suspect)
    _title(text, "What speaks for it")
    pieces = pieces_of(result, source, place)
    chosen_line = 0
    for number, piece in enumerate(pieces):
        chosen = number == min(state.evidence, len(pieces) - 1)
        if chosen:
            chosen_line = text.plain.count("\n")
        start = len(text)
        text.append(" ▶ " if chosen else "   ", f"bold {COLOURS['accent']}")
        text.append(piece.words + "\n", COLOURS["accent"] if piece.cycle is not None else COLOURS["text"])
        text.stylize(acts(f"screen.choose_piece({number})"), start)
    if not pieces:
        below = result.capture.warnings and not KINDS[suspect.fault].on_card
        text.append("   the cautions below\n" if below else "   nothing is listed\n", COLOURS["dim"])
    return chosen_line


def _counted(suspect: Suspect) -> str:
    """How often, and what it explains; nothing of that where no read could tell."""
    told = any("95 % sure" in flowing(line) for line in suspect.evidence)  # then it need not be said twice
    often = flowing(how_often(suspect) if told else how_often_and_sure(suspect))
    words = f"  {often}" if often else ""
    if suspect.explains or suspect.contradicted or KINDS[suspect.fault].on_card:
        words += f"  explains {thousands(suspect.explains)}, contradicted by {thousands(suspect.contradicted)}"
    return words


def _part_is_bad(text: Text, result: CheckResult, suspect: Suspect) -> None:
    """Where the part is surer than the way in which it is bad, that too: the first line may call it certain."""
    place = next((found for found in places_of(result) if suspect in found.suspects), None)
    if place is None or not place.on_card or place.bad < LIKELY or suspect not in (place.leader, *place.ways):
        return
    if _percent(place.bad) != _percent(suspect.probability):
        text.append(f"{plain(who(suspect), 60)} is bad, {_percent(place.bad)}", f"bold {COLOURS['text']}")
        text.append(f"; in this way {_percent(suspect.probability)}\n", COLOURS["dim"])


def _rivals(text: Text, result: CheckResult, place: int) -> None:
    suspect = result.suspects[min(place, len(result.suspects) - 1)]
    rivals = [other for other in result.suspects if other.rank != suspect.rank and other.place == suspect.place]
    if rivals:
        _title(text, "Its rivals")
    for rival in rivals:
        start = len(text)
        text.append(f" {rival.rank} {_percent(rival.probability):>5} ", f"bold {COLOURS['text']}")
        text.append(f"{plain(rival.summary, 300)}\n", COLOURS["text"])
        text.stylize(acts(f"screen.suspect({rival.rank})"), start)
        if rival.rank in suspect.tied_with:
            text.append("         tied: this capture cannot tell the two apart\n", COLOURS["caution"])
        elif rival.contradicted:
            text.append(f"         {thousands(rival.contradicted)} reads contradict it\n", COLOURS["dim"])
        elif rival.explains < suspect.explains:
            missing = suspect.explains - rival.explains
            text.append(f"         leaves {thousands(missing)} wrong reads unexplained\n", COLOURS["dim"])
        elif rival.evidence:
            text.append(f"         {plain(rival.evidence[0], 300)}\n", COLOURS["dim"])
    elsewhere = [found for found in places_of(result) if found.leader.place != suspect.place]
    if elsewhere:
        _title(text, "Also wrong")
        for found in elsewhere:
            start = len(text)
            text.append(f" {found.leader.rank} {flowing(place_line(found, part_first=True))}\n", COLOURS["text"])
            text.stylize(acts(f"screen.suspect({found.leader.rank})"), start)
