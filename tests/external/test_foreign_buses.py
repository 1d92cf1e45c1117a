"""Runs of an 8085, an 8048 and a 65C816 core that others wrote, each on a card of its own.

Source of the truth: what the memory model itself logged (``truth_cycles.csv``) and the fault it was given. The
65C816 runs at 2 MHz; its published 14 MHz window is narrower than one sample at 24 MHz.
"""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.bus import KIND_NAMES, Cycles, Kind
from busledger.decoder.pipeline import Request, open_run, run_check
from tests.shared_captures import FOREIGN, SharedCapture, shared_captures

CAPTURES = shared_captures(FOREIGN)
pytestmark = pytest.mark.skipif(not CAPTURES, reason=f"the folder {FOREIGN} is not there")
BEFORE = 8  # cycles that the core runs in reset, which the model did not log


def decoded(capture: SharedCapture) -> tuple[list[tuple[str, int, int]], np.ndarray, float]:
    """(kind, address, data) a transfer, their times in seconds, seconds a sample (0 where every edge is known)."""
    run = open_run(Request(capture.path, board=capture.board))
    cycles = Cycles.concat([block.cycles for block in run.blocks()])
    run.file.close()
    cycles = cycles.take(~np.isin(cycles.kind, [Kind.IDLE, Kind.REFRESH]))
    assert run.extractor is not None and run.extractor.gaps == [] and run.extractor.rejected == 0
    told = [
        (KIND_NAMES[kind], address, None if unknown & 0xFF else data)
        for kind, address, data, unknown in zip(
            cycles.kind.tolist(), cycles.address.tolist(), cycles.data.tolist(), cycles.data_unknown.tolist(),
            strict=True,
        )
    ]  # fmt: skip
    sample_s = 0.0 if "events" in capture.file else (run.grid_ticks or 0.0) * run.tick_s
    return told, cycles.time * run.tick_s, sample_s


@pytest.mark.parametrize("capture", CAPTURES, ids=str)
def test_every_access_is_decoded(capture: SharedCapture) -> None:
    got, times, sample_s = decoded(capture)
    truth = capture.truth()
    wanted = [row[1:] for row in truth]
    first = next(n for n in range(BEFORE) if got[n : n + 50] == wanted[:50])
    assert got[first : first + len(wanted)] == wanted
    assert len(got) <= first + len(wanted) + 2
    late = times[first : first + len(wanted)] - np.array([row[0] for row in truth])
    assert late.min() >= -2e-9 and late.max() <= 2e-9 + 2 * sample_s


@pytest.mark.parametrize("capture", CAPTURES, ids=str)
def test_the_fault_is_named(capture: SharedCapture) -> None:
    result = run_check(Request(capture.path, board=capture.board))
    fault = capture.fault
    compared = sum(region.reads_compared for region in result.regions if region.name not in ("rom", "monitor"))
    assert result.mismatch_total == fault["mismatches"]
    assert compared == fault["reads_compared"]
    if fault["fault"] == "none":
        assert not result.suspects
        return
    top = result.suspects[0]
    assert (top.fault, top.component, list(top.lanes)) == (fault["fault"], fault["component"], fault["lanes"])
