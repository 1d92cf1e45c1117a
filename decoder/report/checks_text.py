"""The results of the single checks as text for a terminal: what is wrong first, then the tables behind it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from rich.text import Text

from busledger.decoder.checks import (
    BufferResult,
    BuffersResult,
    CheckFinding,
    DecoderResult,
    DelayHistogram,
    LimitResult,
    ProbesResult,
    SelectsResult,
    TimingResult,
)
from busledger.decoder.marks import marked
from busledger.decoder.report.numbers import count, lane_ranges, seconds
from busledger.decoder.report.tables import table_text
from busledger.decoder.report.terminal import printed, wrap
from busledger.decoder.report.timing_words import limit_names, limit_sources, limit_span, limits_together, stands
from busledger.decoder.text import plain

__all__ = ["buffers_text", "probes_text", "selects_text", "skipped_together", "timing_text"]

_NAMED = re.compile(r"(.+?\)|[^:]+): (.*)", re.DOTALL)  # a name may have its meaning in brackets, with a colon

_ROWS_SHOWN = 24
_BAR = 24
_STYLES = {"fault": "bold red", "doubt": "yellow", "note": ""}
_LABELS = {"fault": "wrong", "doubt": "doubt", "note": "note"}


def _findings(findings: Sequence[CheckFinding], good: str, *, width: int, colour: bool, answer_only: bool) -> str:
    """The findings, the worst first; ``good`` where nothing is wrong and nothing in doubt."""
    told = sorted(findings, key=lambda f: ("fault", "doubt", "note").index(f.weight))
    serious = [f for f in told if f.weight != "note"]
    lines = [] if serious else [Text(line, style="bold green") for line in wrap(good, width)]
    for finding in serious[:1] if answer_only else told:
        when = "" if finding.first_time_s is None else f", first at {seconds(finding.first_time_s)}"
        text = f"{_LABELS[finding.weight]}: {plain(finding.text, 400)}{when}"
        lines += [Text(line, style=_STYLES[finding.weight]) for line in wrap(text, width)]
        if finding.other and not answer_only:
            fits = "; ".join(plain(other) for other in finding.other)
            lines += [Text("    " + line) for line in wrap(f"the same would show if: {fits}", width - 4)]
    return printed(lines, width=width, colour=colour)


def _answer(
    result: SelectsResult | BuffersResult | TimingResult, good: str, *, width: int, colour: bool, answer_only: bool
) -> str:
    """That the recording says nothing of the card, where that is so; then the findings."""
    if result.judged:
        return _findings(result.findings, good, width=width, colour=colour, answer_only=answer_only)
    first, *rest = result.findings
    lines = [Text(line, style="bold yellow") for line in wrap(f"Cannot judge: {plain(first.text, 600)}", width)]
    head = printed(lines, width=width, colour=colour)
    if answer_only or not rest:
        return head
    return head + _findings(rest, "", width=width, colour=colour, answer_only=False)


def _said_of_channels(findings: Sequence[CheckFinding]) -> list[tuple[str, str]]:
    """Weight and sentence of each; channels that stood still at one level share a sentence."""
    still: dict[tuple[str, str], list[str]] = {}
    for finding in findings:
        if finding.code == "never-moved":
            still.setdefault(_stood(finding), []).extend(finding.lines)
    said: list[tuple[str, str]] = []
    for finding in findings:
        names = still.pop(_stood(finding), []) if finding.code == "never-moved" else []
        if names:
            said.append((finding.weight, lane_ranges(names) + _stood(finding)[1]))
        elif finding.code != "never-moved":
            said.append((finding.weight, finding.text))
    return said


def _stood(finding: CheckFinding) -> tuple[str, str]:
    return finding.weight, finding.text.removeprefix(finding.lines[0] if finding.lines else "")


def skipped_together(skipped: Iterable[str]) -> list[str]:
    """What was not looked at, ``NAME: reason`` each; those with one reason in one sentence."""
    names: dict[str, list[str]] = {}
    for text in skipped:
        found = _NAMED.fullmatch(text)
        name, reason = (found[1], found[2]) if found else ("", text)
        names.setdefault(reason, []).append(name)
    return [f"{', '.join(mine)}: {reason}" if mine[0] else reason for reason, mine in names.items()]


def _skipped(skipped: Iterable[str], *, width: int, colour: bool) -> str:
    told = skipped_together(skipped)
    lines = [Text(line, style="dim") for text in told for line in wrap(f"not judged: {plain(text, 2000)}", width)]
    return "\n" + printed(lines, width=width, colour=colour) if lines else ""


def _range_ns(histogram: DelayHistogram) -> str:
    """Shortest, median and longest delay, with what the sampling leaves open."""
    if not histogram.total:
        return "-"
    low, middle, high = (histogram.quantile_ns(q) for q in (0.0, 0.5, 1.0))
    return f"{low:.0f} / {middle:.0f} / {high:.0f} ± {2 * histogram.uncertainty_ns:.0f} ns"


def selects_text(result: SelectsResult, *, width: int = 80, colour: bool = False, answer_only: bool = False) -> str:
    """Decoder by decoder: findings, rows seen, outputs; then the regions' selects."""
    result = marked(result)
    judged = sum(d.judged for d in result.decoders)
    good = f"Every output was as its table says, in {judged} settled moments" if judged else "Every select was right"
    text = _answer(result, good, width=width, colour=colour, answer_only=answer_only)
    if answer_only:
        return text
    for decoder in result.decoders:
        text += _decoder(decoder, width=width, colour=colour)
    if result.regions:
        rows = [
            [plain(r.region), plain(r.select), str(r.cycles), str(r.missing), str(sum(r.extra.values())), str(r.late)]
            for r in result.regions
        ]
        text += "\n" + table_text(
            ["region", "select", "cycles", "missing", "extra", "late"], rows, width=width, colour=colour
        )
    return text + _skipped(result.skipped, width=width, colour=colour)


def _decoder(decoder: DecoderResult, *, width: int, colour: bool) -> str:
    head = (
        f"{plain(decoder.designator)} ({plain(decoder.part)}): {decoder.rows_seen} of {decoder.rows_possible} rows, "
        f"{decoder.judged} settled moments judged, {decoder.too_short} too short"
    )
    if decoder.not_clipped:
        head += f"; not clipped: {', '.join(plain(line) for line in decoder.not_clipped)}"
    if decoder.through:
        head += f"; through {', '.join(plain(name) for name in decoder.through)}"
    text = "\n" + printed([Text(line, style="bold") for line in wrap(head, width)], width=width, colour=colour)
    rows = sorted(decoder.rows, key=lambda row: -row.wrong)[:_ROWS_SHOWN]
    names = f"{' '.join(map(plain, decoder.inputs))} | {' '.join(map(plain, decoder.outputs))}"
    text += printed([Text(line, style="dim") for line in wrap(names, width)], width=width, colour=colour)
    shown = [[row.inputs, row.expected, str(row.count), str(row.wrong) if row.wrong else "."] for row in rows]
    text += table_text(["inputs", "should be", "seen", "wrong"], shown, width=width, colour=colour)
    outputs = [
        [
            plain(o.line), o.pin, str(o.moves), str(o.missing), str(o.extra),
            f"{o.glitches_passing + o.glitches_unexplained} ({o.glitches_in_strobe})", _range_ns(o.delay),
        ]
        for o in decoder.output_results
    ]  # fmt: skip
    heads = ["output", "pin", "moves", "missing", "extra", "glitches (in strobe)", "min/median/max delay"]
    return text + table_text(heads, outputs, width=width, colour=colour)


def buffers_text(result: BuffersResult, *, width: int = 80, colour: bool = False, answer_only: bool = False) -> str:
    """Driver by driver: findings, what the control lines asked for, then lane by lane."""
    result = marked(result)
    good = "Every bus driver did what the cycles ask for, as far as it is clipped"
    if not any(driver.control is not None or driver.lanes for driver in result.buffers):
        good = "No read looks as if nobody had driven it; more is not clipped of the bus drivers"
    text = _answer(result, good, width=width, colour=colour, answer_only=answer_only)
    if answer_only:
        return text
    for buffer in result.buffers:
        text += _buffer(buffer, width=width, colour=colour)
    return text + _skipped(result.skipped, width=width, colour=colour)


def _buffer(buffer: BufferResult, *, width: int, colour: bool) -> str:
    control = buffer.control
    said = f"{plain(buffer.designator)} ({plain(buffer.part)})"
    if control is not None:
        said += (
            f": {control.reads} reads ({control.reads_off} off, {control.reads_away} away), {control.writes} writes "
            f"({control.writes_off} off, {control.writes_toward} toward the CPU), {control.elsewhere} of "
            f"{control.elsewhere_cycles} cycles driving elsewhere, {control.overlaps} overlaps"
        )
    if not buffer.lanes and buffer.undriven_stands_out:
        said += (
            f"; {buffer.undriven_reads} of {buffer.known_reads} reads repeat the bus's last level "
            f"({buffer.undriven_by_chance:.0f} by chance)"
        )
    if not buffer.lanes:
        said += "; its lanes are not compared, as no far_side line is clipped"
    text = "\n" + printed([Text(line, style="bold") for line in wrap(said, width)], width=width, colour=colour)
    if not buffer.lanes:
        return text
    rows = [
        [
            plain(lane.near), plain(lane.far or "-"), f"{lane.reads_differ}/{lane.reads}",
            f"{lane.writes_differ}/{lane.writes}", _range_ns(lane.delay_to_cpu), _range_ns(lane.delay_to_card),
            lane.verdict,
        ]
        for lane in buffer.lanes
    ]  # fmt: skip
    heads = ["lane", "card side", "reads", "writes", "to CPU", "to card", "verdict"]
    return text + table_text(heads, rows, width=width, colour=colour)


def timing_text(result: TimingResult, *, width: int = 80, colour: bool = False, answer_only: bool = False) -> str:
    """Limit by limit: measured range, limit, margin; then the distributions."""
    result = marked(result)
    good = f"Nothing violates the limits of grade {result.grade}" if result.grade else "No limits to hold against"
    tones = [stands(limit)[0] for limit in result.limits if limit.limit_ns is not None]
    if result.grade and "unsure" in tones:
        open_ones = f"{tones.count('unsure')} of {len(tones)}"
        good += f", as far as can be told: {open_ones} are at the limit or need faster samples"
    # What needs faster samples is said of each limit under the table.
    findings = tuple(found for found in result.findings if found.code != "not-resolvable")
    shown = result.model_copy(update={"findings": findings})
    text = _answer(shown, good, width=width, colour=colour, answer_only=answer_only)
    if answer_only:
        return text
    text += "\n" + table_text(
        ["limit, ns", "least", "1 %", "middle", "99 %", "most", "±", "allowed", "margin", "cycles"],
        [_limit_row(limits) for limits in limits_together(result.limits)], width=width, colour=colour,
    )  # fmt: skip
    unsure = [f"{plain(limit.name)}: {stands(limit)[1]}" for limit in result.limits if stands(limit)[0] == "unsure"]
    told = [*unsure, *(f"Limits after: {plain(source, 200)}" for source in limit_sources(result.limits))]
    text += printed([Text(line, style="dim") for one in told for line in wrap(one, width)], width=width, colour=colour)
    for limits in limits_together(result.limits):
        if len(limits) == 1:
            text += _bars(limits[0], width=width, colour=colour)
    return text + _skipped(result.skipped, width=width, colour=colour)


def _ns(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _limit_row(limits: Sequence[LimitResult]) -> list[str]:
    """A limit, or the times of several parts without one: of these the extremes alone."""
    limit, (least, most) = limits[0], limit_span(limits)
    allowed = {"min": "≥ ", "max": "≤ ", "none": ""}[limit.limit_is] + _ns(limit.limit_ns)
    inner = [limit.p01_ns, limit.median_ns, limit.p99_ns] if len(limits) == 1 else [None] * 3
    margin = {"good": _ns(limit.margin_ns), "wrong": _ns(limit.margin_ns), "none": "-"}.get(stands(limit)[0], "?")
    unsure, cycles = max(one.uncertainty_ns for one in limits), sum(one.count for one in limits)
    values = map(_ns, [least, *inner, most])
    return [limit_names(limits), *values, _ns(unsure), allowed, margin, str(cycles)]


def _bars(limit: LimitResult, *, width: int, colour: bool) -> str:
    """The distribution as bars, one bin a line, empty ones left out; none reaches beyond the table's least and most."""
    counts, found = limit.histogram.counts, limit.histogram
    if not counts or sum(1 for number in counts if number) < 2:
        return ""
    lines = [Text(line, style="dim") for line in wrap(f"{plain(limit.name)}: {plain(limit.meaning)}, ns", width)]
    most, wide = max(counts), max(4, min(_BAR, width - 22))
    for k, number in enumerate(counts):
        if number:
            low, high = ((found.first_bin + k + half) * found.bin_ns for half in (-0.5, 0.5))
            low = low if limit.min_ns is None else max(low, limit.min_ns)
            open_end = k == len(counts) - 1 and len(counts) >= 40  # the last bin holds all above
            high = high if limit.max_ns is None else limit.max_ns if open_end else min(high, limit.max_ns)
            span = f"{low:.0f}" if round(low) == round(high) else f"{low:.0f}-{high:.0f}"
            lines.append(Text(f"{span:>11} {'█' * max(1, round(wide * number / most)):<{wide}} {count(number)}"))
    return "\n" + printed(lines, width=width, colour=colour)


def probes_text(result: ProbesResult, *, width: int = 80, colour: bool = False, answer_only: bool = False) -> str:
    """The doubts first, then the clock, then every channel."""
    result = marked(result)
    doubts = [f for f in result.findings if f.weight != "note"]
    odd = any(c.verdict == "many runts" for c in result.channels)
    answer = "No channel is in doubt, but some show many runts" if odd else "Every channel looks sound"
    text = "" if doubts else _findings([], answer, width=width, colour=colour, answer_only=True)
    if answer_only:
        return text or _first_doubt(doubts, width=width, colour=colour)
    if result.findings:
        lines = []
        for weight, sentence in _said_of_channels(result.findings):
            said = f"{_LABELS[weight]}: {plain(sentence, 400)}"
            lines += [Text(line, style=_STYLES[weight]) for line in wrap(said, width)]
        text += printed(lines, width=width, colour=colour)
    text += "\n" + printed([Text(line) for line in wrap(_clock_line(result), width)], width=width, colour=colour)
    rows = [
        [
            plain(c.channel), plain(c.line or "-"), str(c.moves), f"{100 * c.high_share:.0f} %", str(c.runts),
            "-" if c.shortest_ns is None else f"{c.shortest_ns:.0f}", c.verdict,
        ]
        for c in result.channels
    ]  # fmt: skip
    heads = ["channel", "line", "changes", "high", "one-sample", "shortest ns", "looks"]
    text += "\n" + table_text(heads, rows, width=width, colour=colour)
    if result.proposed_wiring is not None:
        said = "The channels' names say nothing; by what they do, this wiring is proposed (for a file of --wiring):"
        if result.proposed_profile is not None:
            said = (
                f"The channels' names say nothing. Of the buses described here {result.proposed_profile} fits them "
                "best; another that works alike would look the same, so give --profile NAME if you know it. By what "
                "the channels do, this wiring is proposed (for a file of --wiring):"
            )
        lines = [Text(line, style="bold") for line in wrap(said, width)]
        lines += [Text(part) for row in result.proposed_wiring.splitlines() for part in wrap(plain(row, 400), width)]
        text += "\n" + printed(lines, width=width, colour=colour)
    return text


def _first_doubt(doubts: Sequence[CheckFinding], *, width: int, colour: bool) -> str:
    text = f"{_LABELS[doubts[0].weight]}: {plain(doubts[0].text, 400)}"
    return printed([Text(line, style="yellow") for line in wrap(text, width)], width=width, colour=colour)


def _clock_line(result: ProbesResult) -> str:
    clock = result.clock
    said = "No channel looks like a clock" if clock is None else (
        f"{plain(clock.channel)} is the clock: period {clock.period_ns:.1f} ns, from {clock.period_min_ns:.0f} to "
        f"{clock.period_max_ns:.0f} (1 % to 99 %), {clock.edges} rising edges"
    )  # fmt: skip
    if result.sample_ns is not None:
        said += f"; one sample every {result.sample_ns:.1f} ns"
    if result.samples_per_half_clock is not None:
        said += f", {result.samples_per_half_clock:.1f} in half a period"
    return said
