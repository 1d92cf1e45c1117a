"""Decoding speed of every bus family, beside the 6800's: the hand-drawn cycles of ``tests/external``, repeated.

    python -m tests.benchmarks.families

Prints rows and cycles a second of processor time, best of several runs, one block of about a million rows each.
"""

from __future__ import annotations

import time

import numpy as np

from decoder.bus import CycleExtractor, Layout, line_needs, load_profile
from decoder.capture import Capture, Signal
from decoder.wiring import bind
from tests.external import (
    test_bus_backplanes,
    test_bus_clocked,
    test_bus_intel,
    test_bus_others,
    waveform,
)

ROWS = 1_000_000
RUNS = 5


def drawn():
    """profile name → the first wave that its test draws."""
    waves = {}

    def keep(wave, profile, *_, **__):
        name = profile if isinstance(profile, str) else profile.name
        waves.setdefault(name, wave)
        raise StopIteration

    for module in (test_bus_clocked, test_bus_intel, test_bus_others, test_bus_backplanes):
        module.both = keep
        for name, test in vars(module).items():
            if name.startswith("test_"):
                for arguments in ((), (True,)):
                    try:
                        test(*arguments)
                    except StopIteration:
                        break
                    except TypeError:
                        continue
        module.both = waveform.both
    waves.setdefault("ecb", waves["z80"])
    return waves


def speed(name, wave):
    """(rows a second, cycles a second, lines)."""
    profile = load_profile(name)
    lines = wave.lines
    layout = Layout(profile, bind([Signal(n) for n in lines], line_needs(profile)))
    time_one, levels, unknown = wave.columns([lines[i] for i in layout.select])
    times = ROWS // len(time_one)
    span = int(time_one[-1]) + 100
    whole = (time_one[None, :] + span * np.arange(times)[:, None]).ravel()
    block = Capture(whole, np.tile(levels, (times, 1)), np.tile(unknown, (times, 1)), 1_000_000)
    best, cycles = float("inf"), 0
    for _ in range(RUNS):
        extractor = CycleExtractor(profile, layout, 1_000_000, None)
        start = time.thread_time()
        cycles = len(extractor.feed(block)) + len(extractor.finish())
        best = min(best, time.thread_time() - start)
    return len(whole) / best, cycles / best, len(lines)


def main():
    waves = drawn()
    base = speed("6800", waves["6800"])
    print(f"{'profile':12} {'lines':>5} {'Mrows/s':>8} {'Mcycles/s':>9} {'rows vs 6800':>12} {'cycles vs 6800':>14}")
    for name, wave in sorted(waves.items()):
        rows, cycles, lines = speed(name, wave)
        print(
            f"{name:12} {lines:5} {rows / 1e6:8.1f} {cycles / 1e6:9.2f} {rows / base[0]:12.2f} {cycles / base[1]:14.2f}"
        )


if __name__ == "__main__":
    main()
