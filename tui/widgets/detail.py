"""One cycle in words: what it did, what it should have read, who wrote that."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import Static

from busledger.decoder.ledger.columns import Verdict
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS
from busledger.tui.session import BoardLike
from busledger.tui.source import CycleSource
from busledger.tui.state import BrowserState
from busledger.tui.wording import VERDICT_WORDS, flag_words, hex_bits, kind_word, lanes_text, span_text, time_text

__all__ = ["CycleDetail", "chips_on", "detail_text"]


def chips_on(board: BoardLike | None, region: int, lanes: int) -> tuple[str, ...]:
    """Designators of the region's chips that serve any of these lanes (a mask)."""
    if board is None or not 0 <= region < len(board.regions):
        return ()
    return tuple(
        chip.designator for chip in board.regions[region].chips if any(lanes >> lane & 1 for lane in chip.lanes)
    )


def _place(source: CycleSource, board: BoardLike | None, region: int, lanes: int) -> str:
    regions = source.facts.regions
    if not 0 <= region < len(regions):
        return "outside all regions"
    words = f"in {plain(regions[region].name)}"
    chips = chips_on(board, region, lanes)
    return f"{words}, {' '.join(plain(chip) for chip in chips)}" if chips else words


def _kind(source: CycleSource, region: int) -> str:
    regions = source.facts.regions
    return regions[region].kind if 0 <= region < len(regions) else ""


def detail_text(source: CycleSource, board: BoardLike | None, state: BrowserState, below: str = "") -> Text:
    """The chosen cycle, ``below`` under its first line; every name from a file is escaped, nothing is markup."""
    if not source.total:
        return Text("The capture holds no cycles.", COLOURS["wrong"])
    facts, row = source.facts, source.row(state.cursor)
    text = Text(end="")
    verdict = Verdict(row.verdict)
    colour = {Verdict.MISMATCH: "wrong", Verdict.DISAGREES: "wrong", Verdict.AGREES: "good"}.get(verdict, "text")
    all_lanes = (1 << facts.data_bits) - 1

    text.append(f"#{row.index} ", COLOURS["dim"])
    text.append(kind_word(row.kind), f"bold {COLOURS['text']}")
    text.append(f" at {hex_bits(row.address, row.address_unknown, facts.address_bits)}", COLOURS["accent"])
    text.append(f" {_place(source, board, row.region, row.mismatch or all_lanes)}", COLOURS["text"])
    text.append(f"  {time_text(row.time, facts.tick_fs)} s\n", COLOURS["dim"])
    if below:
        text.append(f"{below}\n", COLOURS["accent"])

    words = VERDICT_WORDS[verdict]
    if verdict is Verdict.UNKNOWN and _kind(source, row.region) == "rom":
        words = "not compared: the ROM's image is not given"
    text.append(words, f"bold {COLOURS[colour]}")
    text.append(f"  data {hex_bits(row.data, row.data_unknown, facts.data_bits)}", COLOURS["text"])
    text.append(f" = {_binary(row.data, row.data_unknown, facts.data_bits)}", COLOURS["dim"])
    if row.known:
        due = "the cell held until then" if verdict is Verdict.WRITE else "must be"
        text.append(f"  {due} {hex_bits(row.expected, ~row.known, facts.data_bits)}", COLOURS["text"])
        text.append(f" = {_binary(row.expected, ~row.known, facts.data_bits)}", COLOURS["dim"])
    if row.mismatch:
        text.append(f"\ndiffers in {lanes_text(row.mismatch)}", f"bold {COLOURS['wrong']}")
        low, high = row.mismatch & ~row.data, row.mismatch & row.data
        parts = [
            f"{lanes_text(mask)} {word}"
            for mask, word in ((low, "low for high"), (high, "high for low"))
            if mask & all_lanes
        ]
        text.append(f" ({'; '.join(parts)})", COLOURS["wrong"])
        text.append(f", the bus carried {hex_bits(row.kept, 0, facts.data_bits)} before", COLOURS["dim"])
    text.append("\n")
    if row.writer >= 0:
        writer = source.row(row.writer)
        text.append("last written by ", COLOURS["dim"])
        text.append(f"#{row.writer}", COLOURS["accent"])
        text.append(f" with {hex_bits(writer.data, writer.data_unknown, facts.data_bits)}", COLOURS["text"])
        text.append(f", {span_text(row.time - writer.time, facts.tick_fs)} before", COLOURS["dim"])
        text.append(" (o goes there)", COLOURS["dim"])
    elif row.known and _kind(source, row.region) == "rom":
        text.append("as the ROM's image has it", COLOURS["dim"])
    else:
        text.append("no write to this cell was seen before", COLOURS["dim"])
    if row.flags:
        text.append(f"\nflags {flag_words(row.flags)}", COLOURS["caution"])
    if state.lane is not None:
        text.append(f"\nlane chosen: D{state.lane}", COLOURS["mark"])
    return text


def _binary(value: int, unknown: int, bits: int) -> str:
    digits = ["?" if unknown >> b & 1 else str(value >> b & 1) for b in reversed(range(bits))]
    return " ".join("".join(digits[max(0, end - 4) : end]) for end in range(len(digits) % 4 or 4, bits + 1, 4))


class CycleDetail(Static):
    """Draws ``detail_text``."""

    def show(self, source: CycleSource, board: BoardLike | None, state: BrowserState, below: str = "") -> None:
        """Draw this state; ``below`` is a sentence under the first line."""
        self.update(detail_text(source, board, state, below), layout=False)
