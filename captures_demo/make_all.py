"""Rebuild every bundled scenario, byte for byte: ``python -m busledger.captures_demo.make_all``."""

from __future__ import annotations

import lzma
from pathlib import Path

import numpy as np

from busledger.captures_demo.scenario_list import SCENARIOS, Scenario
from busledger.captures_demo.world.bench import capture, standard_clips
from busledger.captures_demo.world.board_file import board_toml
from busledger.captures_demo.world.play import Run, play

__all__ = ["build", "main"]


def build(scenario: Scenario, folder: Path, *, pack: bool = True) -> Run:
    """Write board.toml, capture.vcd.xz, story.md, truth.toml and ROM images into ``folder``; returns the run.

    Not packed, the capture is ``capture.vcd``.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(scenario.seed)
    stimulus = scenario.stimulus(scenario.machine, rng)
    run = play(scenario.machine, scenario.faults, stimulus, scenario.seed)
    images = {}
    for region in scenario.machine.regions:
        if region.image is not None:
            images[region.name] = f"{region.name}.bin"
            (folder / images[region.name]).write_bytes(region.image)
    board = board_toml(scenario.machine, images=images, far_side=scenario.far_side)
    (folder / "board.toml").write_text(board, encoding="utf-8")
    (folder / "story.md").write_text(scenario.story, encoding="utf-8")
    (folder / "truth.toml").write_text(truth_toml(scenario, run), encoding="utf-8")
    plain = folder / "capture.vcd"
    clips = standard_clips(scenario.machine, far_side=scenario.far_side)
    capture(run, plain, seed=scenario.seed, clips=clips, style=scenario.style, analyser=scenario.analyser)
    if pack:
        (folder / "capture.vcd.xz").write_bytes(lzma.compress(plain.read_bytes(), preset=9))
        plain.unlink()
    return run


def truth_toml(scenario: Scenario, run: Run) -> str:
    """What was broken, and how often it shows by this world's own count."""
    lines = [
        "# What was built into the card, and in how many compared reads it shows.",
        f"components = [{', '.join(repr(c).replace(chr(39), chr(34)) for c in scenario.components)}]",
        f"cycles = {int(np.count_nonzero(run.kind != 2))}",
        f"reads_compared = {int(np.count_nonzero(run.compared))}",
        f"mismatches = {run.mismatches}",
    ]
    for fault in scenario.faults:
        lanes = ", ".join(f'"D{lane}"' for lane in fault.lanes)
        address_lines = ", ".join(f'"A{line}"' for line in fault.address_lines)
        lines += ["", "[[fault]]", f'fault = "{fault.fault}"', f'scope = "{fault.scope}"', f'region = "{fault.region}"']
        lines += [f"lanes = [{lanes}]", f"address_lines = [{address_lines}]", f'mode = "{fault.when.mode}"']
    return "\n".join(lines) + "\n"


def main() -> None:
    """Rebuild all, saying what was made."""
    here = Path(__file__).parent
    for scenario in SCENARIOS:
        run = build(scenario, here / scenario.name)
        size = (here / scenario.name / "capture.vcd.xz").stat().st_size
        print(f"{scenario.name}: {len(run)} cycles, {run.mismatches} mismatches, {size} bytes")


if __name__ == "__main__":
    main()
