"""The report on a terminal: the answer first, one screen, any width, any name."""

from __future__ import annotations

import re

import pytest
from rich.cells import cell_len

from busledger.decoder.findings import WarningFinding
from busledger.decoder.report import check_text, to_ascii, verdict
from tests.report.results import HOSTILE, INTERMITTENCE, busy, healthy, hostile, region, result, suspect


def test_first_line_is_the_answer() -> None:
    first = check_text(result()).splitlines()[0]
    assert first == "U14 or its socket, bank3, D4: reads low where high was written, 1 in 380, 93 %"


def test_single_fault_fits_one_screen() -> None:
    for made in (result(), busy()):
        lines = check_text(made, width=80).splitlines()
        assert max(map(cell_len, lines)) <= 80
    for made in (result(), result(intermittence=INTERMITTENCE)):
        assert len(check_text(made, width=80).splitlines()) <= 24


def test_answer_and_what_to_do_come_before_the_tables() -> None:
    lines = check_text(busy(), width=80).splitlines()
    labels = [line[:9].strip() for line in lines if line[:1].isupper()]
    assert labels[1:6] == ["Why", "When", "Cleared", "Not seen", "Next"]
    assert lines.index(next(line for line in lines if line.startswith("Next"))) <= 20


def test_when_it_fails_and_what_that_suggests() -> None:
    text = " ".join(check_text(busy()).split())
    assert "It fails more often later in the capture (p = 0.0004)." in text
    assert "Failures that grow with time often come from heat." in text


def test_many_regions_are_summed_up() -> None:
    text = check_text(busy())
    assert "bank3" in text
    assert "and 7 more regions, all right" in text


@pytest.mark.parametrize("width", [20, 40, 59, 60, 80, 110])
@pytest.mark.parametrize("made", [result, healthy, hostile, busy], ids=["fault", "healthy", "hostile", "busy"])
def test_no_line_is_wider_than_the_terminal(made: object, width: int) -> None:
    text = check_text(made(), width=width)  # type: ignore[operator]
    assert max(map(cell_len, text.splitlines())) <= width


@pytest.mark.parametrize("width", [40, 80])
def test_hostile_names_are_text(width: int) -> None:
    text = check_text(hostile(), width=width)
    joined = "".join(line.strip() for line in text.splitlines())
    for character in ("\x1b", "\u202e", "\r", "\a"):
        assert character not in text
    assert HOSTILE[0] in joined
    assert "<script>" in joined
    assert "esc\\x1b[2Jape" in joined
    assert "\\u202egnp" in joined


def test_colour_adds_only_styles() -> None:
    coloured = check_text(result(), colour=True)
    assert "\x1b[" in coloured

    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured).replace(" \n", "\n") == check_text(result())


def test_ascii_has_nothing_else() -> None:
    shown = to_ascii(check_text(result(board="Größe")))
    assert shown.isascii()
    assert to_ascii("a·b… 1 µs × größe") == "a.b... 1 us x gr\\xf6\\xdfe"


def test_healthy_says_what_was_compared() -> None:
    text = check_text(healthy())
    assert text.splitlines()[0] == "No fault seen: 36 000 reads compared in 4 regions, all right"
    assert "Proved" in text


def test_nothing_compared_is_not_healthy() -> None:
    text = verdict(healthy(regions=(region("bank0", compared=0),)))
    assert text.startswith("Nothing could be judged")


def test_mismatches_that_no_fault_explains_accuse_nobody() -> None:
    text = check_text(result(suspects=(), unexplained=24, cleared=(), next_steps=()))
    assert text.startswith("24 mismatches in bank3; no fault on the list explains them")
    assert "U14" not in text


def test_tied_suspects_share_the_first_line() -> None:
    first = suspect(probability=0.48, tied_with=(2,))
    second = suspect(rank=2, scope="buffer", component="U10", region=None, probability=0.48, tied_with=(1,))
    line = verdict(result(suspects=(first, second))).replace("\u00a0", " ")
    assert line == "U14 (bank3, D4) 48 % or U10 (D4) 48 %: this capture cannot tell which"


def test_one_part_with_two_explanations_is_one_verdict() -> None:
    first = suspect(probability=0.91, tied_with=(2,), intermittent=False)
    second = suspect(rank=2, fault="floating", probability=0.09, tied_with=(1,), intermittent=False)
    text = " ".join(check_text(result(suspects=(first, second))).split())
    assert text.startswith("U14 or its socket, bank3, D4: reads low where high was written, every time, 91 % Why")
    assert "Or the same part does not drive the bus when read, 9 %" in text


def test_weak_suspicion_is_not_a_verdict() -> None:
    assert verdict(result(suspects=(suspect(probability=0.35),))).startswith("Not settled; likeliest is U14")


def test_second_fault_and_rest_are_told() -> None:
    second = suspect(rank=2, component="U3", region="bank1", probability=0.9)
    text = " ".join(check_text(result(suspects=(suspect(), second), unexplained=3)).split())
    assert "And a second fault: U3 or its socket, bank1, D4" in text
    assert "3 mismatches of 24 not explained" in text


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        (
            {"fault": "address-stuck", "address_lines": ("A7",), "lanes": (), "intermittent": False},
            "does not follow A7",
        ),
        ({"fault": "address-bridged", "address_lines": ("A3", "A4")}, "takes A3 and A4 as one"),
        (
            {"fault": "select-extra", "scope": "decoder", "other_region": "bank1"},
            "U14 or its socket, select of bank3: also comes for the addresses of bank1",
        ),
        ({"fault": "select-swapped", "scope": "decoder", "other_region": "bank1"}, "exchanged with that of bank1"),
        ({"fault": "coupled", "scope": "cell", "address": 0x4123}, "cell 4123"),
        ({"scope": "bus", "component": None, "region": None}, "the data bus, D4: reads low"),
        ({"scope": "chip", "component": None}, "the chip on D4 of bank3: reads low"),
        ({"scope": "buffer", "component": None, "region": None}, "the bus driver, D4: reads low"),
        ({"scope": "region", "component": None, "fault": "write-lost", "lanes": ()}, "bank3: keeps old data"),
        (
            {"scope": "board", "component": None, "region": None, "fault": "write-lost", "lanes": ()},
            "the card: keeps old",
        ),
        (
            {"scope": "decoder", "component": None, "fault": "select-missing", "lanes": ()},
            "the select of bank3: does not come",
        ),
        ({"intermittent": False}, "every time"),
    ],
)
def test_faults_in_words(changes: dict[str, object], expected: str) -> None:
    assert expected in verdict(result(suspects=(suspect(**changes),)))


def test_wide_bus_on_a_narrow_terminal_continues_in_bands() -> None:
    text = check_text(result(regions=(region("bank3", {12: 24}, lanes=16),)), width=40)
    heads = [line for line in text.splitlines() if line.startswith("region")]
    assert len(heads) > 1
    assert "D15" in heads[-1]


def test_many_warnings_are_counted_not_printed() -> None:
    warnings = tuple(WarningFinding(code="dropout", text=f"gap {k}") for k in range(9))
    base = result()
    text = check_text(base.model_copy(update={"capture": base.capture.model_copy(update={"warnings": warnings})}))
    assert "and 4 more warnings" in text


def test_quiet_is_the_answer_alone() -> None:
    assert check_text(result(), answer_only=True).count("\n") == 1
