"""Ranges that ``--ignore`` and ``--device`` name: decoded, listed, not compared."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busledger.captures_demo.accuracy import write_board
from busledger.captures_demo.world.bench import capture, standard_clips
from busledger.captures_demo.world.cases import Case, draw_case
from busledger.decoder.bus import Cycles, Kind
from busledger.decoder.errors import UsageError
from busledger.decoder.pipeline import Request, open_run, run_check


@pytest.fixture(scope="module")
def stuck() -> Case:
    return draw_case(100, "hard", kind=("stuck-low", "chip"), cycles=6_000)


@pytest.fixture(scope="module")
def recording(stuck: Case, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("left_out") / "run.vcd"
    capture(stuck.run, path, seed=5, clips=standard_clips(stuck.machine), rate_hz=50e6)
    return path


def failing(recording: Path, stuck: Case) -> tuple[int, int]:
    """The inferred region in which reads are wrong."""
    result = run_check(Request(recording, profile=stuck.machine.bus, any_subset=True))
    assert result.mismatch_total > 0
    (region,) = {(r.start, r.end) for r in result.regions if r.mismatches}
    return region


@pytest.mark.parametrize(("option", "name"), [("ignored", "ignored"), ("devices", "device")])
def test_what_is_left_out_is_not_compared_and_stays_listed(recording: Path, stuck: Case, option: str, name: str):
    start, end = failing(recording, stuck)
    request = Request(recording, profile=stuck.machine.bus, any_subset=True, **{option: (f"{start:04X}-{end:04X}",)})
    result = run_check(request)
    assert (result.mismatch_total, result.suspects) == (0, ())
    (left,) = [r for r in result.regions if r.name == f"{name} {start:04X}-{end:04X}"]
    assert (left.kind, left.reads_compared) == ("io", 0)
    run = open_run(request)
    with run.file:
        cycles = Cycles.concat([block.cycles for block in run.blocks()])
    inside = (cycles.address >= start) & (cycles.address <= end) & (cycles.kind != Kind.IDLE)
    assert inside.sum() > 100
    listed = np.array([*run.region_names, ""])[cycles.region[inside]]
    assert set(listed) == {left.name}


def test_a_device_inside_a_stated_region_takes_only_its_own_addresses_out(recording: Path, stuck: Case) -> None:
    start, end = failing(recording, stuck)
    stated = Request(recording, profile=stuck.machine.bus, any_subset=True, regions=(f"ram={start:X}-{end:X}",))
    whole = run_check(stated)
    half = start + (end - start) // 2
    part = run_check(
        Request(recording, profile=stuck.machine.bus, any_subset=True, regions=stated.regions,
                devices=(f"{start:X}-{half:X}",))
    )  # fmt: skip
    rest = run_check(
        Request(recording, profile=stuck.machine.bus, any_subset=True, regions=stated.regions,
                devices=(f"{half + 1:X}-{end:X}",))
    )  # fmt: skip
    counts = [sum(r.reads_compared for r in result.regions) for result in (whole, part, rest)]
    assert counts[0] == counts[1] + counts[2] and min(counts) > 0


@pytest.mark.parametrize("text", ["9000", "9000-", "ram=9000-903F", "9040-903F", "zz-ff"])
def test_a_range_that_cannot_be_read_is_told(recording: Path, stuck: Case, text: str) -> None:
    with pytest.raises(UsageError, match="--device"):
        open_run(Request(recording, profile=stuck.machine.bus, devices=(text,)))


def test_a_board_file_says_it_itself(recording: Path, stuck: Case, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--ignore and --board were both given"):
        open_run(Request(recording, write_board(stuck.machine, tmp_path), ignored=("9000-903F",)))
