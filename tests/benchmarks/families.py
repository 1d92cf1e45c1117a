"""Decoding speed of every bus family, beside the 6800's: the hand-drawn cycles of ``tests/external``, repeated.

    python -m tests.benchmarks.families

What a user feels is how fast a capture of so many megabytes goes through: MB/s of dump, decoding alone. Rows and cycles
a second stand beside it. A cycle of a multiplexed bus has more rows, more edges and a latch or two to work on than one
of the 6800's, so that the last column falls where the first does not. Processor time, best of several runs, about a
million rows each, in blocks as ``check`` takes them.
"""

from __future__ import annotations

import time

import numpy as np

from busledger.decoder.bus import CycleExtractor, Layout, line_needs, load_profile
from busledger.decoder.capture import Capture, Signal
from busledger.decoder.wiring import bind
from tests.external import (
    test_bus_backplanes,
    test_bus_clocked,
    test_bus_intel,
    test_bus_others,
    waveform,
)

ROWS = 1_000_000
BLOCK = 1 << 18
RUNS = 7
ENOUGH = 0.7  # of the 6800's speed
STAMP, CHANGE = 13, 3  # bytes of dump: "#" and eleven digits a row; level, code and a blank a change


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
    """(megabytes of dump, rows, cycles) a second, rows a cycle, lines."""
    profile = load_profile(name)
    lines = wave.lines
    layout = Layout(profile, bind([Signal(n) for n in lines], line_needs(profile)))
    time_one, levels, unknown = wave.columns([lines[i] for i in layout.select])
    times = ROWS // len(time_one)
    span = int(time_one[-1]) + 100
    whole = (time_one[None, :] + span * np.arange(times)[:, None]).ravel()
    levels, unknown = np.tile(levels, (times, 1)), np.tile(unknown, (times, 1))
    starts = range(0, len(whole), BLOCK)
    blocks = [Capture(*(c[k : k + BLOCK] for c in (whole, levels, unknown)), 1_000_000) for k in starts]
    changes = np.bitwise_count(levels[1:] ^ levels[:-1] | unknown[1:] ^ unknown[:-1]).sum()
    megabytes = (STAMP * len(whole) + CHANGE * int(changes)) / 1e6
    best, cycles = float("inf"), 0
    for _ in range(RUNS):
        extractor = CycleExtractor(profile, layout, 1_000_000, None)
        start = time.thread_time()
        cycles = sum(len(extractor.feed(block)) for block in blocks) + len(extractor.finish())
        best = min(best, time.thread_time() - start)
    return (megabytes / best, len(whole) / best, cycles / best), len(whole) / cycles, len(lines)


def main():
    waves = drawn()
    base, _, _ = speed("6800", waves["6800"])
    print(f"{'':27} {'a second:':25}   beside the 6800:")
    print(f"{'profile':10} {'lines':>5} {'rows/cycle':>10} {'MB':>7} {'Mrows':>7} {'Mcycles':>8}", end="")
    print(f" {'MB':>8} {'rows':>6} {'cycles':>6} {'ns/row':>7} {'ns/cycle':>8}")
    slow = [[], [], []]
    for name, wave in sorted(waves.items()):
        (dump, rows, cycles), length, lines = speed(name, wave)
        shares = dump / base[0], rows / base[1], cycles / base[2]
        print(f"{name:10} {lines:5} {length:10.1f} {dump:7.0f} {rows / 1e6:7.1f} {cycles / 1e6:8.2f}", end="")
        print(f" {shares[0]:8.2f} {shares[1]:6.2f} {shares[2]:6.2f} {1e9 / rows:7.1f} {1e9 / cycles:8.1f}")
        for k, share in enumerate(shares):
            slow[k] += [name] if share < ENOUGH else []
    for what, names in zip(("MB", "rows", "cycles"), slow, strict=True):
        print(f"slower than {ENOUGH} of the 6800 in {what}: {', '.join(names) or 'none'}")


if __name__ == "__main__":
    main()
