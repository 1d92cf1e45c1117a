"""``selects``: decoder outputs against their tables, and region selects against the cycles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busledger.decoder.board import Board
from busledger.decoder.bus import Cycles, Layout, Profile
from busledger.decoder.capture import Capture
from busledger.decoder.checks.lines import (
    Condition,
    Setting,
    conditions,
    fresh_rows,
    idle_condition,
    merged,
    pins,
    relevant_mask,
    ticks,
)
from busledger.decoder.checks.results import CheckFinding, DecoderResult, RegionSelect, SelectsResult, worst_first
from busledger.decoder.checks.selects import select_kernel as kernel
from busledger.decoder.checks.selects.decoder_arrays import DecoderArrays, DecoderLines, DecoderTable, no_patterns
from busledger.decoder.checks.selects.decoder_verdict import DecoderCounts, decoder_findings, decoder_result
from busledger.decoder.checks.selects.networks import Network, decoder_network
from busledger.decoder.checks.selects.region_selects import RegionSelects
from busledger.decoder.checks.selects.seen_selects import answered
from busledger.decoder.checks.windows import Joined
from busledger.decoder.ledger import Compared

__all__ = ["SelectsCheck"]

ENOUGH = 8
"""Settled moments in which an output was called for, and came, before its decoder is said to obey (as in
checks/evidence.py)."""


class SelectsCheck:
    """Feed every block with its cycles (regions filled in), then ``finish``.

    Memory does not grow with the capture, and the size of the blocks does not
    change the result.
    """

    def __init__(self, board: Board, profile: Profile, layout: Layout, tick_fs: int, grid_ticks: float | None) -> None:
        self._setting = setting = Setting.of(layout, tick_fs, grid_ticks)
        strobe = merged(list(conditions(profile, setting).values()), setting.words)
        idle = idle_condition(profile, setting)
        address = [x.name for x in profile.lines.values() if x.role == "address" and x.name in setting.clipped]
        self._skipped: list[str] = []
        self._scans: list[_DecoderScan] = []
        for decoder in board.decoders:
            network = decoder_network(decoder, board.decoders, setting.clipped.__contains__)
            if network is None:
                self._skipped.append(f"{decoder.designator}: none of its outputs is clipped")
            else:
                self._scans.append(_DecoderScan(network, strobe, idle, address, setting))
        self._regions = RegionSelects(board, profile, setting)

    def feed(self, block: Capture, cycles: Cycles, compared: Compared | None = None) -> None:
        """One block of levels, the cycles that the extractor gave for it, and the ledger's word on them.

        ``compared`` has its two columns of selects filled (``SelectsSeen``); without it nothing is known of the data.
        """
        self.answers(cycles, compared)
        self.take(block, self._regions.join.feed(block, cycles) if self._regions.watches else [])

    def answers(self, cycles: Cycles, compared: Compared | None) -> None:
        """Counts the reads that came back right without their select."""
        if compared is not None and self._regions.watches:
            self._regions.answered += answered(cycles, compared, len(self._regions.answered))

    def take(self, block: Capture, joined: Sequence[Joined]) -> None:
        """As ``feed``, with the windows that a join shared by several checks has made of the block's cycles."""
        fresh = fresh_rows(block)
        for scan in self._scans:
            scan.feed(block, fresh)
        self._regions.take(joined)

    def finish(self, cycles: Cycles | None = None) -> SelectsResult:
        """Everything that was seen; ``cycles`` is the extractor's tail."""
        if self._regions.watches:
            self._regions.take(self._regions.join.finish(cycles))
        regions, region_findings = self._regions.results()
        results, findings = [], []
        for scan in self._scans:
            results.append(decoder_result(scan.counts, self._setting))
            findings.extend(decoder_findings(scan.counts, results[-1], self._setting))
        findings = _glitches_explain(findings + _behind(findings, _unasked(region_findings, results)))
        findings = _clips_explain(findings, regions, results)
        return SelectsResult(
            decoders=tuple(results), regions=regions, findings=worst_first(findings), skipped=tuple(self._skipped)
        )


def _behind(findings: list[CheckFinding], regions: list[CheckFinding]) -> list[CheckFinding]:
    """A region's select is wrong because its decoder is: told as a note where the decoder's own table says why."""
    accused = {f.component for f in findings if f.weight == "fault" and f.component is not None}
    return [f.model_copy(update={"weight": "note"}) if f.component in accused else f for f in regions]


def _unasked(regions: list[CheckFinding], decoders: Sequence[DecoderResult]) -> list[CheckFinding]:
    """A select that stayed away in some of its region's cycles, and whose decoder did as its inputs asked throughout,
    was not asked for: they are no such cycles, as where the profile takes a transfer of another kind for one."""
    came = {
        (decoder.designator, output.line): output.called
        for decoder in decoders
        for output in decoder.output_results
        if not decoder.not_clipped and not output.missing and output.called >= ENOUGH
    }
    return [
        f.model_copy(
            update={
                "code": "select-unasked",
                "weight": "doubt",
                "text": f"{f.text}; {f.component} did as its inputs asked, so these may be no cycles of {f.region}, "
                "whatever the bus profile and the board file say",
            }
        )
        if f.code == "select-missing" and 2 * f.count < f.of
        # Of the cycles in which it came most were held against the table: those in which it did not would have been.
        and 2 * came.get((f.component or "", f.lines[0]), 0) >= f.of - f.count
        else f
        for f in regions
    ]


def _glitches_explain(findings: list[CheckFinding]) -> list[CheckFinding]:
    """A decoder that glitches inside strobes looks wrong in a few cycles: no fault of its own, if glitches are more."""
    glitches: dict[str | None, int] = {}
    for f in findings:
        if f.code == "glitch-in-strobe":
            glitches[f.component] = max(glitches.get(f.component, 0), f.count)
    return [
        f.model_copy(update={"weight": "note"})
        if f.weight == "fault" and not f.code.startswith("glitch") and f.count <= glitches.get(f.component, -1)
        else f
        for f in findings
    ]


def _clips_explain(
    findings: list[CheckFinding], regions: Sequence[RegionSelect], decoders: Sequence[DecoderResult]
) -> list[CheckFinding]:
    """Where reads came back right without their select, the select did come: what the clip shows is no fault."""
    lost = {region.select: region for region in regions if region.data_came}
    made = {decoder.designator: set(decoder.outputs) for decoder in decoders}
    told = []
    for f in findings:
        near = set(f.lines) | made.get(f.component or "", set())
        here = [region for line, region in lost.items() if line in near or region.region == f.region]
        if here and f.weight == "fault" and not f.code.startswith("glitch"):
            why = f"; yet {here[0].answered} reads of {here[0].region} came back right without it: look at the clips"
            f = f.model_copy(update={"weight": "doubt", "text": f.text + why})
        told.append(f)
    return told


class _DecoderScan:
    """The kernel's arrays for one decoder."""

    def __init__(
        self, network: Network, strobe: Condition, idle: Condition, address: Sequence[str], setting: Setting
    ) -> None:
        rows, n_out = network.table.shape[0], len(network.outputs)
        inputs = pins(setting.names, network.inputs)
        outputs = pins(setting.names, [line for _, line in network.outputs])
        around = pins(setting.names, [line for line in address if line not in network.inputs])
        relevant = np.stack(
            [
                relevant_mask(setting.words, inputs) | np.bitwise_or.reduce(idle.mask, axis=0),
                relevant_mask(setting.words, outputs),
                np.bitwise_or.reduce(strobe.mask, axis=0),
                relevant_mask(setting.words, around),
            ]
        )
        self._lines = DecoderLines(
            relevant, *(inputs.word, inputs.bit), *(outputs.word, outputs.bit), *(strobe.mask, strobe.want),
            *(idle.mask, idle.want),
        )  # fmt: skip
        settle = ticks(network.delay_ns, setting.tick_fs) + setting.skew_ticks
        self._part = DecoderTable(
            network.table, network.open_high, network.idle, network.one_hot, settle, setting.skew_ticks,
            setting.bin_ticks,
        )  # fmt: skip
        state = np.zeros(kernel.STATE_SIZE, np.int64)
        state[kernel.MULTI_FIRST] = -1
        glitch = np.zeros((n_out, kernel.GLITCH_SIZE), np.int64)
        glitch[:, [kernel.G_FIRST, kernel.G_STROBE_FIRST, kernel.G_LATE_FIRST]] = -1
        patterns, packed = no_patterns()
        self._arrays = made = DecoderArrays(
            state=state,
            per_out=np.full((n_out, kernel.PER_OUT_SIZE), -1, np.int64),
            last_row=np.zeros(setting.words, np.uint64),
            rows=np.zeros(rows, np.int64),
            seen=np.zeros((rows, n_out, 2), np.int64),
            wrong=np.zeros((rows, n_out), np.int64),
            first=np.full((rows, n_out), -1, np.int64),
            delay=np.zeros((n_out, kernel.BINS), np.int64),
            widths=np.zeros((n_out, kernel.BINS), np.int64),
            glitch=glitch,
            met=np.zeros(network.table.shape, np.int64),
            patterns=patterns,
            packed=packed,
        )
        self.counts = DecoderCounts(
            network, made.rows, made.seen, made.wrong, made.first, made.delay, made.widths, made.glitch, made.state
        )

    def feed(self, block: Capture, fresh: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> None:
        columns = (block.levels.reshape(-1), block.unknown.reshape(-1))
        room = np.empty(len(block), np.int32), np.empty(len(block), np.uint8)
        kernel.scan_decoder(block.time, *columns, fresh, self._lines, self._part, self._arrays, *room)
