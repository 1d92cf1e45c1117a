"""Buffers: each driver's direction against the cycles, and every lane from side to side."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busledger.decoder.checks import BufferResult, BuffersResult, ControlCounts, LanePath
from busledger.decoder.findings import CheckResult
from busledger.decoder.report import accusations
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS
from busledger.tui.widgets.check_text import (
    append_bare_findings,
    append_findings,
    append_skipped,
    append_title,
    read_check,
)
from busledger.tui.wording import thousands, times_text

__all__ = ["buffers_text"]

ABSENT = (
    "There is no look at the bus drivers in this result. It needs a board file that names a buffer, and its"
    " direction, enable or far-side lines clipped.\n"
)


def buffers_text(result: CheckResult, width: int, document: str | None = None, on_board: Sequence[str] = ()) -> Text:
    """The whole page; ``document`` is the check's result as JSON, where the decoded capture keeps it.

    ``on_board``: the board file's drivers, also those that no clip shows.
    """
    text = Text(end="")
    found = read_check(result, "buffers", BuffersResult, document)
    if found is None:
        return append_bare_findings(text, result, "buffers", ABSENT)
    append_findings(text, found.findings, accusations(result, [*(one.designator for one in found.buffers), *on_board]))
    for buffer in found.buffers:
        _buffer(text, buffer)
    append_skipped(text, found.skipped)
    return text


def _buffer(text: Text, buffer: BufferResult) -> None:
    serves = " ".join(plain(name) for name in buffer.serves)
    append_title(text, f"{plain(buffer.designator)} {plain(buffer.part)}", f"{buffer.kind} bus, serves {serves}")
    if buffer.control is not None:
        _control(text, buffer.control)
    if buffer.undriven_stands_out:
        text.append(
            f"   {thousands(buffer.undriven_reads)} of {thousands(buffer.known_reads)} reads repeat what the bus"
            f" carried before; by chance {buffer.undriven_by_chance:.0f} would. Data that come twice look the same as"
            " reads that no part drove.\n",
            COLOURS["dim"],
        )
    if buffer.lanes:
        text.append("   lane near   far        reads          writes\n", COLOURS["dim"])
    for lane in buffer.lanes:
        _lane(text, lane)


def _control(text: Text, control: ControlCounts) -> None:
    rows = (
        ("reads with the buffer off", control.reads_off, control.reads),
        ("reads pointing to the card", control.reads_away, control.reads),
        ("writes with the buffer off", control.writes_off, control.writes),
        ("writes pointing to the CPU", control.writes_toward, control.writes),
        ("driving elsewhere's reads", control.elsewhere, control.elsewhere_cycles),
    )
    for words, wrong, of in rows:
        if not of:
            text.append(f"   {words:<27} no such cycle\n", COLOURS["dim"])
            continue
        text.append(f" {'✗' if wrong else '✓'} ", f"bold {COLOURS['wrong' if wrong else 'good']}")
        text.append(f"{words:<27} {thousands(wrong)} of {thousands(of)}\n", COLOURS["wrong" if wrong else "text"])
    if control.overlaps:
        text.append(
            f" ~ turned round while another drove: {times_text(control.overlaps)},"
            f" up to {control.longest_overlap_ns:.0f} ns\n",
            COLOURS["caution"],
        )
    if control.two_drivers:
        text.append(f" ✗ two drivers at once: {times_text(control.two_drivers)}\n", COLOURS["wrong"])


def _way(differ: int, of: int, arrow: str) -> tuple[str, str]:
    if not of:
        return f"{arrow} none seen", "dim"
    if differ:
        return f"{arrow} ✗ {thousands(differ)}/{thousands(of)}", "wrong"
    return f"{arrow} ✓ {thousands(of)}", "good"


def _lane(text: Text, lane: LanePath) -> None:
    wrong = bool(lane.reads_differ or lane.writes_differ)
    text.append(f" {'✗' if wrong else ' '} ", COLOURS["wrong"])
    text.append(f"{plain(lane.lane, 4):<4} {plain(lane.near, 6):<6}", COLOURS["text"])
    far = plain(lane.far, 8) if lane.far is not None else "unclipped"
    text.append(f"{'¬' if lane.inverted else '─'}{far:<9} ", COLOURS["text" if lane.far is not None else "dim"])
    words, colour = _way(lane.reads_differ, lane.reads, "◀")
    text.append(f"{words:<15}", COLOURS[colour])
    words, colour = _way(lane.writes_differ, lane.writes, "▶")
    text.append(f"{words:<15}", COLOURS[colour])
    text.append(f"{plain(lane.verdict, 40)}\n", COLOURS["wrong" if wrong else "dim"])
