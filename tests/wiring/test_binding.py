"""Channels to lines: by name, by table, and what is said when it cannot be done."""

from __future__ import annotations

import pytest

from busledger.decoder.capture import Signal
from busledger.decoder.errors import WiringError
from busledger.decoder.wiring import LineNeed, bind, load_wiring

NEEDS = [
    LineNeed("PHI2", True, ("E", "CLK")),
    LineNeed("RW", True),
    LineNeed("SYNC", False, (), if_missing="taken as low"),
    LineNeed("A0", group="address"),
    LineNeed("A1", group="address"),
    LineNeed("D0", group="data"),
    LineNeed("CS0", quiet=True),
]


def signals(*names, scope=""):
    return [Signal(name, scope, name) for name in names]


def test_names_are_matched_in_any_spelling():
    wiring = bind(signals("phi2", "addr[0]", "addr[1]", "data[0]", "R/W", "/CS0", "beeper"), NEEDS)
    assert dict(wiring.lines) == {"PHI2": 0, "A0": 1, "A1": 2, "D0": 3, "RW": 4, "CS0": 5}
    assert wiring.unmatched == ("beeper",)
    assert [note.text for note in wiring.notes] == ["not wired, taken as low: SYNC"]


def test_an_alias_stands_in_and_the_name_itself_wins():
    assert bind(signals("E", "RW", "A0", "D0"), NEEDS).lines["PHI2"] == 0
    assert bind(signals("E", "PHI2", "RW", "A0", "D0"), NEEDS).lines["PHI2"] == 1


def test_the_likelier_reading_of_a_channel_is_tried_first():
    needs = [LineNeed("NRDS", True), LineNeed("A0", group="address"), LineNeed("D0", group="data")]
    wiring = bind(signals("NRDS", "AD0", "D0"), needs)
    assert dict(wiring.lines) == {"NRDS": 0, "A0": 1, "D0": 2}


def test_a_table_may_call_a_line_of_the_bus_by_its_other_name_though_the_board_has_a_line_called_so():
    """An 8085's data lines are AD0-AD7; its board file speaks of lanes D0-D7."""
    needs = [LineNeed("AD0", aliases=("D0",), group="data"), LineNeed("D0", quiet=True)]
    assert dict(bind(signals("ch20"), needs, table={"D0": "ch20"}).lines) == {"AD0": 0}


def test_the_table_decides():
    table = {"A0": "ch 7", "/RW": "addr[0]"}
    wiring = bind(signals("phi2", "addr[0]", "ch 7", "D0"), NEEDS, table=table)
    assert wiring.lines["A0"] == 2
    assert wiring.lines["RW"] == 1


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"A9": "phi2"}, ["A9", "neither the profile nor the board"]),
        ({"A0": "nowhere"}, ["nowhere", "A0"]),
        ({"A0": "phi2", "A1": "phi2"}, ["phi2", "A0", "A1"]),
        ({"RW": "RW", "/RW": "phi2"}, ["the line RW twice"]),
    ],
)
def test_a_table_that_leads_nowhere(table, words):
    with pytest.raises(WiringError) as caught:
        bind(signals("phi2", "RW", "A0", "D0"), NEEDS, table=table)
    for word in words:
        assert word in str(caught.value)


def test_a_missing_required_line_lists_the_rest_and_the_nearest():
    with pytest.raises(WiringError) as caught:
        bind(signals("phi2", "RWX", "A0", "D0", "beeper"), NEEDS)
    text = str(caught.value)
    assert "the line RW is not wired (nearest: RWX)" in text
    assert "beeper" in text
    assert "[wiring]" in text


def test_no_data_line_at_all_is_an_error_and_one_is_enough():
    with pytest.raises(WiringError, match="no data line at all"):
        bind(signals("phi2", "RW", "A0"), NEEDS)
    assert "A1" not in bind(signals("phi2", "RW", "A0", "D0"), NEEDS).lines


def test_two_channels_for_one_line():
    with pytest.raises(WiringError, match="2 channels could be the line A0"):
        bind(signals("phi2", "RW", "A0", "addr0", "D0"), NEEDS)


def test_the_outermost_scope_is_taken_and_said():
    inner = signals("phi2", "RW", "A0", "D0", scope="top.cpu")
    outer = signals("phi2", "RW", "A0", "D0", scope="top")
    wiring = bind(inner + outer, NEEDS)
    assert wiring.lines["A0"] == 6
    assert any("top.A0" in note.text for note in wiring.notes)
    assert bind(inner + outer, NEEDS, table={"A0": "top.cpu.A0"}).lines["A0"] == 2


def test_names_are_shown_as_text():
    with pytest.raises(WiringError) as caught:
        bind(signals("phi2", "\x1b[2Jevil", "A0", "D0"), NEEDS)
    assert "\x1b" not in str(caught.value)
    assert "\\x1b[2Jevil" in str(caught.value)


def test_a_wiring_file(tmp_path):
    path = tmp_path / "clips.toml"
    path.write_text('[wiring]\nA0 = "ch0"\nRW = "probe 17"\n')
    assert load_wiring(path) == {"A0": "ch0", "RW": "probe 17"}


@pytest.mark.parametrize("text", ["A0 = 'x'", "[wiring]\nA0 = 3", "[wiring", "\xff"])
def test_a_wiring_file_that_is_none(tmp_path, text):
    path = tmp_path / "clips.toml"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(WiringError) as caught:
        load_wiring(path)
    assert "clips.toml" in str(caught.value)


def test_an_unreadable_wiring_file(tmp_path):
    with pytest.raises(WiringError):
        load_wiring(tmp_path / "none.toml")
