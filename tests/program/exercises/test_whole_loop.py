"""The whole loop: a program's bytes on a processor that others wrote, its bus accesses on the virtual card with a
fault, pins, an analyser's capture, and ``check``, which has to name the part. And without an analyser: what the program
prints goes to ``errors``.

The machines are the bundled ones, one for each processor; their monitors' EPROM is the one that ``exercise`` wrote.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from busledger.captures_demo.scenario_list import SCENARIOS
from busledger.captures_demo.world.analyser import Analyser
from busledger.captures_demo.world.bench import capture
from busledger.captures_demo.world.board_file import board_toml
from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.stimulus import Stimulus
from busledger.decoder.board import load_board
from busledger.decoder.program import Asked, program_for
from busledger.tui.commands.main import main
from tests.program.exercises.faulty_memory import Memory, StuckLane
from tests.program.exercises.machines import RUNNERS, trace

MACHINES = {one.name: one.machine for one in SCENARIOS}
# Machine, its processor, a part of each bank to go over, what is wrong, the part to be named.
CASES = {
    "one chip, Z80": ("tide_gauge", "z80", "4000-401F,4400-441F",
                      Fault("stuck-low", "chip", chip="U4", lanes=(5,)), "U4"),
    "the driver, 6502": ("loom", "6502", "0000-001F,0800-081F",
                         Fault("stuck-high", "buffer", card=1, lanes=(3,), acts="reads"), "U12"),
    "one chip, 6800": ("planetarium", "6800", "0000-003F,0400-043F,0800-083F",
                       Fault("stuck-high", "chip", chip="U13", lanes=(6,)), "U13"),
    "one chip, 6809": ("weighbridge", "6809", "2000-203F,2400-243F",
                       Fault("stuck-low", "chip", chip="U14", lanes=(5,)), "U14"),
    "one chip, 8085": ("winch", "8080", "8000-803F,8800-883F",
                       Fault("stuck-low", "chip", chip="U8", lanes=(1,)), "U8"),
    "an address line, 6809": ("weighbridge", "6809", "2000-207F,2400-243F",
                              Fault("address-stuck", "board", card=1, address_lines=(6,), level=1), "U21"),
}  # fmt: skip


def stimulus_of(accesses) -> Stimulus:
    kinds, addresses, values = zip(*accesses, strict=True)
    n = len(kinds)
    return Stimulus(
        np.array([1 if kind == "write" else 0 for kind in kinds], np.int64),
        np.array([kind == "opcode-fetch" for kind in kinds]),
        np.array(addresses, np.int64),
        np.array(values, np.int64),
        np.zeros(n, np.uint8),
        np.ones(n, np.int64),
    )


@pytest.mark.parametrize("case", CASES)
def test_a_reset_rom_a_fault_a_capture_and_the_part_is_named(case, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    name, cpu, ranges, fault, part = CASES[case]
    machine = MACHINES[name]
    board = board_toml(machine, images={"monitor": "test.bin"})
    (tmp_path / "card.toml").write_text(board.replace('image = "test.bin"', "") + "")
    assert (
        main(
            [
                "exercise",
                "--board",
                "card.toml",
                "--reset-rom",
                "2K",
                "--passes",
                "1",
                "--regions",
                ranges,
                "--out",
                "test.bin",
            ]
        )
        == 0
    )
    capsys.readouterr()
    image = (tmp_path / "test.bin").read_bytes()
    (tmp_path / "card.toml").write_text(board)

    rom = machine.regions[0]
    memory = Memory(image, rom.start)
    program = program_for(
        load_board(tmp_path / "card.toml"), Asked(rom_size=2048, regions=tuple(ranges.split(","))), 1e6
    )
    start = 0 if rom.start == 0 else int.from_bytes(image[-4:-2] if cpu == "6502" else image[-2:],
                                                    "little" if cpu == "6502" else "big")  # fmt: skip
    accesses = trace(cpu, program, memory, start)
    burnt = replace(machine, regions=(replace(rom, image=image), *machine.regions[1:]))
    run = play(burnt, (fault,), stimulus_of(accesses), seed=7)
    assert run.mismatches > 0
    capture(run, tmp_path / "run.vcd", seed=3, analyser=Analyser(rate_hz=24e6))

    assert main(["check", "run.vcd", "--board", "card.toml", "--json"]) == 1
    result = json.loads(capsys.readouterr().out)
    first = result["suspects"][0]
    assert (first["component"], first["fault"]) == (part, fault.fault)
    bad = {one["component"]: one["bad"] for one in result["parts"]}
    assert bad[part] > 0.55
    assert max(chance for other, chance in bad.items() if other != part) < 0.4


@pytest.mark.parametrize(("cpu", "name", "ranges", "origin"), [
    ("z80", "tide_gauge", ((0x4000, 0x43FF),), "4400"),
    ("6809", "weighbridge", ((0x2000, 0x23FF),), "2400"),
])  # fmt: skip
def test_what_a_program_prints_is_read_and_the_part_named(cpu, name, ranges, origin, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    machine = MACHINES[name]
    (tmp_path / "card.toml").write_text(board_toml(machine, images={}))
    asked = ["--origin", origin, "--regions", "bank0", "--on-failure", "go-on", "--output", "E803"]
    assert main(["exercise", "--board", "card.toml", *asked]) == 0
    said = " ".join(capsys.readouterr().out.split())
    options = said.partition("'busledger errors - ")[2].partition("'")[0].split()
    program = program_for(
        load_board(tmp_path / "card.toml"),
        Asked(int(origin, 16), regions=("bank0",), on_failure="go-on", output=0xE803), 1e6,
    )  # fmt: skip
    memory = StuckLane(range(ranges[0][0], ranges[0][1] + 1), 5, 0, watched=range(ranges[0][0], ranges[0][1] + 1))
    ran = RUNNERS[cpu](program, memory, most=30_000_000)
    (tmp_path / "screen.txt").write_text(ran.printed.replace("\r\n", "\n"))
    assert main(["errors", "screen.txt", *options, "--json"]) == 1
    result = json.loads(capsys.readouterr().out)
    assert result["suspects"][0]["component"] == {"tide_gauge": "U4", "weighbridge": "U6"}[name]
    assert result["suspects"][0]["fault"] == "stuck-low"
    assert "1 passed over" in " ".join(result["coverage"]["from_list"]["taken"])  # the pass's full stop, no error
