"""What a card draws: sums of figures typed here a second time, and what a regulator makes of them.

Sources (from memory): Intel 2114 (80 typical, 100 mA), Intel 2708 (12 V 50/65, 5 V 6/10, -5 V 30/45 mA), TI TTL Data
Book: SN74LS138 (6.3/10 mA), SN74LS245 (64/95 mA); uA7800 series: 1 A, 2 V of headroom. Heat is arithmetic.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from busledger.decoder.board import card_power, load_board, parts, supply_figures
from busledger.decoder.errors import BoardError
from busledger.tui.commands.main import main
from tests.board.card import GOOD

Write = Callable[[str], Path]
REGULATOR = """
[[regulator]]
designator = "VR1"
part = "LM340T-5"
input = 8.0
"""


def test_rails_watts_and_packages(board_file: Write) -> None:
    """Four 2114, a 2708, a 74LS138, a 74LS245 and a 74LS244 (32/54 mA, TI SDLS144)."""
    power = card_power(load_board(board_file(GOOD)))
    assert list(power.rails) == [5, 12, -5]
    assert power.rails[5] == pytest.approx((4 * 80 + 6 + 6.3 + 64 + 32, 4 * 100 + 10 + 10 + 95 + 54))
    assert power.rails[12] == (50, 65) and power.rails[-5] == (30, 45)
    assert power.typ_w == pytest.approx((5 * 428.3 + 12 * 50 + 5 * 30) / 1000)
    assert power.unknown == ()


def test_a_regulator_turns_the_difference_into_heat(board_file: Write) -> None:
    (heat,) = card_power(load_board(board_file(GOOD + REGULATOR))).regulators
    assert (heat.output_v, heat.typ_ma, heat.max_ma) == (5.0, pytest.approx(428.3), pytest.approx(569))
    assert (heat.typ_w, heat.max_w) == (pytest.approx(3 * 0.4283), pytest.approx(3 * 0.569))
    assert heat.cautions == ()


def test_it_feeds_what_the_file_says(board_file: Write) -> None:
    text = GOOD + REGULATOR + 'feeds = ["bank0", "U9"]\n'
    (heat,) = card_power(load_board(board_file(text))).regulators
    assert heat.typ_ma == pytest.approx(2 * 80 + 6.3)


def test_forty_nmos_chips_are_a_heater_and_too_much_for_one_regulator(board_file: Write) -> None:
    regions = "".join(
        f'[[region]]\nname = "b{n}"\nstart = {n << 10}\nend = {(n << 10) + 0x3FF}\nkind = "ram"\nchips = ['
        f'{{ designator = "U{2 * n}", part = "2114", lanes = "D0-D3" }},'
        f'{{ designator = "U{2 * n + 1}", part = "2114", lanes = "D4-D7" }}]\n'
        for n in range(20)
    )
    text = f'[board]\nname = "Planetarium store"\nbus = "z80"\n{regions}' + REGULATOR.replace("8.0", "6.5")
    power = card_power(load_board(board_file(text)))
    assert power.rails[5] == (40 * 80, 40 * 100) and power.max_w == pytest.approx(20)
    (heat,) = power.regulators
    assert any("4.00 A at most are more than the 1 A that a 7805 bears" in said for said in heat.cautions)
    assert any("1.5 V between input and output are too few" in said for said in heat.cautions)
    assert any("heat sink" in said for said in heat.cautions)


def test_what_is_not_known_is_said_and_not_counted(board_file: Write) -> None:
    text = GOOD.replace('designator = "U5", part = "2708"', 'designator = "U5"')
    power = card_power(load_board(board_file(text)))
    assert power.unknown == ("U5",) and 12 not in power.rails


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("input = 8.0", "input = 5.0"), "input: 5 V, for 5 V at the output; expected a voltage beyond the output's"),
        (("LM340T-5", "XYZ"), "output: no known regulator is called XYZ; expected its output in volts"),
        (("input = 8.0", 'input = "8 V"'), "volts at its input, such as 8.0"),
        (("input = 8.0", 'input = 8.0\nfeeds = ["bank9"]'), 'feeds: no part or region "bank9"'),
    ],
)
def test_a_regulator_that_cannot_be(board_file: Write, change: tuple[str, str], said: str) -> None:
    path = board_file(GOOD + REGULATOR.replace(*change))
    with pytest.raises(BoardError) as caught:
        load_board(path)
    assert said in str(caught.value)


def test_every_figure_is_of_a_part_and_its_rails_and_says_its_source() -> None:
    for name, figures in supply_figures().items():
        part = parts().get(name)
        assert part.name == name
        assert len({figure.rail for figure in figures}) == len(figures)
        for figure in figures:
            assert 0 < figure.typ <= figure.max and figure.source
            assert not part.rails or figure.rail in part.rails.values(), name


def test_the_command_and_its_json(board_file: Write, capsys: pytest.CaptureFixture[str]) -> None:
    path = board_file(GOOD + REGULATOR)
    assert main(["board", "power", str(path)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Tide-gauge memory card: 2.9 W, at most 3.9 W, in 8 packages")
    assert "Not counted: what the board file does not name" in " ".join(out.split())
    assert "data sheet†" in out and out.count("from memory") == 1  # said once, below the table
    assert main(["board", "power", str(path), "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    assert made["schema"] == "busledger.power/1"
    assert [rail["volts"] for rail in made["rails"]] == [5, 12, -5]
    assert made["regulators"][0]["most_w"] == pytest.approx(1.707)
