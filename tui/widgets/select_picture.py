"""Selects: each decoder's table as exercised, its outputs, and the regions' selects."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busledger.decoder.checks import DecoderResult, SelectsResult
from busledger.decoder.findings import CheckResult
from busledger.decoder.marks import marked
from busledger.decoder.report import accusations
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS
from busledger.tui.widgets.check_text import (
    append_bare_findings,
    append_findings,
    append_skipped,
    append_title,
    read_check,
    share_bar,
    spark,
)
from busledger.tui.wording import thousands

__all__ = ["selects_text"]

ABSENT = (
    "There is no look at the selects in this result. It needs a board file that names a decoder or a region's"
    " select, and those lines clipped.\n"
)


def selects_text(result: CheckResult, width: int, document: str | None = None, on_board: Sequence[str] = ()) -> Text:
    """The whole page; ``document`` is the check's result as JSON, where the decoded capture keeps it.

    ``on_board``: the board file's decoders, also those that no clip shows.
    """
    text = Text(end="")
    found = read_check(result, "selects", SelectsResult, document)
    if found is None:
        return append_bare_findings(text, result, "selects", ABSENT)
    found = marked(found)
    append_findings(text, found.findings, accusations(result, [*(one.designator for one in found.decoders), *on_board]))
    if found.regions:
        append_title(text, "Regions and their selects", "how often the select came for whose cycles")
        for region in found.regions:
            wrong = region.missing + sum(region.extra.values())
            text.append(f" {'✗' if wrong else '✓'} ", f"bold {COLOURS['wrong' if wrong else 'good']}")
            text.append(f"{plain(region.region, 13):<14} {plain(region.select, 8):<8} ", COLOURS["text"])
            came = region.cycles - region.missing
            text.append(share_bar(came, region.cycles), COLOURS["accent"])
            text.append(f" {thousands(came)} of {thousands(region.cycles)}", COLOURS["text"])
            if region.late:
                text.append(f"  late {thousands(region.late)}", COLOURS["caution"])
            for other, count in region.extra.items():
                text.append(f"  also for {plain(other)} {thousands(count)}", COLOURS["wrong"])
            if region.outside:
                text.append(f"  outside all {thousands(region.outside)}", COLOURS["caution"])
            text.append("\n")
    for decoder in found.decoders:
        _decoder(text, decoder, width)
    append_skipped(text, found.skipped)
    return text


def _decoder(text: Text, decoder: DecoderResult, width: int) -> None:
    append_title(
        text,
        f"{plain(decoder.designator)} {plain(decoder.part)}",
        f"{decoder.rows_seen} of {decoder.rows_possible} rows seen, {thousands(decoder.judged)} settled moments judged",
    )
    if decoder.not_clipped:
        text.append(f" not clipped: {' '.join(plain(line) for line in decoder.not_clipped)}\n", COLOURS["caution"])
    inputs = " ".join(plain(line) for line in decoder.inputs)
    text.append(f"   {inputs} → {' '.join(plain(line) for line in decoder.outputs)}\n", COLOURS["dim"])
    most = max((row.count for row in decoder.rows), default=0)
    for row in decoder.rows:
        colour = "wrong" if row.wrong else "text" if row.count else "dim"
        text.append(f" {'✗' if row.wrong else '✓' if row.count else ' '} ", COLOURS["wrong" if row.wrong else "good"])
        text.append(f"{plain(row.inputs)} → {plain(row.expected)}  ", COLOURS[colour])
        text.append(share_bar(row.count, most), COLOURS["accent"])
        text.append(f" {thousands(row.count)}" if row.count else " not seen", COLOURS[colour])
        text.append(f"  wrong {thousands(row.wrong)}\n" if row.wrong else "\n", COLOURS["wrong"])
    for output in decoder.output_results:
        wrong = output.missing + output.extra
        text.append(f" {'✗' if wrong else '✓'} ", COLOURS["wrong" if wrong else "good"])
        text.append(f"{plain(output.pin, 6):<6} {plain(output.line, 8):<8}", COLOURS["text"])
        text.append(f" missing {thousands(output.missing)}  extra {thousands(output.extra)}", COLOURS["dim"])
        glitches = output.glitches_passing + output.glitches_unexplained
        if glitches:
            danger = output.glitches_in_strobe
            text.append(
                f"  glitches {thousands(glitches)}, {thousands(danger)} in a strobe",
                COLOURS["wrong" if danger else "caution"],
            )
        median = output.delay.quantile_ns(0.5)
        if median is not None:
            text.append(f"\n   delay {median:.0f} ± {output.delay.uncertainty_ns:.0f} ns  ", COLOURS["dim"])
            text.append(spark(output.delay.counts, max(8, min(40, width - 30))), COLOURS["accent"])
        text.append("\n")
