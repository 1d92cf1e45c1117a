"""What a clipped select says against what the data says, and selects that never come."""

from __future__ import annotations

from pathlib import Path

import pytest

from busledger.decoder.pipeline import Request, run_check, run_selects
from tests.benchmarks.checks_table import drawn
from tests.checks.driver_cases import write_driver_case

LINES = ["PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "CS0", "CS1"]
BOARD = """[board]
name = "Loom controller"
bus = "6502"
[[region]]
name = "ram0"
start = 0x0000
end = 0x03FF
kind = "ram"
select = "CS0"
chips = [{ designator = "U1", part = "2114", lanes = "D0-D3" }, { designator = "U2", part = "2114", lanes = "D4-D7" }]
[[region]]
name = "ram1"
start = 0x0400
end = 0x07FF
kind = "ram"
select = "CS1"
chips = [{ designator = "U3", part = "2114", lanes = "D0-D3" }, { designator = "U4", part = "2114", lanes = "D4-D7" }]
[[decoder]]
designator = "U9"
part = "74LS138"
inputs = { A = "A10", B = "A11", C = "A12", G1 = "PHI2", G2A = "A14", G2B = "A15" }
outputs = { Y0 = "CS0", Y1 = "CS1" }
"""


def frozen(path: Path, channel: str, level: int) -> Path:
    """The same capture with a clip that has come off: its channel stays at one level."""
    text = path.read_text()
    head, body = text.split("$enddefinitions $end", 1)
    mark = next(line.split()[3] for line in head.splitlines() if channel in "".join(line.split()[4:5]))
    told, words = False, []
    for word in body.split():
        if word in (f"0{mark}", f"1{mark}"):
            if told:
                continue
            told, word = True, f"{level}{mark}"
        words.append(word)
    made = path.with_name("frozen.vcd")
    made.write_text(f"{head}$enddefinitions $end\n" + "\n".join(words) + "\n")
    return made


def loom(folder: Path, lines: list[str], selects: tuple[int, int]) -> Request:
    """A 6502 that writes and reads ram0, then writes 64 cells of ram1; ``selects`` are the regions whose select comes.

    Only ``lines`` are clipped. CS0 and CS1 follow phase 2 by 20 ns.
    """
    marks = {line: chr(33 + n) for n, line in enumerate(LINES)}
    out = ["$timescale 1ns $end", *(f"$var wire 1 {marks[line]} {line} $end" for line in lines)]
    out.append("$enddefinitions $end")

    def put(t: int, levels: dict[str, int]) -> None:
        out.append(f"#{t}")
        out.extend(f"{level}{marks[line]}" for line, level in levels.items() if line in lines)

    def word(prefix: str, value: int, bits: int) -> dict[str, int]:
        return {f"{prefix}{n}": value >> n & 1 for n in range(bits)}

    put(0, {line: int(line in ("RW", "CS0", "CS1")) for line in LINES})
    accesses = [(a, 0) for a in range(64)] + [(a, 1) for a in range(64)] + [(0x400 + a, 0) for a in range(64)]
    for k, (address, read) in enumerate(accesses, 1):
        t, here = 1000 * k, address >> 10
        put(t, {"PHI2": 0, "CS0": 1, "CS1": 1})
        put(t + 100, {**word("A", address, 16), "RW": read})
        put(t + 500, {"PHI2": 1})
        put(t + 520, {f"CS{here}": 0} if here in selects else {})
        put(t + 700, word("D", address * 37 & 255, 8))
    put(1000 * len(accesses) + 1000, {"PHI2": 0})
    (folder / "loom.vcd").write_text("\n".join(out) + "\n")
    (folder / "board.toml").write_text(BOARD)
    return Request(folder / "loom.vcd", folder / "board.toml")


@pytest.mark.parametrize("seed", [60, 61])
def test_a_select_clip_that_is_off_convicts_nobody(tmp_path, seed):
    """Without its clip a select is never seen; the reads of its region come back right all the same."""
    case = drawn("healthy", seed)
    capture, board = write_driver_case(case, tmp_path, seed=seed)
    region = next(r for r in case.machine.regions if r.kind == "ram" and r.select)
    whole = run_selects(Request(capture, board))
    assert not [f for f in whole.findings if f.weight != "note"]
    told = run_selects(Request(frozen(capture, str(region.select), 1), board))
    assert {f.weight for f in told.findings} <= {"doubt", "note"}
    assert any("came back right without it: look at the clips" in f.text for f in told.findings)
    mine = next(r for r in told.regions if r.region == region.name)
    assert mine.missing == mine.cycles
    assert mine.answered > 0


@pytest.mark.parametrize("missing", [(), ("A10",)])
def test_a_select_that_never_comes_is_a_fault_though_nothing_can_be_compared(tmp_path, missing):
    """ram1 is written, never read. With A10 not clipped its cycles belong to no region: the decoder's table tells."""
    request = loom(tmp_path, [line for line in LINES if line not in missing], (0,))
    found = run_selects(request)
    assert [f.component for f in found.findings if f.weight == "fault"][:1] == ["U9"]
    result = run_check(request)
    assert result.mismatch_total == 0
    suspect = result.suspects[0]
    assert (suspect.fault, suspect.component, suspect.region) == ("select-missing", "U9", "ram1")
    assert suspect.probability > 0.5


@pytest.mark.parametrize("missing", [(), ("A10",)])
def test_the_same_card_with_its_select_is_right(tmp_path, missing):
    request = loom(tmp_path, [line for line in LINES if line not in missing], (0, 1))
    assert not [f for f in run_selects(request).findings if f.weight == "fault"]
    assert run_check(request).suspects == ()
