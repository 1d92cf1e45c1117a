"""A second table of the profiles' figures, typed from the sources and not from the TOML files.

Each row names its sheet. "memory" means: the figure of that sheet as remembered, the sheet not at hand.
Such a row is the same memory twice: it shows that nothing was mistyped, not what the sheet says.
"""

from __future__ import annotations

import pytest

from busledger.decoder.bus import load_profile, profile_names
from busledger.tui.commands.main import main
from tests.reference.cycles_plain import holds

# profile, grade, symbol, min, max (ns), source
FIGURES = [
    ("6800", "6800 1 MHz", "tDSR", 100, None, "MC6800 data sheet, memory"),
    ("6800", "68A00 1.5 MHz", "tDSR", 60, None, "MC68A00 data sheet, memory"),
    ("6800", "68B00 2 MHz", "tDSR", 40, None, "MC68B00 data sheet, memory"),
    ("6800", "6800 1 MHz", "tH", 10, None, "MC6800 data sheet, memory"),
    ("6800", "6800 1 MHz", "tcyc", 1000, 10000, "MC6800 data sheet, memory"),
    ("6800", "68A00 1.5 MHz", "tcyc", 667, 10000, "MC68A00 data sheet, memory"),
    ("6800", "68B00 2 MHz", "tcyc", 500, 10000, "MC68B00 data sheet, memory"),
    ("6800", "6800 1 MHz", "tDDW", None, 225, "MC6800 data sheet, memory"),
    ("6800", "68A00 1.5 MHz", "tDDW", None, 200, "MC68A00 data sheet, memory"),
    ("6800", "68B00 2 MHz", "tDDW", None, 160, "MC68B00 data sheet, memory"),
    ("6800", "6800 1 MHz", "tEH", 450, None, "MC6800 data sheet, memory"),
    ("6800", "68A00 1.5 MHz", "tEH", 280, None, "MC68A00 data sheet, memory"),
    ("6800", "68B00 2 MHz", "tEH", 220, None, "MC68B00 data sheet, memory"),
    ("6800", "6800 1 MHz", "tAH", 30, None, "MC6800 data sheet, memory"),
    ("6502", "1 MHz", "TDSU", 100, None, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "2 MHz", "TDSU", 50, None, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "1 MHz", "THR", 10, None, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "1 MHz", "TADS", None, 300, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "2 MHz", "TADS", None, 150, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "1 MHz", "TACC", None, 575, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "2 MHz", "TACC", None, 300, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "1 MHz", "TMDS", None, 200, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "2 MHz", "TMDS", None, 100, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "1 MHz", "THW", 30, None, "MCS6500 data sheet, May 1976, memory"),
    ("6502", "W65C02S 14 MHz", "TDSU", 10, None, "W65C02S data sheet, memory"),
    ("z80", "Z80", "tc", 400, None, "Z80 Product Specification, March 1978, memory"),
    ("z80", "Z80A", "tc", 250, None, "Z80 Product Specification, March 1978, memory"),
    ("z80", "Z80", "tS(D)", 50, None, "Z80 Product Specification, March 1978, memory"),
    ("z80", "Z80A", "tS(D)", 35, None, "Z80 Product Specification, March 1978, memory"),
    ("z80", "Z80", "tS(D) M2-M5", 60, None, "Z80 Product Specification, March 1978, memory"),
    ("z80", "Z80A", "tS(D) M2-M5", 50, None, "Z80 Product Specification, March 1978, memory"),
    ("z80", "Z80", "tw(WRL)", 400 - 40, None, "Z80 Product Specification, March 1978: tc - 40, memory"),
    ("z80", "Z80A", "tw(WRL)", 250 - 30, None, "Z80 Product Specification, March 1978: tc - 30, memory"),
    ("z80", "Z80", "tD(AD)", None, 145, "Z80 Product Specification, March 1978, memory"),
    ("z80", "Z80A", "tD(AD)", None, 110, "Z80 Product Specification, March 1978, memory"),
    ("z80", "Z80", "tS(WT)", 70, None, "Z80 Product Specification, March 1978, memory"),
    ("6802", "6802 1 MHz", "PWEH", 450, None, "MC6802 data sheet, memory"),
    ("6802", "68A02 1.5 MHz", "PWEH", 280, None, "MC68A02 data sheet, memory"),
    ("6802", "68B02 2 MHz", "PWEH", 220, None, "MC68B02 data sheet, memory"),
    ("6802", "68B02 2 MHz", "PWEL", 210, None, "MC68B02 data sheet, memory"),
    ("6802", "6802 1 MHz", "tDSR", 100, None, "MC6802 data sheet, memory"),
    ("6802", "68A02 1.5 MHz", "tDSR", 70, None, "MC68A02 data sheet, memory"),
    ("6802", "68B02 2 MHz", "tDSR", 60, None, "MC68B02 data sheet, memory"),
    ("6802", "6802 1 MHz", "tDHW", 30, None, "MC6802 data sheet, memory"),
    ("6802", "68A02 1.5 MHz", "tDHW", 20, None, "MC68A02 data sheet, memory"),
    ("6802", "6802 1 MHz", "tDDW", None, 225, "MC6802 data sheet, memory"),
    ("6802", "68A02 1.5 MHz", "tDDW", None, 170, "MC68A02 data sheet, memory"),
    ("6809", "6809 1 MHz", "tDSR", 80, None, "public note citing the MC6809 data sheet"),
    ("6809", "68A09 1.5 MHz", "tDSR", 60, None, "public note citing the MC6809 data sheet"),
    ("6809", "68B09 2 MHz", "tDSR", 40, None, "public note citing the MC6809 data sheet"),
    ("6809", "6809 1 MHz", "tAVS", 200, 250, "public note citing the MC6809 data sheet"),
    ("6809", "68A09 1.5 MHz", "tAVS", 130, 166, "public note citing the MC6809 data sheet"),
    ("6809", "68B09 2 MHz", "tAVS", 80, 125, "public note citing the MC6809 data sheet"),
    ("6809", "6809 1 MHz", "tAD", None, 200, "MC6809 data sheet, memory"),
    ("6809", "68B09 2 MHz", "tAD", None, 110, "MC6809 data sheet, memory"),
    ("6809", "6809 1 MHz", "tACC", None, 695, "MC6809 data sheet, memory"),
    ("6809", "68A09 1.5 MHz", "tACC", None, 440, "MC6809 data sheet, memory"),
    ("6809", "68B09 2 MHz", "tACC", None, 330, "MC6809 data sheet, memory"),
    ("6809e", "6809E 1 MHz", "tDSR", 80, None, "public note citing the MC6809E data sheet, 1984"),
    ("6809e", "68B09E 2 MHz", "PWEH", 220, None, "MC68B09E data sheet, memory"),
    ("6801", "1 MHz", "tAV-ASL", 60, None, "MC6801 data sheet, memory, doubtful"),
    ("6801", "1 MHz", "PWASH", 220, None, "MC6801 data sheet, memory, doubtful"),
    ("65c816", "14 MHz, 5 V", "tBAS", None, 33, "W65C816S data sheet, memory, doubtful"),
    ("65c816", "14 MHz, 5 V", "tBH", 10, None, "W65C816S data sheet, memory, doubtful"),
    ("65c816", "2 MHz", "tDSR", 40, None, "W65C816 data sheet of the 1980s, memory, doubtful"),
    ("65c816", "4 MHz", "tDSR", 30, None, "W65C816 data sheet of the 1980s, memory, doubtful"),
    ("65c816", "2 MHz", "TCYC", 500, None, "W65C816 data sheet of the 1980s, memory, doubtful"),
    ("6802", "6802 1 MHz", "tcyc", 1000, 10000, "MC6802 data sheet, memory"),
    ("6809", "68A09 1.5 MHz", "tcyc", 667, 10000, "MC68A09 data sheet, memory"),
    ("6809e", "68B09E 2 MHz", "tcyc", 500, 10000, "MC68B09E data sheet, memory"),
    ("8080", "8080A", "tCY", 480, 2000, "8080A data sheet in 98-153B, memory"),
    ("8080", "8080A", "tDA", None, 200, "8080A data sheet in 98-153B, memory"),
    ("8080", "8080A", "tDD", None, 220, "8080A data sheet in 98-153B, memory"),
    ("8080", "8080A", "tDC", None, 120, "8080A data sheet in 98-153B, memory"),
    ("8080", "8080A", "tDF", 25, 140, "8080A data sheet in 98-153B, memory"),
    ("8080", "8080A", "tDS1", 30, None, "8080A data sheet in 98-153B, memory"),
    ("8080", "8080A", "tDS2", 150, None, "8080A data sheet in 98-153B, memory"),
    ("8085", "8085A", "tAL", 115, None, "8085A data sheet, memory"),
    ("8085", "8085A", "tALL", 90, None, "8085A data sheet, memory"),
    ("8085", "8085A", "tLA", 100, None, "8085A data sheet, memory"),
    ("8085", "8085A", "tLL", 140, None, "8085A data sheet, memory"),
    ("8085", "8085A", "tRD", None, 300, "8085A data sheet, memory"),
    ("8085", "8085A", "tCC", 400, None, "8085A data sheet, memory"),
    ("8085", "8085A", "tCC - tRD", 400 - 300, None, "8085A data sheet, computed"),
    ("8085", "8085A", "tDW", 420, None, "8085A data sheet, memory"),
    ("8085", "8085A", "tWD", 100, None, "8085A data sheet, memory"),
    ("8085", "8085A", "tWDL", None, 40, "8085A data sheet, memory"),
    ("8085", "8085A-2", "tLL", 80, None, "8085A-2 data sheet, memory"),
    ("8085", "8085A-2", "tCC", 230, None, "8085A-2 data sheet, memory"),
    ("8085", "8085A-2", "tCC - tRD", 230 - 150, None, "8085A-2 data sheet, computed"),
    ("8085", "8085A-2", "tWD", 60, None, "8085A-2 data sheet, memory"),
    ("8086-min", "5 MHz", "TRLRH", 2 * 200 - 75, None, "8086 data sheet 231455 p. 16: 2 TCLCL - 75"),
    ("8086-min", "5 MHz", "TWLWH", 2 * 200 - 60, None, "8086 data sheet 231455 p. 16: 2 TCLCL - 60"),
    ("8086-min", "8 MHz (-2)", "TRLRH", 2 * 125 - 50, None, "8086-2: 2 TCLCL - 50"),
    ("8086-min", "8 MHz (-2)", "TWLWH", 2 * 125 - 40, None, "8086-2: 2 TCLCL - 40"),
    ("8088-min", "5 MHz", "TCLAV", 10, 110, "iAPX 88/10 A.C. timing, Tandy 1000 Technical Reference Manual"),
    ("8088-min", "5 MHz", "TWHDX", 88, None, "TCLCH - 30, TCLCH = 2/3 x 200 - 15, rounded down"),
    ("8088-min", "5 MHz", "TAVAL", 58, None, "TCLCH - 60, TCLCH = 2/3 x 200 - 15, rounded down"),
    ("8088-min", "5 MHz", "TDVCL", 30, None, "iAPX 88 data sheet, memory"),
    ("8088-max", "8 MHz (-2)", "TDVCL", 20, None, "iAPX 88 data sheet, memory"),
    ("8088-min", "8 MHz (-2)", "TCLAV", 10, 60, "iAPX 88/10 A.C. timing, Tandy 1000 Technical Reference Manual"),
    ("8051", "12 MHz", "TLHLL", 127, None, "2T - 40, T = 83.3 ns, rounded: DS5001FP p. 14"),
    ("8051", "12 MHz", "TAVLL", 43, None, "T - 40: DS5001FP p. 14"),
    ("8051", "12 MHz", "TLLAX", 48, None, "T - 35: DS5001FP p. 14"),
    ("8051", "12 MHz", "TPLPH", 215, None, "3T - 35: DS5001FP p. 14"),
    ("8051", "12 MHz", "TRLRH", 400, None, "6T - 100: DS5001FP p. 14"),
    ("8051", "12 MHz", "TRLRH - TRLDV", 400 - 252, None, "6T - 100 less 5T - 165: DS5001FP p. 14"),
    ("8051", "12 MHz", "TQVWX", 23, None, "T - 60: DS5001FP p. 14"),
    ("8051", "12 MHz", "TWHQX", 33, None, "T - 50: DS5001FP p. 14"),
    ("8048", "6 MHz", "tCC", 700, None, "8048 data sheet, memory, doubtful"),
    ("8048", "6 MHz", "tDW", 500, None, "8048 data sheet, memory, doubtful"),
    ("68000", "8 MHz", "11", 30, None, "M68000 User's Manual section 10, memory"),
    ("68000", "8 MHz", "14", 270, None, "M68000 User's Manual section 10, memory"),
    ("68000", "8 MHz", "14A", 140, None, "M68000 User's Manual section 10, memory"),
    ("68000", "8 MHz", "27", 10, None, "M68000 User's Manual section 10, memory"),
    ("68000", "8 MHz", "47", 10, None, "M68000 User's Manual p. 10-17"),
    ("68000", "8 MHz, early NMOS", "14A", 115, None, "MC68000 data sheet, memory"),
    ("68000", "8 MHz, early NMOS", "27", 15, None, "MC68000 data sheet, memory"),
    ("68008", "8 MHz", "14A", 140, None, "M68000 User's Manual section 10, memory"),
    ("multibus", "Multibus I", "tAS", 50, None, "Intel386 DX hardware manual, table 9-1"),
    ("multibus", "Multibus I", "tDS", 50, None, "Intel386 DX hardware manual, table 9-1"),
    ("multibus", "Multibus I", "tDHW", 50, None, "Intel386 DX hardware manual, table 9-1"),
    ("isa8", "4.77 MHz PC", "command width", 344, None, "2 TCLCL - 75 at 209.5 ns, rounded"),
    ("sram", "6116-70", "tWP", 25, None, "Holtek HT6116-70, 3 July 1997, p. 4"),
    ("sram", "6116-70", "tDW", 20, None, "Holtek HT6116-70, 3 July 1997, p. 4"),
    ("sram", "6116-70", "tAA", None, 70, "Holtek HT6116-70, 3 July 1997, p. 4"),
    ("dram", "41256-15", "tRAC", None, 150, "NTE21256 data sheet"),
    ("dram", "41256-15", "tCAC", None, 75, "NTE21256 data sheet"),
    ("dram", "41256-15", "tREF", None, 4e6, "NTE21256 data sheet: 256 rows in 4 ms"),
]

# What each document prints as doubtful must never become a hard limit: profile, grade, symbols.
DOUBTFUL = [
    ("6800", "6800 1 MHz", {"tAD", "tacc"}),
    ("6802", "6802 1 MHz", {"tAV", "tACC"}),
    ("6801", "1 MHz", {"PWASH", "tAV-ASL", "tAHL", "tASED", "tDSR", "tDHR", "tDDW", "tHW"}),
    ("8048", "6 MHz", {"tLL", "tAL", "tLA", "tCC", "tRD", "tDW", "tWD", "tAD"}),
    ("68000", "8 MHz", {"13", "25", "26"}),
    ("8051", "12 MHz", {"TPLIV"}),
]


@pytest.mark.parametrize(("profile", "grade", "symbol", "low", "high", "source"), FIGURES)
def test_a_figure_is_the_one_in_its_source(profile, grade, symbol, low, high, source):
    limits = [limit for limit in load_profile(profile).limits(grade) if limit.symbol == symbol]
    assert [(limit.min, limit.max) for limit in limits] == [(low, high)], source


@pytest.mark.parametrize(("profile", "grade", "symbols"), DOUBTFUL)
def test_what_the_sources_leave_in_doubt_is_marked(profile, grade, symbols):
    assert symbols <= {limit.symbol for limit in load_profile(profile).limits(grade) if limit.doubtful}


# 8080 status bytes, Intel user's manual Table 4-1, p. 4-6 (cycle 10 completed from 98-153B, memory): what each is.
STATUS_8080 = {
    0xA2: "opcode-fetch",
    0x82: "read",
    0x00: "write",
    0x86: "read",
    0x04: "write",
    0x42: "io-read",
    0x10: "io-write",
    0x23: "int-ack",
    0x2B: "int-ack",
}


def test_the_8080_status_bits_lead_to_the_kinds_of_table_4_1():
    profile = load_profile("8080")
    for status, kind in STATUS_8080.items():
        strobe = "DBIN" if status & 2 else "WR"
        levels = {f"status.D{n}": bool(status >> n & 1) for n in range(8)}
        fits = (r.kind for r in profile.rules if r.strobe == strobe and _holds(r.when, levels))
        assert next(fits) == kind, hex(status)


def _holds(text, levels):
    return holds(text, lambda place, line: levels.get(f"{place}.{line}".lstrip("."), False))


# Which of these tables, grade by grade, prove what: "sheet" where a row was typed from something printed; "twice" where
# profile and rows are the same memory twice; "alone" where no row stands beside the profile's own figures.
PROOF = {
    "sheet": {
        ("6809", "6809 1 MHz"), ("6809", "68A09 1.5 MHz"), ("6809", "68B09 2 MHz"), ("6809e", "6809E 1 MHz"),
        ("8051", "12 MHz"), ("8086-min", "5 MHz"), ("8086-min", "8 MHz (-2)"), ("8088-min", "5 MHz"),
        ("8088-min", "8 MHz (-2)"), ("68000", "8 MHz"), ("multibus", "Multibus I"), ("isa8", "4.77 MHz PC"),
        ("sram", "6116-70"), ("dram", "41256-15"),
        ("8088-max", "8 MHz (-2)"),  # here the profile's own table is the printed one, and the row is remembered
    },
    "twice": {
        ("6502", "1 MHz"), ("6502", "2 MHz"), ("6502", "W65C02S 14 MHz"), ("65c816", "14 MHz, 5 V"),
        ("65c816", "4 MHz"), ("65c816", "2 MHz"), ("6800", "6800 1 MHz"), ("6800", "68A00 1.5 MHz"),
        ("6800", "68B00 2 MHz"), ("68000", "8 MHz, early NMOS"), ("68008", "8 MHz"), ("6801", "1 MHz"),
        ("6802", "6802 1 MHz"), ("6802", "68A02 1.5 MHz"), ("6802", "68B02 2 MHz"), ("6809e", "68B09E 2 MHz"),
        ("8048", "6 MHz"), ("8080", "8080A"), ("8085", "8085A"), ("8085", "8085A-2"), ("z80", "Z80"),
        ("z80", "Z80A"),
    },
    "alone": {
        ("65c816", "8 MHz"), ("68008", "8 MHz, early NMOS"), ("6809e", "68A09E 1.5 MHz"), ("8080-8228", "8080A"),
        ("8088-max", "5 MHz"), ("ecb", "Z80"), ("ecb", "Z80A"), ("sram", "2114 450 ns"),
    },
}  # fmt: skip


def _proof(profile: str, grade: str) -> str:
    rows = [source for p, g, _, _, _, source in FIGURES if (p, g) == (profile, grade)]
    own = next(one.source for one in load_profile(profile).file.grade if one.name == grade)
    remembered = [source for source in rows if "memory" in source or "computed" in source]
    if not rows:
        return "alone"
    return "twice" if len(remembered) == len(rows) and "from memory" in own else "sheet"


def test_each_second_table_says_whether_it_is_the_same_memory_twice() -> None:
    """Only what was typed from a printed source is proof. A new grade, or a new row, must be put where it belongs."""
    found: dict[str, set[tuple[str, str]]] = {"sheet": set(), "twice": set(), "alone": set()}
    for name in profile_names():
        for grade in load_profile(name).file.grade:
            found[_proof(name, grade.name)].add((name, grade.name))
    assert found == PROOF


@pytest.mark.parametrize(("profile", "grade"), sorted(PROOF["twice"]))
def test_a_user_is_told_of_each_table_that_is_from_memory(profile, grade, capsys):
    """``busledger profiles NAME`` names the source of each grade above its figures."""
    assert main(["profiles", profile]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    head = shown.split(f"Grade {grade}, ns (source: ")[1].split(" figure ")[0]
    assert "from memory)" in head or "from memory;" in head
