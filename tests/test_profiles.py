"""A second table of the profiles' figures, typed from the sources and not from the TOML files.

Each row names its sheet. "memory" means: the figure of that sheet as remembered, the sheet not at hand.
"""

from __future__ import annotations

import pytest

from decoder.bus import load_profile

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
]


@pytest.mark.parametrize(("profile", "grade", "symbol", "low", "high", "source"), FIGURES)
def test_a_figure_is_the_one_in_its_source(profile, grade, symbol, low, high, source):
    limits = [limit for limit in load_profile(profile).limits(grade) if limit.symbol == symbol]
    assert [(limit.min, limit.max) for limit in limits] == [(low, high)], source
