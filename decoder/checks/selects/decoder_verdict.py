"""From a decoder's counts to its table in print and to what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.checks.lines import Setting
from busledger.decoder.checks.results import (
    CheckFinding,
    DecoderResult,
    DelayHistogram,
    OutputResult,
    RowResult,
    Weight,
)
from busledger.decoder.checks.selects import select_kernel as kernel
from busledger.decoder.checks.selects.networks import Network
from busledger.decoder.checks.selects.select_hypotheses import Explanation, explain

__all__ = ["DecoderCounts", "decoder_findings", "decoder_result"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
LINGERING = 3
"""So many wrong moments are a fault; fewer, out of many that were right, may be a probe's (judged, as
``buffer_verdict.FEW``)."""
MANY = 10
"""So many glitches of a single sample: the probe makes one in a few thousand cycles (shared/cards), not ten."""


def _weight(count: int, of: int) -> Weight:
    return "fault" if count >= LINGERING or 2 * count >= of else "doubt"


@dataclass(slots=True)
class DecoderCounts:
    """What the kernel counted for one network; see ``select_kernel`` for the columns.

    rows int64 (rows,) settled moments; seen int64 (rows, outputs, 2) by level; wrong, first int64
    (rows, outputs), ``first`` in ticks, -1 never; delay, widths int64 (outputs, BINS) in samples.
    """

    network: Network
    rows: NDArray[np.int64]
    seen: NDArray[np.int64]
    wrong: NDArray[np.int64]
    first: NDArray[np.int64]
    delay: NDArray[np.int64]
    widths: NDArray[np.int64]
    glitch: NDArray[np.int64]
    state: NDArray[np.int64]


def _glitch_weight(count: int, output: OutputResult, setting: Setting) -> Weight:
    """Pulses of a single sample are the probe's own as often as the decoder's, unless there are many."""
    wide = output.widest_glitch_ns > 1.5 * setting.sample_ns
    return "fault" if count >= LINGERING and (wide or count >= MANY) else "doubt"


def decoder_result(counts: DecoderCounts, setting: Setting) -> DecoderResult:
    """The table as observed."""
    network = counts.network
    seen_rows = np.flatnonzero(counts.rows)
    return DecoderResult(
        designator=network.designator,
        part=network.part,
        inputs=network.inputs,
        outputs=tuple(line for _, line in network.outputs),
        through=network.through,
        not_clipped=network.not_clipped,
        rows_possible=len(counts.rows),
        rows_seen=len(seen_rows),
        rows=tuple(_row(counts, int(row), setting) for row in seen_rows),
        judged=int(counts.state[kernel.JUDGED]),
        not_judged=int(counts.state[kernel.UNJUDGED]),
        too_short=int(counts.state[kernel.SHORT]),
        two_at_once=int(counts.state[kernel.MULTI]),
        output_results=tuple(_output(counts, j, setting) for j in range(len(network.outputs))),
    )


def _first(times: NDArray[np.int64]) -> int:
    known = times[times >= 0]
    return int(known.min()) if known.size else -1


def _row(counts: DecoderCounts, row: int, setting: Setting) -> RowResult:
    network = counts.network
    inputs = "".join("H" if (row >> k) & 1 else "L" for k in range(len(network.inputs)))
    expected = ""
    for j in range(len(network.outputs)):
        levels = {int(v) for v in (network.table[row] >> j) & 1}
        expected += "?" if len(levels) == 2 else "H" if 1 in levels else "L"
    return RowResult(
        inputs=inputs,
        expected=expected,
        count=int(counts.rows[row]),
        wrong=int(counts.wrong[row].max()),
        first_wrong_s=setting.seconds(_first(counts.first[row])),
    )


def _output(counts: DecoderCounts, j: int, setting: Setting) -> OutputResult:
    network = counts.network
    pin, line = network.outputs[j]
    idle = (network.idle >> j) & 1
    # A wrong moment with the output at its inactive level is a missing one.
    wants = ((network.table >> j) & 1 == 1 - idle).all(axis=1)
    missing = int(np.minimum(counts.seen[:, j, idle], counts.wrong[:, j])[wants].sum())
    glitch = counts.glitch[j]
    return OutputResult(
        pin=pin,
        line=line,
        moves=int(glitch[kernel.G_MOVES]),
        judged=int(counts.seen[:, j].sum()),
        missing=missing,
        extra=int(counts.wrong[:, j].sum()) - missing,
        called=int(counts.rows[wants].sum()),
        first_wrong_s=setting.seconds(_first(counts.first[:, j])),
        glitches_passing=int(glitch[kernel.G_PASSING]),
        glitches_unexplained=int(glitch[kernel.G_UNEXPLAINED]),
        glitches_in_strobe=int(glitch[kernel.G_STROBE]),
        widest_glitch_ns=round(setting.ns(int(glitch[kernel.G_WIDEST])), 3),
        glitch_widths=tuple(int(v) for v in counts.widths[j]),
        late=int(glitch[kernel.G_LATE]),
        delay=DelayHistogram(
            bin_ns=setting.ns(setting.bin_ticks),
            first_bin=-kernel.EARLY_BINS,
            counts=tuple(int(v) for v in counts.delay[j]),
            uncertainty_ns=setting.sample_ns,
        ),
    )


def decoder_findings(counts: DecoderCounts, result: DecoderResult, setting: Setting) -> list[CheckFinding]:
    """What is wrong, the best explanation first."""
    found = _table_findings(counts, result, setting)
    for output in result.output_results:
        found.extend(_glitch_findings(counts, output, setting))
        if output.late:
            found.append(
                CheckFinding(
                    code="output-late",
                    weight=_weight(output.late, output.delay.total),
                    text=f"{output.line} ({result.designator} pin {output.pin}) settles in the strobe, more than twice "
                    f"the worst published delay of {counts.network.delay_ns:.0f} ns after its inputs, "
                    f"{output.late} times",
                    component=result.designator,
                    lines=(output.line,),
                    count=output.late,
                    of=output.delay.total,
                )
            )
        if not output.moves and output.judged:
            found.append(_never_moved(result, output))
    if not result.judged:
        found.append(
            CheckFinding(
                code="never-settled",
                weight="doubt",
                text=f"{result.designator}: its inputs never held still long enough for the outputs to be judged",
                component=result.designator,
                lines=result.inputs,
            )
        )
    return found


def _table_findings(counts: DecoderCounts, result: DecoderResult, setting: Setting) -> list[CheckFinding]:
    explanations, left = explain(counts.network, counts.seen)
    found = _both_ways([_explained(counts, one, result, setting) for one in explanations])
    total = int(counts.wrong.sum())
    if total and (not explanations or left > 0.02 * total):
        rows = [row for row in result.rows if row.wrong]
        worst = max(rows, key=lambda row: row.wrong)
        found.append(
            CheckFinding(
                code="rows-wrong",
                weight=_weight(left or total, result.judged),
                text=f"{result.designator} ({result.part}) disagrees with its table in {len(rows)} of "
                f"{result.rows_seen} rows seen, most often at inputs {worst.inputs} ({worst.wrong} of {worst.count})",
                component=result.designator,
                lines=result.outputs,
                count=left or total,
                of=result.judged,
                first_time_s=setting.seconds(_first(counts.first)),
            )
        )
    if result.two_at_once and found:
        first = setting.seconds(int(counts.state[kernel.MULTI_FIRST]))
        found.append(
            CheckFinding(
                code="two-at-once",
                weight="note",
                text=f"{result.designator}: two or more outputs were active together in {result.two_at_once} of "
                f"{result.judged} settled moments",
                component=result.designator,
                lines=result.outputs,
                count=result.two_at_once,
                of=result.judged,
                first_time_s=first,
            )
        )
    return found


def _both_ways(found: list[CheckFinding]) -> list[CheckFinding]:
    """An input taken as high at one time and as low at another is neither stuck nor open: it follows another line, as
    it looks where the clip sits on another line than the board file says."""
    often: dict[tuple[str, ...], list[CheckFinding]] = {}
    for one in found:
        if one.code == "input-wrong":
            often.setdefault(one.lines, []).append(one)
    twice = {lines: several for lines, several in often.items() if len(several) > 1}
    told = [one for one in found if one.code != "input-wrong" or one.lines not in twice]
    for (line,), several in twice.items():
        counted = " and ".join(f"{one.count} of {one.of}" for one in several)
        told.append(
            several[0].model_copy(
                update={
                    "code": "input-other",
                    "weight": "doubt",
                    "text": f"{several[0].component} does not follow {line}, whichever way it goes ({counted} times): "
                    f"the clip on {line} may sit on another line, or the board file name another one",
                    "count": sum(one.count for one in several),
                    "of": sum(one.of for one in several),
                    "other": (),
                }
            )
        )
    return told


def _explained(counts: DecoderCounts, one: Explanation, result: DecoderResult, setting: Setting) -> CheckFinding:
    hypothesis = one.hypothesis
    of = one.explained + one.contradicted
    return CheckFinding(
        code=hypothesis.code,
        weight=_weight(one.explained, of),
        text=f"{hypothesis.text}: {one.explained} of the {of} times it would show",
        component=result.designator,
        lines=hypothesis.lines,
        count=one.explained,
        of=of,
        first_time_s=setting.seconds(_first(counts.first)),
        other=tuple(h.text for h in one.others[:6]),
    )


def _glitch_findings(counts: DecoderCounts, output: OutputResult, setting: Setting) -> list[CheckFinding]:
    j = [line for _, line in counts.network.outputs].index(output.line)
    glitch = counts.glitch[j]
    designator = counts.network.designator
    total = output.glitches_passing + output.glitches_unexplained
    common: dict[str, Any] = {"component": designator, "lines": (output.line,), "of": output.moves}
    name = f"{output.line} ({designator} pin {output.pin})"
    if output.glitches_in_strobe:
        return [
            CheckFinding(
                code="glitch-in-strobe",
                weight=_glitch_weight(output.glitches_in_strobe, output, setting),
                text=f"{name} glitches while a strobe is active, {output.glitches_in_strobe} of {total} glitches, "
                f"up to {output.widest_glitch_ns:.0f} ns wide: dangerous, a write may go astray",
                count=output.glitches_in_strobe,
                first_time_s=setting.seconds(int(glitch[kernel.G_STROBE_FIRST])),
                **common,
            )
        ]
    if output.glitches_unexplained:
        return [
            CheckFinding(
                code="glitch",
                # Nothing is read or written there, and between two samples an input may have moved and returned.
                weight="note",
                text=f"{name} glitches without a cause seen on its inputs, {output.glitches_unexplained} times, "
                f"up to {output.widest_glitch_ns:.0f} ns wide, never inside a strobe: harmless",
                count=output.glitches_unexplained,
                first_time_s=setting.seconds(int(glitch[kernel.G_FIRST])),
                **common,
            )
        ]
    if output.glitches_passing:
        return [
            CheckFinding(
                code="glitch-passing",
                weight="note",
                text=f"{name} glitches {output.glitches_passing} times while the address changes, up to "
                f"{output.widest_glitch_ns:.0f} ns wide, never inside a strobe: harmless",
                count=output.glitches_passing,
                **common,
            )
        ]
    return []


def _never_moved(result: DecoderResult, output: OutputResult) -> CheckFinding:
    called = output.called > 0
    return CheckFinding(
        code="never-moved",
        weight="note",
        text=f"{output.line} ({result.designator} pin {output.pin}) never moved"
        + (
            f", though its inputs called for it {output.called} times" if called else ": its inputs never called for it"
        ),
        component=result.designator,
        lines=(output.line,),
        of=output.called,
    )
