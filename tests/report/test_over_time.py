"""Reads over the whole capture: nothing lost however long it proves, the healthy part drawn too."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.findings import CaptureSummary
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.report import TimeCounts
from busledger.decoder.report.over_time import captures_over_time, counts_svg, counts_words

SVG = "{http://www.w3.org/2000/svg}"


def reads(times: np.ndarray, wrong: np.ndarray) -> tuple[Cycles, Compared]:
    cycles, compared = Cycles.empty(len(times)), Compared.empty(len(times))
    cycles.time[:] = times
    compared.verdict[:] = np.where(wrong, Verdict.MISMATCH, Verdict.AGREES)
    return cycles, compared


@pytest.mark.parametrize("blocks", [1, 7, 50])
def test_every_read_is_counted_in_its_window_whatever_the_blocks(blocks: int) -> None:
    times = np.arange(20_000) * 997 + 500
    wrong = times > times[-1] * 3 // 4
    counts = TimeCounts(10**6)  # 1 ns a tick
    for part in np.array_split(np.arange(len(times)), blocks):
        counts.feed(*reads(times[part], wrong[part]), int(times[part[-1]]))
    found = counts.windows(20)
    assert found is not None and len(found.wrong) == 20
    assert (sum(found.accesses), sum(found.wrong)) == (20_000, int(wrong.sum()))
    assert (found.edges_s[0], found.edges_s[-1]) == (0.0, pytest.approx(times[-1] * 1e-9))
    assert found.wrong[:14] == (0,) * 14 and all(of == pytest.approx(1000, abs=15) for of in found.accesses)
    assert found.wrong[16:] == found.accesses[16:]


def test_a_capture_without_a_wrong_read_has_no_picture() -> None:
    counts = TimeCounts(10**6)
    counts.feed(*reads(np.array([5, 9]), np.array([False, False])), 10)
    assert counts.windows() is None


def test_the_picture_says_how_many_in_each_window() -> None:
    counts = TimeCounts(10**6)
    times = np.array([10, 20, 30, 8010, 8020, 9990])
    counts.feed(*reads(times, np.array([False, False, False, True, False, True])), 10_000)
    found = counts.windows(4)
    assert found is not None and (found.accesses, found.wrong) == ((3, 0, 0, 3), (0, 0, 0, 2))
    drawn = counts_svg(found)
    texts = ["".join(text.itertext()).replace("\u00a0", " ") for text in ET.fromstring(drawn).iter(f"{SVG}text")]
    assert texts == ["67 %", "of", "0", "3", "2", "3", "0 s", "2.5 µs", "5 µs", "7.5 µs", "10 µs"]
    assert len(re.findall("<rect", drawn)) == 1
    words = counts_words(found).replace("\u00a0", " ")
    assert "1 window with reads that were all right; 2 windows without a compared read." in words


def summary(number: int, compared: int, wrong: int) -> CaptureSummary:
    return CaptureSummary(
        path=f"{number}.vcd", start_s=3600.0 * number, duration_s=0.1, cycles=compared, reads_compared=compared,
        mismatches=wrong, rate=None, rate_95=None, first_suspect=None, warnings=0,
    )  # fmt: skip


def test_several_captures_have_a_bar_each_the_healthy_ones_too() -> None:
    made = captures_over_time([summary(0, 6664, 0), summary(1, 4096, 512), summary(2, 0, 0)])
    assert made is not None
    svg, told = made
    assert svg.count("<rect") == 1 and ">512<" in svg and ">6664<" in svg and ">first capture<" in svg
    assert told.startswith("A bar for each capture, in order of time.")
    assert captures_over_time([summary(0, 10, 0), summary(1, 10, 0)]) is None


def test_very_many_captures_share_bars_and_lose_no_count() -> None:
    made = captures_over_time([summary(k, 10, 1) for k in range(81)])
    assert made is not None and made[1].startswith("A bar for each 3 captures")
    assert made[0].count("<rect") == 27 and made[0].count(">30<") == 27
