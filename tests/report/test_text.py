"""The report on a terminal: the answer first, one screen, any width, any name."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from rich.cells import cell_len

from busledger.decoder.board import load_board
from busledger.decoder.findings import CheckResult, Cleared, NextStep, Part, WarningFinding
from busledger.decoder.report import check_text, to_ascii, verdict
from tests.report.results import HOSTILE, INTERMITTENCE, busy, healthy, hostile, region, result, suspect

ROOT = Path(__file__).parents[2]


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
    assert "It fails more often later in the capture (chance alone: under 1 in 1000)." in text
    assert "Failures that grow with time often come from heat." in text


def test_what_was_not_seen_is_counted_where_it_is_not_listed() -> None:
    assert "And 3 more like these, in --json." in flat(check_text(busy()))
    made = result(coverage={"not_exercised": ["D7 was never high.", "A9 was never low."]})
    assert "more like these" not in check_text(made)


def test_a_suggestion_stands_beside_what_it_rests_on() -> None:
    """Where the sentence it comes from is not among the first two, it is added."""
    falls = "It falls with time: 41 of 42 reads wrong in the first third, 26 of 41 in the last."
    told = "A rate that falls as the machine runs is often a sign of a contact."
    when = {
        "windows": [],
        "sentences": ["First failure 0.1 s.", "A cell that read wrong kept reading wrong.", falls],
        "depends": [{"on": "time", "p_holm": 0.001, "text": falls, "suggestion": told}],
        "suggestions": [told],
    }
    assert f"kept reading wrong. {falls} {told}" in flat(check_text(result(intermittence=when)))


def test_a_second_fault_of_one_part_has_its_own_chance() -> None:
    """That the part is bad is sure by the first; what else is wrong with it is not surer for that."""
    first, second = suspect(probability=0.99), suspect(rank=2, place=2, lanes=("D6",), probability=0.6)
    other = suspect(rank=3, place=3, component="U12", probability=0.98)
    parts = (Part(component="U14", bad=0.999), Part(component="U12", bad=0.98))
    text = flat(check_text(result(suspects=(first, second, other), parts=parts)))
    assert "2. U14 or its socket, bank3, D6: reads low where high was written, 1 in 380, 60 %" in text


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
    assert line == (
        "U14 (bank3, D4) 48 % or U10 (D4) 48 %: reads low where high was written; this capture cannot tell which"
    )


def test_a_part_and_a_cause_off_the_card_that_are_as_likely_stand_in_the_first_line_together():
    first = suspect(fault="write-lost", scope="region", component=None, lanes=(), probability=0.49, explains=9)
    second = first.model_copy(
        update={"rank": 2, "fault": "read-only", "scope": "machine", "probability": 0.51, "detail": {"span": (0, 255)}}
    )
    told = verdict(result(suspects=(first, second)))
    assert "49\u00a0% or " in told and "51\u00a0%" in told and told.endswith("this capture cannot tell which")
    far = second.model_copy(update={"probability": 0.2})
    assert "cannot tell which" not in verdict(result(suspects=(first, far)))


def test_tied_suspects_that_do_not_do_the_same_are_told_with_what_each_does() -> None:
    first = suspect(scope="board", component=None, fault="write-lost", region=None, probability=0.9, tied_with=(2,))
    second = suspect(
        rank=2, scope="buffer", component="U10", fault="direction-stuck", region=None, probability=0.1, tied_with=(1,)
    )
    line = verdict(result(suspects=(first, second))).replace("\u00a0", " ")
    assert line == (
        "the card (keeps old data when written) 90 % or U10 (D4: does not turn, or is not enabled, with reads and "
        "writes) 10 %: this capture cannot tell which"
    )


def test_a_tie_that_is_not_likely_as_a_whole_is_called_open() -> None:
    first = suspect(probability=0.09, tied_with=(2,))
    second = suspect(rank=2, scope="buffer", component="U10", region=None, probability=0.04, tied_with=(1,))
    assert verdict(result(suspects=(first, second))).startswith("Not settled; likeliest is U14 (bank3, D4)")


def test_what_the_one_suspect_would_give_is_not_called_unexplained() -> None:
    """One wrong read of an even question: the likeliest set may be none, which explains nothing."""
    made = result(suspects=(suspect(probability=0.22, explains=1),), mismatch_total=1, unexplained=1)
    text = flat(check_text(made))
    assert "It would give the 1 mismatch seen" in text
    assert "not explained" not in text


def test_one_bad_cell_is_told_from_the_whole_lane() -> None:
    lane = suspect(probability=0.5)
    cell = suspect(rank=2, scope="cell", address=0x4531, probability=0.3)
    text = flat(check_text(result(suspects=(lane, cell))))
    assert "Or the same part reads low where high was written in cell 4531 alone, 30 %" in text
    text = flat(check_text(result(suspects=(cell.model_copy(update={"rank": 1}), lane))))
    assert "Or the same part reads low where high was written in any cell, 50 %" in text


def test_a_bad_thing_without_a_part_has_its_step_among_several() -> None:
    wiring = suspect(
        scope="board", component=None, region=None, fault="address-stuck", address_lines=("A6",), probability=0.99
    )
    chip = suspect(rank=2, place=2, probability=0.98)
    made = result(suspects=(wiring, chip), parts=(Part(component="U14", bad=0.98),))
    text = flat(check_text(made))
    assert "2 things are bad: U14 and the card's address wiring for certain" in text
    assert "1. Follow A6 from the bus to the chips: find where it stops or what holds it." in text
    assert "start with U14: power off, press it home" in text


def test_one_part_with_two_explanations_is_one_verdict() -> None:
    first = suspect(probability=0.91, tied_with=(2,), intermittent=False, rate=1.0)
    second = suspect(rank=2, fault="floating", probability=0.09, tied_with=(1,), intermittent=False, rate=1.0)
    text = " ".join(check_text(result(suspects=(first, second))).split())
    assert text.startswith("U14 or its socket, bank3, D4: reads low where high was written, every time, 91 % Why")
    assert "Or the same part does not drive the bus when read, 9 %" in text


def test_weak_suspicion_is_not_a_verdict() -> None:
    assert verdict(result(suspects=(suspect(probability=0.35),))).startswith("Not settled; likeliest is U14")


def flat(text: str) -> str:
    return " ".join(text.split())


def many() -> CheckResult:
    """Three places: one settled, one whose way is open, one that a driver might explain."""
    return result(
        suspects=(
            suspect(probability=0.97),
            suspect(rank=2, place=2, component="U7", region="bank1", fault="dead", intermittent=False, rate=1.0,
                    probability=0.45),
            suspect(rank=3, place=3, component="U30", region="bank2", probability=0.7),
            suspect(rank=4, place=2, component="U7", region="bank1", fault="floating", intermittent=False, rate=1.0,
                    probability=0.3),
            suspect(rank=5, place=3, scope="buffer", component="U10", region=None, probability=0.25),
        ),
        parts=(Part(component="U7", bad=0.999), Part(component="U14", bad=0.97), Part(component="U30", bad=0.7)),
        next_steps=(
            NextStep(text="Power off; press U14 home in the socket."),
            NextStep(text="Swap U30 with U7 and run the test again.", gain_bits=0.9),
            NextStep(text="Clip D4 at U30's own pin.", gain_bits=0.6),
            NextStep(text="Power off; press U30 home in the socket."),
        ),
        unexplained=3,
    )  # fmt: skip


def test_several_bad_parts_are_named_in_the_first_line() -> None:
    assert verdict(many()) == "3 parts are bad: U7 and U14 for certain; U30 likely"


def test_every_place_has_its_line_and_its_own_rivals() -> None:
    text = flat(check_text(many()))
    assert "1. U14 or its socket, bank3, D4: reads low where high was written, 1 in 380, 97 %" in text
    assert (
        "2. U7 or its socket, bank1, D4: is bad, over 99 %; "
        "likeliest: answers neither reads nor writes, every time, 45 %"
    ) in text
    assert "Together they would give 21 of the 24 mismatches seen." in text
    assert "Instead of U30 (bank2, D4): U10 or its socket, D4: reads low where high was written, 25 %." in text


def test_the_most_doubtful_part_comes_first_and_no_bad_chip_is_swapped_in() -> None:
    text = flat(check_text(many()))
    steps = text[text.index("Next 1.") :]
    assert steps.startswith("Next 1. Clip D4 at U30's own pin. 2. Power off; press U30 home")
    assert "Enough is known to start with U7 and U14" in steps
    assert "Swap U30 with U7" not in text


def test_a_card_of_many_bad_parts_is_drawn_and_its_parts_are_listed_by_type() -> None:
    board = load_board(ROOT / "captures_demo" / "planetarium" / "board.toml")
    bad = [
        suspect(rank=n, place=n, component=name, probability=0.99) for n, name in enumerate(("U10", "U12", "U13"), 1)
    ]
    made = result(suspects=tuple(bad), cleared=(Cleared(component="U11", evidence="right"),))
    text = check_text(made, board=board, width=80)
    assert "3 × 2114: U10, U12, U13" in text
    card = text[text.index("The card") :]
    assert "✗U10" in card and "✓U11" in card and "✗ bad, ✓ cleared" in card


@pytest.mark.parametrize("width", [20, 40, 80])
def test_many_bad_parts_fit_the_terminal(width: int) -> None:
    board = load_board(ROOT / "captures_demo" / "planetarium" / "board.toml")
    assert max(map(cell_len, check_text(many(), board=board, width=width).splitlines())) <= width


def test_a_suspect_that_explains_nothing_is_not_a_plain_verdict() -> None:
    line = verdict(result(suspects=(suspect(probability=0.42, explains=0),)))
    assert flat(line).endswith("42 %; it would give none of the 24 mismatches seen")


def test_all_right_is_said_only_of_what_was_compared() -> None:
    """Each lane of each region, devices excepted; what was not compared stands in the same line."""
    half = region("bank1")
    half = half.model_copy(
        update={
            "lanes": tuple(lane if n else lane.model_copy(update={"compared": 0}) for n, lane in enumerate(half.lanes))
        }
    )
    device = region("ports", compared=0).model_copy(update={"kind": "io"})
    made = healthy(regions=(region("bank0"), half, region("bank2", compared=0), device))
    line = flat(verdict(made))
    assert line == "No fault seen in 18 000 reads of 2 regions; not compared: bank2 and D0 of bank1"
    assert flat(verdict(healthy(regions=(region("bank0"), device)))).endswith("in 1 region, all right")


def test_quiet_keeps_what_takes_the_ground_from_the_verdict() -> None:
    base = healthy()
    warnings = (
        WarningFinding(code="swapped-clips", text="A3 and A4 look exchanged"),
        WarningFinding(code="not-wired", text="not wired, taken as low: BA"),
    )
    made = base.model_copy(update={"capture": base.capture.model_copy(update={"warnings": warnings})})
    text = check_text(made, answer_only=True)
    assert "A3 and A4 look exchanged" in text and "BA" not in text


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
        ({"intermittent": False, "rate": 1.0}, "every time"),
        ({"intermittent": False, "rate": 13 / 16392}, "1 in 1300"),
    ],
)
def test_faults_in_words(changes: dict[str, object], expected: str) -> None:
    assert expected in flat(verdict(result(suspects=(suspect(**changes),))))


def test_wide_bus_on_a_narrow_terminal_continues_in_bands() -> None:
    text = check_text(result(regions=(region("bank3", {12: 24}, lanes=16),)), width=40)
    heads = [line for line in text.splitlines() if line.startswith("region")]
    assert len(heads) > 1
    assert "D15" in heads[0] and heads[-1].endswith("D0")


def test_many_warnings_are_counted_not_printed() -> None:
    warnings = tuple(WarningFinding(code="dropout", text=f"gap {k}") for k in range(9))
    base = result()
    text = check_text(base.model_copy(update={"capture": base.capture.model_copy(update={"warnings": warnings})}))
    assert "and 4 more warnings" in text


def test_quiet_is_the_answer_alone() -> None:
    assert check_text(result(), answer_only=True).count("\n") == 1


def test_reads_whose_cell_nobody_knows_are_the_reason_that_nothing_was_judged() -> None:
    hidden = region("bank0", compared=0).model_copy(update={"reads_ambiguous": 40, "reads": 40})
    assert verdict(healthy(regions=(hidden,))) == (
        "Nothing could be judged: with address lines not clipped, no read tells which cell it came from"
    )


def test_few_compared_reads_are_told_among_how_many() -> None:
    thin = region("bank0", compared=5).model_copy(update={"reads": 6908})
    said = verdict(healthy(regions=(thin,))).replace("\u00a0", " ")
    assert said == "No fault seen: 5 of 6908 reads compared in 1 region, all right"


GRAVE = ["hidden-cells", "assumed-all-memory", "clip-off", "clip-noisy", "probe-runts", "sample-rate", "truncated"]


@pytest.mark.parametrize("code", GRAVE)
def test_what_takes_the_ground_from_under_a_verdict_is_said_even_to_the_quiet(code: str) -> None:
    """… and where a capture has many warnings, it is none of those left to --json."""
    others = tuple(WarningFinding(code="not-wired", text=f"line {n}") for n in range(8))
    made = healthy()
    warned = made.capture.model_copy(update={"warnings": (*others, WarningFinding(code=code, text="beware"))})
    made = made.model_copy(update={"capture": warned})
    assert check_text(made, answer_only=True).splitlines()[1:] == [f"Warning ({code}): beware"]
    lines = check_text(made).splitlines()
    assert lines[-2:] == [f"Warning ({code}): beware", "and 4 more warnings, all in --json"]


def test_no_count_of_nought_speaks_for_a_part() -> None:
    """A select that never comes is a fault without one wrong read; what is said of it is its own evidence."""
    missing = suspect(fault="select-missing", scope="decoder", component="U9", probability=0.99, explains=0)
    text = " ".join(check_text(result(suspects=(missing,), mismatch_total=0, unexplained=0)).split())
    assert text.startswith("No read differs from a write that was seen, yet U9")
    assert "0 reads" not in text
