"""Captures of CPU cores that others wrote, run in an HDL simulator: every access the memory model logged
must be decoded, in order, from the pins alone, both from every change and from asynchronous samples.

Source of the truth: the log of the memory model itself (``truth_cycles.csv``), no capture file involved.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from busledger.decoder.bus import KIND_NAMES, CycleExtractor, Cycles, Kind, Layout, line_needs, load_profile
from busledger.decoder.capture import open_capture, sample_grid
from busledger.decoder.wiring import bind
from tests.shared_captures import each_shared

DATA = Path(__file__).parent / "data"


def decode(path, profile_name):
    """(cycles that are transfers, their times in seconds, extractor, sample interval in seconds)."""
    profile = load_profile(profile_name)
    with open_capture(path) as capture:
        layout = Layout(profile, bind(capture.header.signals, line_needs(profile)))
        parts, extractor = [], None
        for block in capture.blocks(layout.select):
            if extractor is None:
                grid = sample_grid(block.time)
                extractor = CycleExtractor(profile, layout, capture.header.tick_fs, grid)
            parts.append(extractor.feed(block))
        parts.append(extractor.finish())
        tick_s = capture.header.tick_s
    cycles = Cycles.concat(parts)
    kept = cycles.take(~np.isin(cycles.kind, [Kind.IDLE, Kind.REFRESH]))
    return kept, kept.time * tick_s, extractor, (grid or 1.0) * tick_s


def transfers(cycles):
    """(kind, address, data) a cycle; everything must be known."""
    assert not cycles.address_unknown.any()
    assert not (cycles.data_unknown & 0xFF).any()
    return [
        (KIND_NAMES[kind], address, data)
        for kind, address, data in zip(cycles.kind.tolist(), cycles.address.tolist(), cycles.data.tolist(), strict=True)
    ]


def compare(got, got_times, truth, tolerance):
    """Equal but for at most two cycles at either end of the capture that the model did not log."""
    wanted = [row[1:] for row in truth]
    first = next(n for n in range(3) if got[n : n + 50] == wanted[:50])
    got, got_times = got[first:], got_times[first:]
    assert len(wanted) <= len(got) <= len(wanted) + 2
    assert got[: len(wanted)] == wanted
    late = got_times[: len(wanted)] - np.array([row[0] for row in truth])
    assert late.min() >= -1e-9
    assert late.max() <= tolerance


@pytest.mark.parametrize("capture", each_shared())
def test_every_access_of_the_memory_model_is_decoded(capture):
    cycles, times, extractor, sample_s = decode(capture.path, capture.folder.name.split("-")[0])
    tolerance = 1.1e-9 if "events" in capture.file else 2 * sample_s
    compare(transfers(cycles), times, capture.truth(), tolerance)
    assert extractor.rejected == 0
    assert extractor.gaps == []
    assert not cycles.flags.any()


def test_a_bundled_cut_of_one_of_them():
    cycles, times, extractor, sample_s = decode(DATA / "signal_lamp_cut.vcd.xz", "z80")
    with (DATA / "signal_lamp_cut.csv").open(newline="") as lines:
        truth = [
            (float(row["time_s"]), row["kind"], int(row["address"], 16), int(row["data"], 16))
            for row in csv.DictReader(lines)
        ]
    assert len(truth) > 1000
    assert sample_s == pytest.approx(1 / 24e6, rel=1e-3)
    compare(transfers(cycles), times, truth, 2 * sample_s)
    assert extractor.rejected == 0
