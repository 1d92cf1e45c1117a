"""The whole way: a return address that comes back wrong, as a capture with a board file, and ``check`` on it."""

from __future__ import annotations

import json

import pytest

from busledger.decoder.bus.columns import KIND_NAMES
from busledger.tui.commands.main import main
from tests.external.test_bus_emulators import pins_z80
from tests.program.machines import Card, image, run_z80

# Writes to a page of RAM in a loop, then calls a routine at 0040: the return address lies at 43FD.
ROM = image((0, "31FF43 21F040 75 7E 2C 20FB CD4000 18F2"), (0x40, "00 C9"))
BOARD = """
[board]
name = "Tide-gauge memory card"
bus = "z80"

[[region]]
name = "monitor"
start = 0x0000
end = 0x07FF
kind = "rom"
image = "monitor.bin"

[[region]]
name = "bank0"
start = 0x4000
end = 0x43FF
kind = "ram"
chips = [
  { designator = "U1", part = "2114", lanes = "D0-D3" },
  { designator = "U2", part = "2114", lanes = "D4-D7" },
]
"""


def dump(wave):
    """A VCD file's text of a wave."""
    names = wave.lines
    time, levels, unknown = wave.columns(names)
    head = "".join(f"$var wire 1 {chr(33 + k)} {name} $end\n" for k, name in enumerate(names))
    text = [f"$timescale 1 ns $end\n$scope module card $end\n{head}$upscope $end\n$enddefinitions $end\n"]
    before = [None] * len(names)
    for row, at in enumerate(time.tolist()):
        text.append(f"#{at}\n")
        for k in range(len(names)):
            level = "x" if int(unknown[row, 0]) >> k & 1 else str(int(levels[row, 0]) >> k & 1)
            if level != before[k]:
                text.append(f"{level}{chr(33 + k)}\n")
                before[k] = level
    return "".join(text)


@pytest.fixture(scope="module")
def card(tmp_path_factory):
    """A folder with the capture and the board file; D1 of the cell 43FD reads low: back to 000C, not 000E."""
    folder = tmp_path_factory.mktemp("derailed")
    ran = run_z80(Card(ROM, spoil=lambda at, byte: byte & ~2 if at == 0x43FD else byte), 140)
    log = [(KIND_NAMES[kind], address, byte) for kind, address, byte, _ in ran.log]
    (folder / "run.vcd").write_text(dump(pins_z80(log, 400)))
    (folder / "card.toml").write_text(BOARD)
    (folder / "monitor.bin").write_bytes(bytes(ROM.get(n, 0xFF) for n in range(0x800)))
    return folder


def test_text_json_and_page_say_it(card, capsys):
    command = ["check", str(card / "run.vcd"), "--board", str(card / "card.toml"), "--no-progress"]
    assert main([*command, "--html", str(card / "report.html")]) == 1
    text = " ".join(capsys.readouterr().out.split())
    assert "Derailed: RET at 0041 gave 000C as its return address, where 000E belongs" in text
    assert "the program went on at 000C" in text
    page = (card / "report.html").read_text()
    assert "The program" in page
    assert "Derailed: RET at 0041" in page
    main([*command, "--json"])
    found = json.loads(capsys.readouterr().out)["program"]["derailed"]
    assert (found["kind"], found["address"], found["went_on_at"], found["inferred"]) == ("return", 0x43FD, 0x0C, False)
    main(["cycles", *command[1:], "--program", "--csv", "-", "--all"])
    rows = capsys.readouterr().out.splitlines()[1:]
    assert rows[found["cycle"]].split(",")[3:5] == ["43FD", "0C"]
    assert rows[found["went_on_cycle"]].split(",")[3] == "000C"
