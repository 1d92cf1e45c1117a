"""What the checks tell the diagnosis, and whom they clear."""

from __future__ import annotations

import pytest

from busledger.decoder.board import Board, Region
from busledger.decoder.checks import (
    CheckFinding,
    CheckKey,
    CheckSet,
    CheckSetResult,
    DecoderResult,
    DelayHistogram,
    LimitResult,
    OutputResult,
    SelectsResult,
    TimingCheck,
    TimingResult,
    gather_evidence,
)
from busledger.decoder.pipeline import Request, open_run
from tests.benchmarks.checks_table import drawn
from tests.checks.driver_cases import write_driver_case


def checked(name, seed, folder) -> tuple[object, CheckSetResult]:
    case = drawn(name, seed)
    capture, board = write_driver_case(case, folder, seed=seed)
    run = open_run(Request(str(capture), board=str(board)))
    every = None
    for block in run.blocks():
        every = every or CheckSet(run.board, run.profile, run.layout, run.tick_fs, run.grid_ticks)
        every.feed(block.levels, block.cycles)
    run.file.close()
    return case, every.finish()


def test_keys_are_the_diagnosis_s():
    from busledger.decoder import diagnosis

    assert diagnosis.CheckKey is CheckKey


@pytest.mark.parametrize(
    ("slowest_ns", "ratio"),
    [(400, 0.05), (430, 0.05), (431, None), (449, None), (460, None)],
)
def test_a_chip_within_its_grade_only_by_the_sampling_is_not_acquitted(slowest_ns, ratio):
    """450 ns allowed, measured to 20 ns: up to 430 ns it is surely in time, past that it may have been late."""
    histogram = DelayHistogram(bin_ns=10, first_bin=0, counts=(), uncertainty_ns=20)
    limit = LimitResult(
        name="U1 access", meaning="", limit_ns=450, limit_is="max", source="", count=99, min_ns=300, p01_ns=300,
        median_ns=350, p99_ns=slowest_ns, max_ns=slowest_ns, uncertainty_ns=20, margin_ns=450 - slowest_ns, violated=0,
        maybe=0, bounded=0, resolvable=True, rate_needed_hz=None, extreme_cycles=(), extreme_times_s=(),
        histogram=histogram, region="bank", component="U1", grade="450ns",
    )  # fmt: skip
    timing = TimingResult(profile="6502", grade=None, sample_ns=10, limits=(limit,))
    told = gather_evidence(Board("", "card", "6502", ()), timing=timing).likelihood_ratios
    assert told == ({} if ratio is None else {CheckKey("slow", "chip", "U1", "bank"): ratio})


def test_missing_select_is_decisive_and_the_others_are_acquitted(tmp_path):
    case, result = checked("output-missing", 3, tmp_path)
    ratios = result.evidence.likelihood_ratios
    for region in case.machine.regions:
        if region.kind != "ram":
            continue
        ratio = ratios[CheckKey("select-missing", "decoder", None, region.name)]
        assert ratio == (1e4 if region.name == case.where else 1e-4)
    key = CheckKey("select-missing", "decoder", None, case.where)
    select = next(r.select for r in case.machine.regions if r.name == case.where)
    assert select in result.evidence.sentences[key]
    assert not any(c.component == case.component for c in result.evidence.cleared)


@pytest.mark.parametrize(("not_clipped", "accused"), [((), {"row"}), (("A8",), {"row", "other"})])
def test_a_select_that_nothing_called_for_is_not_missing(not_clipped, accused):
    """CS0 and CS1 never came; all inputs clipped, only CS0 was due. With one of them unseen it may have been either."""
    delay = DelayHistogram(bin_ns=10, first_bin=0, counts=(), uncertainty_ns=20)
    outputs = tuple(
        OutputResult(
            pin=f"Y{n}", line=f"CS{n}", moves=0, judged=900, missing=called, extra=0, called=called, first_wrong_s=None,
            glitches_passing=0, glitches_unexplained=0, glitches_in_strobe=0, widest_glitch_ns=0.0, glitch_widths=(),
            late=0, delay=delay,
        )
        for n, called in enumerate((900, 0))
    )  # fmt: skip
    decoder = DecoderResult(
        designator="U9", part="74LS138", inputs=("A8", "A9"), outputs=("CS0", "CS1"), through=(),
        not_clipped=not_clipped, rows_possible=4, rows_seen=1, rows=(), judged=900, not_judged=0, too_short=0,
        two_at_once=0, output_results=outputs,
    )  # fmt: skip
    gone = CheckFinding(code="output-missing", weight="fault", text="", component="U9", lines=("CS0",), count=900)
    regions = tuple(
        Region(name, start, start + 0xFF, "ram", select=select)
        for name, start, select in (("row", 0x5000, "CS0"), ("other", 0x5100, "CS1"))
    )
    told = gather_evidence(Board("", "card", "6502", regions), SelectsResult(decoders=(decoder,), findings=(gone,)))
    assert {key.region for key in told.likelihood_ratios} == accused


def test_swapped_selects_are_decisive(tmp_path):
    case, result = checked("output-swapped", 3, tmp_path)
    for name in case.where.split():
        assert result.evidence.likelihood_ratios[CheckKey("select-swapped", "decoder", None, name)] == 1e4


def test_driver_that_never_turns(tmp_path):
    case, result = checked("never-to-cpu", 3, tmp_path)
    key = CheckKey("direction-stuck", "buffer", case.component)
    assert result.evidence.likelihood_ratios[key] == 1e4


def test_one_open_lane_accuses_that_lane_and_clears_the_rest(tmp_path):
    case, result = checked("lane-stuck", 3, tmp_path)
    ratios = result.evidence.likelihood_ratios
    accused = {k.fault: ratios[k] for k in ratios if k.lanes == (case.where,)}
    assert {"stuck-low", "stuck-high"} & set(accused)
    assert set(accused.values()) == {1e4}
    others = [f"D{n}" for n in range(8) if f"D{n}" != case.where]
    assert all(ratios[CheckKey(None, "buffer", case.component, None, (lane,))] == 1e-4 for lane in others)


def test_healthy_card_clears_decoder_and_driver(tmp_path):
    case, result = checked("healthy", 41, tmp_path)
    assert not result.evidence.faults
    cleared = {c.component for c in result.evidence.cleared}
    card = case.machine.cards[1]
    assert {card.decoder, card.buffer} <= cleared
    assert all(c.evidence for c in result.evidence.cleared)
    assert all(ratio < 1 for ratio in result.evidence.likelihood_ratios.values())


def test_summary_holds_what_was_found(tmp_path):
    _, result = checked("direction-line-stuck", 3, tmp_path)
    summary = result.summary()
    assert summary["buffers"][0]["code"] == "direction-away"
    assert summary["selects"] == []


@pytest.mark.parametrize("name", ["healthy", "glitching"])
def test_every_block_size_gives_the_same_results(name, tmp_path):
    case = drawn(name, 50)
    capture, board = write_driver_case(case, tmp_path, seed=50)
    texts, grid = set(), None
    for size in (997, 40_000, 1 << 18):
        run = open_run(Request(str(capture), board=str(board)))
        every = timing = None
        for block in run.blocks(size):
            # The sample interval is an estimate from the first block.
            grid = grid or run.grid_ticks
            common = (run.board, run.profile, run.layout, run.tick_fs, grid)
            every, timing = every or CheckSet(*common), timing or TimingCheck(*common)
            every.feed(block.levels, block.cycles)
            timing.feed(block.levels, block.cycles)
        run.file.close()
        result = every.finish()
        parts = (result.selects, result.buffers, result.probes, timing.finish())
        texts.add(tuple(part.to_json() for part in parts))
    assert len(texts) == 1
