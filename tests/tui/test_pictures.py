"""The pictures as text: heat map, suspects, trend."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from busledger.decoder.findings import Cleared, WarningFinding
from busledger.decoder.ledger.columns import Verdict
from busledger.decoder.store import StoreFacts
from busledger.tui import state as states
from busledger.tui.filters import Filter
from busledger.tui.loaded import Loaded
from busledger.tui.places import cell_filter
from busledger.tui.screens.why import suspect_filter
from busledger.tui.source import CycleRow, StoreSource
from busledger.tui.state import BrowserState, Rows
from busledger.tui.widgets.cycle_list import cycle_line
from busledger.tui.widgets.detail import detail_text
from busledger.tui.widgets.heat import cell_words, heat_step, share_text, worst_cell
from busledger.tui.widgets.heat_map import heat_lines
from busledger.tui.widgets.suspect_list import suspect_list
from busledger.tui.widgets.suspects import pieces_of, verdict_words, why_text
from busledger.tui.widgets.trend_picture import trend_text, wrong_counts
from tests.tui.builders import BOARD, FakeBoard, FakeChip, FakeRegion, FakeSession, facts, make_result


def at(**changes: Any) -> BrowserState:
    return BrowserState(100, Rows(100), **changes)


def test_the_heat_map_has_a_row_of_cells_and_a_row_of_chips(session: FakeSession) -> None:
    heading, rows = heat_lines(session.result, BOARD, 8, at(region=1, lane=5), 51)
    assert heading.plain.split() == ["D7", "D6", "D5", "D4", "D3", "D2", "D1", "D0"]
    assert rows[0][0].plain.split() == ["bank0"] + ["·"] * 8
    assert "[▒7 ]" in rows[1][0].plain  # a chosen cell keeps the sign of its heat
    assert rows[1][1].plain.strip() == "└───────✗U4────────┘└────────U3────────┘"
    assert len(heading.plain) == len(rows[0][0].plain) == len(rows[0][1].plain) == 50


@pytest.mark.parametrize(("width", "lanes"), [(51, 8), (51, 16), (96, 16), (160, 8)])
def test_the_heat_map_fits_its_width(session: FakeSession, width: int, lanes: int) -> None:
    heading, rows = heat_lines(session.result, BOARD, lanes, at(), max(width, 10 + 3 * lanes))
    lengths = {len(heading.plain), *(len(line.plain) for row in rows for line in row)}
    assert len(lengths) == 1 and lengths.pop() <= max(width, 10 + 3 * lanes)


def test_cleared_and_suspected_chips_are_signed(session: FakeSession) -> None:
    result = session.result.model_copy(update={"cleared": (Cleared(component="U1", evidence="1 000 right"),)})
    _, rows = heat_lines(result, BOARD, 8, at(), 51)
    assert "✓U1" in rows[0][1].plain and "✗U4" in rows[1][1].plain and "U2" in rows[0][1].plain


@pytest.mark.parametrize("name", ["U1", "U14", "U140", "IC1402"])
@pytest.mark.parametrize("width", [34, 51, 60, 96])
def test_a_chip_is_named_whole_or_not_at_all(session: FakeSession, name: str, width: int) -> None:
    """On cards one bit wide ``U14`` was drawn as ``U1``, which is another chip."""
    chips = tuple(FakeChip(f"{name}{lane}", (lane,)) for lane in range(8))
    board = FakeBoard("Loom controller", (FakeRegion("bank0", chips), FakeRegion("bank1", ())))
    result = session.result.model_copy(update={"cleared": (Cleared(component=f"{name}3", evidence="1 000 right"),)})
    heading, rows = heat_lines(result, board, 8, at(), width)
    drawn = rows[0][1].plain
    assert len(drawn) == len(heading.plain)
    for word in re.findall(r"\w+", drawn):
        assert word in {chip.designator for chip in chips}
    assert "✓" in drawn  # the sign stays where the name has no room


@pytest.mark.parametrize(
    ("wrong", "compared", "text", "step"),
    [
        (0, 0, "-", 0),
        (0, 9, "·", 0),
        (1, 1000, "<1", 1),
        (1, 100, "1", 2),
        (1, 3, "33", 3),
        (2, 3, "67", 4),
        (9, 9, "100", 4),
        (999, 1000, "99", 4),
    ],
)
def test_shares_in_three_characters(wrong: int, compared: int, text: str, step: int) -> None:
    assert share_text(wrong, compared) == text
    assert heat_step(wrong, compared) == step


def test_the_worst_cell_is_where_the_browser_starts(session: FakeSession) -> None:
    assert worst_cell(session.result) == (1, 5)
    assert worst_cell(session.result.model_copy(update={"regions": ()})) is None
    healthy = session.result.model_copy(update={"regions": session.result.regions[:1]})
    assert worst_cell(healthy) is None


def test_a_cell_tells_its_counts_and_its_chip(session: FakeSession) -> None:
    words = cell_words(session.result, BOARD, at(region=1, lane=5)).plain
    assert words.startswith(
        "bank1 D5 (0400-07FF) is U4: 73 of 1024 compared reads wrong (73 low for high, 0 high for low)."
    )
    assert "0 of 1024" in cell_words(session.result, None, at(region=0, lane=0)).plain
    assert "arrow keys" in cell_words(session.result, BOARD, at()).plain
    assert "arrow keys" in cell_words(session.result, BOARD, at(region=9, lane=0)).plain


def test_a_write_is_not_due_to_give_what_its_cell_held(session: FakeSession) -> None:
    source = Loaded.of(session).source
    write = replace(source.row(2), verdict=int(Verdict.WRITE), data=0x5A, expected=0x11, known=0xFF)
    line = "".join(segment.text for segment in cycle_line(write, source, False))
    assert "5A" in line and "11" not in line.split("5A")[1]

    class OneWrite(StoreSource):
        def row(self, index: int) -> CycleRow:
            return write

    words = detail_text(OneWrite(session.store), BOARD, at(cursor=2)).plain
    assert "the cell held until then 11 = 0001 0001" in words and "must be" not in words


def test_the_verdict_is_a_sentence(session: FakeSession) -> None:
    result = session.result
    assert verdict_words(result).plain == (
        "✗ U4 or its socket, bank1, D5: reads low where high was written, 1 in 7, 91 %. "
        "73 of 2048 compared reads are wrong."
    )
    right = result.model_copy(update={"mismatch_total": 0, "suspects": ()})
    assert verdict_words(right).plain == "✓ No fault seen: 2048 reads compared in 2 regions, all right."
    nothing = right.model_copy(update={"regions": ()})
    assert verdict_words(nothing).plain == ("~ Nothing could be judged: no read had a known value to be compared with.")
    doubtful = result.model_copy(
        update={
            "unexplained": 4,
            "capture": result.capture.model_copy(update={"warnings": (WarningFinding(code="x", text="y"),)}),
        }
    )
    assert verdict_words(doubtful).plain.endswith("4 of them fit no suspect. 1 caution: see Why.")


def test_suspects_are_listed_with_probability_and_rank(session: FakeSession) -> None:
    lines = suspect_list(session.result, at(suspect=1), False).plain.splitlines()
    assert lines[0] == " 1  91 % U4 reads low D5"
    assert lines[1] == "▶2   6 % U4 not driven D5"
    assert "No suspects." in suspect_list(session.result.model_copy(update={"suspects": ()}), at(), False).plain


def test_suspects_of_different_places_stand_apart(session: FakeSession) -> None:
    """One list of 91 % and 80 % read as rivals of one another; they are two things that are wrong."""
    one, two = session.result.suspects
    other = two.model_copy(update={"rank": 3, "place": 2, "component": "U1", "region": "bank0", "probability": 0.8})
    result = session.result.model_copy(update={"suspects": (one, two, other)})
    lines = suspect_list(result, at(), False).plain.splitlines()
    assert [line.strip() for line in lines[:5]] == [
        "✗U4 is bad, 97 %",
        "▶1  91 % U4 reads low D5",
        "2   6 % U4 not driven D5",
        "?U1 is bad, 80 %",
        "3  80 % U1 not driven D5",
    ]
    page, _ = why_text(result, Loaded.of(session).source, at())
    rivals, also = page.plain.split("Also wrong")
    assert "U1" not in rivals.split("Its rivals")[1] and "U1 or its socket, bank0, D5" in also


def test_why_names_evidence_cycles_rivals_steps_and_cautions(session: FakeSession) -> None:
    loaded = Loaded.of(session)
    result = session.result.model_copy(
        update={
            "cleared": (Cleared(component="U1", lanes=("D0",), evidence="1 024 right"),),
            "coverage": {
                "not_exercised": ["bank0 was never read after a gap"],
                "regions": [
                    {
                        "name": "bank0",
                        "cells": 1024,
                        "cells_compared": 500,
                        "lanes": [{"lane": "D0", "low": 3, "high": 4}, {"lane": "D1", "low": 0, "high": 4}],
                        "address_lines": [{"line": "A0", "told_apart": 12}, {"line": "A1", "told_apart": 0}],
                    }
                ],
            },
            "capture": session.result.capture.model_copy(
                update={"warnings": (WarningFinding(code="dropout", time_s=0.31, text="a gap"),)}
            ),
        }
    )
    text, line = why_text(result, loaded.source, at(evidence=2))
    assert text.plain.splitlines()[line].startswith(" ▶ #2051")
    for words in (
        "1 of 2",
        "91 %",
        "95 % sure: 1 in 8 to 1 in 6",
        "every wrong read is low on D5",
        "read 05 for 25",
        "Its rivals",
        "U4 does not drive D5",
        "Swap U4 with U2",
        "Expected to settle much (0.8 bits).",
        "✓ U1 D0",
        "bank0 was never read after a gap",
        " bank0  500 of 1024 cells compared; at both levels: D0; told apart: A0\n",
        "a gap at 0.31 s",
    ):
        assert words in text.plain


def test_ties_are_told(session: FakeSession) -> None:
    one, two = session.result.suspects
    result = session.result.model_copy(update={"suspects": (one.model_copy(update={"tied_with": (2,)}), two)})
    text, _ = why_text(result, Loaded.of(session).source, at())
    assert "tied: this capture cannot tell the two apart" in text.plain


def test_why_without_suspects_says_so(session: FakeSession) -> None:
    text, _ = why_text(session.result.model_copy(update={"suspects": ()}), Loaded.of(session).source, at())
    assert text.plain.startswith("There is no suspect. ✗ 73 mismatches in bank1; no fault on the list explains them")


def test_pieces_beyond_the_capture_are_left_out(session: FakeSession) -> None:
    suspect = session.result.suspects[0].model_copy(update={"first_cycles": (2051, 10**9, -1)})
    result = session.result.model_copy(update={"suspects": (suspect,)})
    assert [p.cycle for p in pieces_of(result, Loaded.of(session).source, 0)] == [None, None, 2051]
    assert pieces_of(result, Loaded.of(session).source, 5) == []


def test_a_suspects_filter_has_what_the_suspect_names(session: FakeSession) -> None:
    suspect = session.result.suspects[0]
    wanted = suspect_filter(suspect, session.result, facts())
    assert (wanted.regions, wanted.lanes, wanted.address, wanted.only) == (frozenset({1}), 32, None, "wrong")
    whole = suspect.model_copy(update={"region": None, "lanes": (), "address": 0x405, "other_region": "bank0"})
    assert suspect_filter(whole, session.result, facts()).address == (0x405, 0x405)
    assert suspect_filter(whole, session.result, facts()).regions == frozenset({0})


def test_a_region_that_the_result_divided_is_found_by_its_addresses(session: FakeSession) -> None:
    parts = tuple(
        session.result.regions[1].model_copy(
            update={"name": f"part{n}", "start": 1024 + 512 * n, "end": 1535 + 512 * n}
        )
        for n in range(2)
    )
    result = session.result.model_copy(update={"regions": parts})
    assert cell_filter(facts(), result, {"part0"}, 32) == Filter(address=(1024, 1535), lanes=32, only="wrong")
    assert cell_filter(facts(), result, {"part0", "part1"}, 0).address == (1024, 2047)
    assert cell_filter(facts(), session.result, {"bank1"}, 32).regions == frozenset({1})
    assert cell_filter(facts(), result, set(), 1) == Filter(lanes=1, only="wrong")
    loaded = Loaded.of(FakeSession(session.store, result))
    halves = [wrong_counts(loaded, 9, cell_filter(facts(), result, {f"part{n}"}, 32)).sum() for n in range(2)]
    assert sum(halves) == 73 and all(halves)
    assert "part0" in trend_text(loaded, at(), 78).plain


def test_wrong_reads_over_time_add_up(session: FakeSession) -> None:
    loaded = Loaded.of(session)
    assert wrong_counts(loaded, 50).sum() == 73
    one, other = frozenset({1}), frozenset({0})
    assert wrong_counts(loaded, 7, Filter(regions=one, lanes=32)).sum() == 73
    assert wrong_counts(loaded, 7, Filter(regions=other)).sum() == 0
    assert wrong_counts(loaded, 7, Filter(regions=one, lanes=16)).sum() == 0
    assert wrong_counts(loaded, 2)[0] == sum(1 for r in session.store.mismatch_rows if r < 2048)


def test_the_trend_shows_windows_and_sentences(session: FakeSession, tmp_path: Path) -> None:
    windows = [
        {"start_s": 0.0, "end_s": 0.002, "accesses": 500, "failures": 5},
        {"start_s": 0.002, "end_s": 0.004, "accesses": 500, "failures": 50},
    ]
    result = session.result.model_copy(
        update={
            "intermittence": {
                "windows": windows,
                "basis": "Judged by 1000 reads, 55 of them wrong.",
                "sentences": ["Rises with time."],
                "suggestions": ["Often a sign of heat."],
                "component": "U4",
                "fault": "stuck-low",
                "trend_p": 0.001,
                "others": [{"component": "U9", "fault": "slow", "sentences": ["Comes in bursts."]}],
            }
        }
    )
    loaded = Loaded.of(FakeSession(session.store, result))
    page = trend_text(loaded, at(region=1, lane=5), 78).plain
    for words in (
        "all",
        "bank1 D5",
        "5 of 500",
        "█" * 24,
        "Judged by 1000 reads",
        "Rises with time.",
        "→ Often a sign of heat.",
        "U4 reads low",
        "95 % sure: 1 in 8",
        "U9 too late",
        "Comes in bursts.",
    ):
        assert words in page
    assert "trend p" not in page, "the browser shows sentences, not the names of fields"
    strange = session.result.model_copy(update={"intermittence": {"windows": [{"a": 1}, {"b": 2}]}})
    assert "windows of equally" not in trend_text(Loaded.of(FakeSession(session.store, strange)), at(), 78).plain


def test_moving_over_the_map_stays_on_it() -> None:
    state = states.move_cell(at(), 1, 1, 2, 8)
    assert (state.region, state.lane) == (0, 7)
    state = states.move_cell(state, 1, 1, 2, 8)
    assert (state.region, state.lane) == (1, 6)
    state = states.move_cell(state, 1, 9, 2, 8)
    assert (state.region, state.lane) == (1, 0)
    assert states.move_cell(at(), 1, 1, 0, 8) == at() or states.move_cell(at(), 1, 1, 0, 8).region is None


def test_make_result_is_the_runs_own_count(session: FakeSession) -> None:
    assert make_result(session.store).mismatch_total == len(session.store.mismatch_rows) == 73


def test_what_a_rom_gives_is_told_as_its_image(session: FakeSession) -> None:
    class Rom(StoreSource):
        @property
        def facts(self) -> StoreFacts:
            regions = tuple(region.model_copy(update={"kind": "rom"}) for region in super().facts.regions)
            return super().facts.model_copy(update={"regions": regions})

        def row(self, index: int) -> CycleRow:
            return replace(super().row(index), writer=-1)

    assert detail_text(Rom(session.store), BOARD, at(cursor=1)).plain.endswith("as the ROM's image has it")


def test_what_cannot_be_judged_has_no_sign_of_a_fault(session: FakeSession) -> None:
    unjudged = session.result.model_copy(update={"judged": False, "not_judged_because": "sampled too slowly"})
    assert verdict_words(unjudged).plain.startswith("~ Cannot judge: sampled too slowly.")


def test_why_tells_how_sure_the_part_is_where_the_way_is_open(session: FakeSession) -> None:
    one, two = session.result.suspects
    other = {"component": one.component, "scope": one.scope, "place": one.place, "probability": 0.39}
    ways = (one.model_copy(update={"probability": 0.6}), two.model_copy(update=other))
    result = session.result.model_copy(update={"suspects": ways})
    for number, way in enumerate(("60 %", "39 %")):
        text, _ = why_text(result, Loaded.of(session).source, at(suspect=number))
        assert f"U4 or its socket is bad, 99 %; in this way {way}" in text.plain
