"""An asynchronous analyser for tests: samples an event-driven capture again, with skew of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from busledger.decoder.capture import open_capture


def sample_again(
    source: Path, out: Path, *, keep: Callable[[str], bool], start_ns: float, rate_hz: float, seed: int
) -> None:
    """Write the signals that ``keep`` takes as a VCD of scalar lines, in ns, several changes a line.

    Every channel is late by its own constant share of a sample, as cheap analysers' inputs are.
    """
    rng = np.random.default_rng(seed)
    file = open_capture(source)
    signals = file.header.signals
    capture = file.read(list(range(len(signals))))
    times_ns = capture.time * (file.header.tick_fs * 1e-6)
    interval = 1e9 / rate_hz
    at = start_ns + np.arange(int((times_ns[-1] - start_ns) / interval)) * interval
    names, columns = [], []
    for k, signal in enumerate(signals):
        late = rng.uniform(0, interval)
        if not keep(signal.name):
            continue
        row = np.maximum(np.searchsorted(times_ns, at - late, side="right") - 1, 0)
        names.append(signal.name.replace("[", "").replace("]", ""))
        columns.append(((capture.levels[row, k // 64] >> np.uint64(k % 64)) & np.uint64(1)).astype(np.uint8))
    levels = np.array(columns)
    moved = np.flatnonzero((levels[:, 1:] != levels[:, :-1]).any(axis=0)) + 1
    with out.open("w") as text:
        text.write("$timescale 1 ns $end\n$scope module probe $end\n")
        for k, name in enumerate(names):
            text.write(f"$var wire 1 {chr(33 + k)} {name} $end\n")
        text.write("$upscope $end\n$enddefinitions $end\n")
        before = np.full(len(names), 2, np.uint8)
        for sample in [0, *moved.tolist()]:
            now = levels[:, sample]
            changes = " ".join(f"{now[k]}{chr(33 + k)}" for k in np.flatnonzero(now != before))
            text.write(f"#{int(sample * interval)} {changes}\n")
            before = now
