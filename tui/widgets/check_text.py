"""What the check pictures share: reading results out of the open dictionary, findings, bars."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeVar

from pydantic import BaseModel, ValidationError
from rich.text import Text

from busledger.decoder.checks import CheckFinding, DelayHistogram
from busledger.decoder.figures import NO_BREAK
from busledger.decoder.findings import CheckResult
from busledger.decoder.report import skipped_together
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS
from busledger.tui.wording import thousands

__all__ = [
    "append_bare_findings",
    "append_findings",
    "append_skipped",
    "append_title",
    "limit_line",
    "read_check",
    "share_bar",
    "spark",
    "spark_scale",
]

_Model = TypeVar("_Model", bound=BaseModel)
_LEVELS = " ▁▂▃▄▅▆▇█"
_SIGNS = {"fault": ("✗", "wrong"), "doubt": ("~", "caution"), "note": ("·", "dim")}


def read_check(result: CheckResult, name: str, model: type[_Model], document: str | None = None) -> _Model | None:
    """A check's whole result: from a document kept with the decoded capture, else from ``CheckResult.checks``.

    None where it is absent or of another form.
    """
    given = result.checks.get(name)
    try:
        if document is not None:
            return model.model_validate_json(document)
        return model.model_validate(given) if isinstance(given, Mapping) and given else None
    except ValidationError:
        return None


def append_bare_findings(text: Text, result: CheckResult, name: str, absent: str) -> Text:
    """Where a check's tables are not kept: its findings from ``CheckResult.checks``, or that it was not made."""
    given = result.checks.get(name)
    try:
        findings = [CheckFinding.model_validate(item) for item in given] if isinstance(given, list | tuple) else None
    except ValidationError:
        findings = None
    if findings is None:
        return text.append(absent, COLOURS["dim"])
    append_findings(text, findings)
    text.append(f"\nThe tables behind it are not kept here: 'busledger {name}' shows them.\n", COLOURS["dim"])
    return text


def append_title(text: Text, words: str, more: str = "") -> None:
    """A heading with a quieter rest."""
    text.append(f"\n{words}", f"bold {COLOURS['accent']}")
    text.append(f"  {more}\n" if more else "\n", COLOURS["dim"])


def append_findings(text: Text, findings: Sequence[CheckFinding], accused: Sequence[str] = ()) -> None:
    """What the whole capture says against the parts of this page, then faults, doubts, notes; each with its counts."""
    for words in accused:
        text.append(f" ✗ {words.replace(NO_BREAK, ' ')}", f"bold {COLOURS['wrong']}")
        text.append("  (y: why)\n", COLOURS["key"])
    order = {"fault": 0, "doubt": 1, "note": 2}
    for finding in sorted(findings, key=lambda f: order[f.weight]):
        sign, colour = _SIGNS[finding.weight]
        text.append(f" {sign} {plain(finding.text, 500)}", COLOURS[colour])
        if finding.of:
            text.append(f"  {thousands(finding.count)} of {thousands(finding.of)}", COLOURS["dim"])
        if finding.first_time_s is not None:
            text.append(f"  first at {finding.first_time_s:.9f} s", COLOURS["dim"])
        text.append("\n")
        for other in finding.other:
            text.append(f"     or: {plain(other, 300)}\n", COLOURS["dim"])
    if findings:
        return
    if accused:
        text.append(" · On the lines that are clipped here nothing of it shows.\n", COLOURS["dim"])
    else:
        text.append(" ✓ Nothing wrong was found on the lines that are clipped.\n", COLOURS["good"])


def append_skipped(text: Text, skipped: Sequence[str]) -> None:
    """What could not be looked at, and why."""
    if skipped:
        append_title(text, "Not looked at")
        for words in skipped_together(skipped):
            text.append(f" {plain(words, 2000)}\n", COLOURS["dim"])


def share_bar(part: int, of: int, width: int = 10) -> str:
    """``part`` of ``of`` as a bar; anything above nothing shows, less than all never fills it."""
    if of <= 0 or part <= 0:
        return "·" * width
    full = round(width * part / of)
    full = max(1, min(full, width if part >= of else width - 1))
    return "█" * full + "·" * (width - full)


def spark(counts: Sequence[int], width: int) -> str:
    """Counts as columns of eighths, bins put together until they fit; a bin with any count is never blank."""
    if not counts:
        return ""
    step = -(-len(counts) // max(1, width))
    sums = [sum(counts[at : at + step]) for at in range(0, len(counts), step)]
    most = max(sums)
    if not most:
        return " " * len(sums)
    return "".join(_LEVELS[max(1, round(8 * count / most))] if count else " " for count in sums)


def _columns(histogram: DelayHistogram, width: int) -> tuple[int, int]:
    """Bins a column, and columns, of the histogram's ``spark``."""
    bins = len(histogram.counts)
    step = max(1, -(-bins // max(1, width)))
    return step, -(-bins // step)


def spark_scale(histogram: DelayHistogram, width: int, ends: tuple[float | None, float | None] = (None, None)) -> str:
    """The line under a ``spark`` of the histogram: its ends in ns, or the least and most that were measured."""
    _, columns = _columns(histogram, width)
    low = ends[0] if ends[0] is not None else (histogram.first_bin - 0.5) * histogram.bin_ns
    high = ends[1] if ends[1] is not None else low + len(histogram.counts) * histogram.bin_ns
    left, right = f"{low:.0f}", f"{high:.0f} ns"
    return left + " " * max(1, columns - len(left) - len(right)) + right


def limit_line(histogram: DelayHistogram, limit_ns: float, width: int) -> str:
    """Where a limit lies under a ``spark`` of the histogram; beyond its ends, which way."""
    step, columns = _columns(histogram, width)
    column = int((limit_ns - (histogram.first_bin - 0.5) * histogram.bin_ns) // (histogram.bin_ns * step))
    if column < 0:
        return "◀ limit"
    if column >= columns:
        return " " * columns + "limit ▶"
    return " " * column + "▲ limit"
