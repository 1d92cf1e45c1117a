"""The sample interval from time stamps: rounded grids, whole grids, none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.capture import Capture, sample_grid
from busledger.decoder.capture.grid import with_sample_grid


def _stamps(interval: float, counts: np.ndarray) -> np.ndarray:
    return np.rint(interval * np.cumsum(counts)).astype(np.int64)


@pytest.mark.parametrize("rate_mhz", [24.0, 16.0, 12.0, 48.0, 100.0, 33.3333])
def test_a_rate_whose_interval_is_no_whole_nanosecond(rate_mhz: float) -> None:
    rng = np.random.default_rng(5)
    interval = 1000.0 / rate_mhz
    counts = rng.choice([1, 1, 2, 3, 5, 7, 12], 5000)
    found = sample_grid(_stamps(interval, counts))
    assert found == pytest.approx(interval, abs=0.01)


def test_long_quiet_spells_do_not_mislead_it() -> None:
    rng = np.random.default_rng(6)
    counts = np.where(rng.random(4000) < 0.02, rng.integers(10**5, 10**9, 4000), rng.choice([1, 2, 3, 6], 4000))
    assert sample_grid(_stamps(125 / 3, counts)) == pytest.approx(125 / 3, abs=0.01)


def test_a_bus_that_never_changes_on_neighbouring_samples() -> None:
    counts = np.random.default_rng(7).choice([2, 3, 5], 3000)
    assert sample_grid(_stamps(125 / 3, counts)) == pytest.approx(125 / 3, abs=0.01)


def test_a_simulator_in_picoseconds_that_uses_whole_nanoseconds() -> None:
    steps = np.random.default_rng(8).choice([5000, 11000, 13000, 45000], 500)
    assert sample_grid(np.cumsum(steps)) == 1000.0


def test_times_without_a_grid() -> None:
    times = np.unique(np.random.default_rng(9).integers(0, 10**7, 5000))
    assert sample_grid(times) is None


def test_a_few_steps_on_a_grid_among_many_that_are_not_make_none() -> None:
    """Two steps in five are samples of 24 MHz; the others are long and fall anywhere."""
    rng = np.random.default_rng(10)
    near = np.rint(125 / 3 * rng.choice([1, 2, 3], 4000))
    steps = np.where(rng.random(4000) < 0.4, near, rng.integers(10**6, 10**9, 4000))
    assert sample_grid(np.cumsum(steps).astype(np.int64)) is None


def test_a_grid_of_two_ticks() -> None:
    assert sample_grid(np.array([0, 2, 6, 8], np.int64)) == 2.0


def test_nothing_to_go_by() -> None:
    for times in ([], [5], [5, 6], [1, 2, 3, 4]):
        assert sample_grid(np.array(times, np.int64)) is None
    assert sample_grid(np.arange(0, 4000, 42, dtype=np.int64)) == 42.0


@settings(max_examples=60, deadline=None)
@given(st.floats(8.0, 5000.0), st.integers(0, 2**32 - 1))
def test_any_interval_above_eight_ticks_is_found(interval: float, number: int) -> None:
    counts = np.random.default_rng(number).choice([1, 2, 3, 4, 9], 3000)
    found = sample_grid(_stamps(interval, counts))
    assert found == pytest.approx(interval, abs=0.01)


@pytest.mark.parametrize(
    ("tick_fs", "grid"),
    [(10_000_000, 1.0), (50_000_000, 1.0), (1_000_000, None), (1_000, None)],
    ids=["10 ns", "50 ns", "1 ns", "1 ps"],
)
def test_a_tick_as_long_as_an_analysers_sample_is_one(tick_fs: int, grid: float | None) -> None:
    """Stamps that share no divisor: delays of a simulation are told in finer ticks."""
    time = np.cumsum(np.random.default_rng(2).choice([1, 3, 7, 19, 33], 3000)).astype(np.int64)
    nothing = np.zeros((len(time), 1), np.uint64)
    found, exact, blocks = with_sample_grid(iter([Capture(time, nothing, nothing, tick_fs)]))
    assert (found, exact, len(next(blocks))) == (grid, False, 3000)
