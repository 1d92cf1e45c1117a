"""An asynchronous analyser: its clock is its own, every channel a little late, clips may be missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world.waves import Waves

__all__ = ["Analyser", "Recording", "record", "write_vcd"]


@dataclass(frozen=True, slots=True)
class Analyser:
    """Settings. ``skew``: each channel is late by a fixed share of a sample, at most this.

    ``glitches``: chance per channel and sample of a false level of one sample.
    ``dropouts``: spans [(start, end)] in seconds from the capture's start in which nothing was kept.
    """

    rate_hz: float = 24e6
    skew: float = 1.0
    jitter_ns: float = 2.0
    glitches: float = 0.0
    dropouts: tuple[tuple[float, float], ...] = ()


@dataclass(slots=True)
class Recording:
    """Changes in order of time: ``sample`` int64, ``channel`` int32 index into ``names``, ``level`` uint8."""

    names: tuple[str, ...]
    rate_hz: float
    sample: NDArray[np.int64]
    channel: NDArray[np.int32]
    level: NDArray[np.uint8]
    samples: int


def record(waves: Waves, clips: Sequence[str], analyser: Analyser, seed: int, end_ns: int) -> Recording:
    """What the analyser keeps of the clipped lines, from time 0 to ``end_ns``."""
    rng = np.random.default_rng(seed)
    interval = 1e9 / analyser.rate_hz
    phase = rng.random() * interval
    total = int(end_ns / interval)
    columns: list[tuple[NDArray[np.int64], int, NDArray[np.uint8]]] = []
    for index, name in enumerate(clips):
        times, levels = waves.line(name)
        late = rng.random() * analyser.skew * interval
        moved = times + late + rng.normal(0.0, analyser.jitter_ns, times.shape[0])
        at = np.clip(np.ceil((moved - phase) / interval), 0, total).astype(np.int64)
        at = np.maximum.accumulate(at)
        last = np.append(at[1:] != at[:-1], True)
        at, levels = at[last], levels[last]
        if analyser.glitches > 0:
            at, levels = _glitch(at, levels, analyser.glitches, total, rng)
        keep = np.append([True], levels[1:] != levels[:-1])
        columns.append((at[keep], index, levels[keep]))
    recording = _merge(tuple(clips), analyser.rate_hz, columns, total)
    for start_s, end_s in analyser.dropouts:
        recording = _drop(recording, round(start_s * analyser.rate_hz), round(end_s * analyser.rate_hz))
    return recording


def _merge(
    names: tuple[str, ...],
    rate_hz: float,
    columns: list[tuple[NDArray[np.int64], int, NDArray[np.uint8]]],
    total: int,
) -> Recording:
    sample = np.concatenate([at for at, _, _ in columns])
    channel = np.concatenate([np.full(at.shape[0], index, np.int32) for at, index, _ in columns])
    level = np.concatenate([levels for _, _, levels in columns])
    order = np.argsort(sample, kind="stable")
    return Recording(names, rate_hz, sample[order], channel[order], level[order], total)


def _glitch(
    at: NDArray[np.int64], levels: NDArray[np.uint8], chance: float, total: int, rng: np.random.Generator
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """False levels of one sample, in samples where the line holds still before and after."""
    spots = np.unique(rng.integers(1, max(2, total - 2), rng.poisson(chance * total)))
    place = np.searchsorted(at, spots, side="right") - 1
    following = np.append(at[1:], total)[np.clip(place, 0, None)]
    calm = (place >= 0) & (spots > at[np.clip(place, 0, None)]) & (spots + 1 < following)
    spots, place = spots[calm], place[calm]
    held = levels[place]
    times = np.concatenate([at, spots, spots + 1])
    values = np.concatenate([levels, 1 - held, held])
    order = np.argsort(times, kind="stable")
    return times[order], values[order]


def _drop(recording: Recording, start: int, end: int) -> Recording:
    """Nothing is kept from ``start`` to ``end``; at ``end`` every channel shows where it is by then."""
    inside = (recording.sample >= start) & (recording.sample < end)
    finals: list[tuple[int, int]] = []
    for channel in range(len(recording.names)):
        rows = np.flatnonzero(inside & (recording.channel == channel))
        if rows.shape[0]:
            finals.append((channel, int(recording.level[rows[-1]])))
    keep = ~inside
    # What changes in the very sample after the gap comes later than what changed within it.
    sample = np.concatenate([np.full(len(finals), end), recording.sample[keep]])
    channel_column = np.concatenate([np.array([c for c, _ in finals], np.int32), recording.channel[keep]])
    level = np.concatenate([np.array([v for _, v in finals], np.uint8), recording.level[keep]])
    order = np.argsort(sample, kind="stable")
    return Recording(
        recording.names,
        recording.rate_hz,
        sample[order],
        channel_column[order].astype(np.int32),
        level[order],
        recording.samples,
    )


def write_vcd(recording: Recording, path: Path, spelling: Mapping[str, str], *, scope: str = "clips") -> None:
    """Write the recording as VCD (IEEE 1364-2005 clause 18) in nanoseconds; ``spelling``: line → channel name.

    Scalar channels, several changes at one time. No date is written, so the same recording gives the same bytes.
    """
    from vcd import VCDWriter

    interval = 1e9 / recording.rate_hz
    stamps = np.rint(recording.sample * interval).astype(np.int64).tolist()
    channels, levels = recording.channel.tolist(), recording.level.tolist()
    first: dict[int, int] = {}
    for channel, level in zip(channels, levels, strict=True):
        first.setdefault(channel, level)
    with (
        path.open("w", encoding="ascii", newline="\n") as stream,
        VCDWriter(stream, timescale="1 ns", date="none", init_timestamp=0) as writer,
    ):
        variables = [
            writer.register_var(scope, spelling.get(name, name), "wire", size=1, init=first.get(index, 0))
            for index, name in enumerate(recording.names)
        ]
        for stamp, channel, level in zip(stamps, channels, levels, strict=True):
            writer.change(variables[channel], stamp, level)
        writer.close(round(recording.samples * interval))
