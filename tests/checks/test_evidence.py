"""What the checks tell the diagnosis, and whom they clear."""

from __future__ import annotations

import pytest

from busledger.captures_demo.world.driver_cases import write_driver_case
from busledger.decoder.checks import CheckKey, CheckSet, CheckSetResult, TimingCheck
from busledger.decoder.diagnosis import CheckKey
from busledger.decoder.pipeline import Request, open_run
from tests.benchmarks.checks_table import drawn


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
    assert CheckKey._fields == CheckKey._fields
    assert CheckKey("slow", "chip") == CheckKey("slow", "chip")


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
