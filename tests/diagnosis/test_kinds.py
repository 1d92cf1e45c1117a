"""One table of fault kinds: every row goes through proposing, replaying, words, page, browser, next steps and plan."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, NamedTuple, get_args

import numpy as np
import pytest

from busledger.captures_demo.world.random_fault import FAULT_SCOPES
from busledger.decoder.board import Board
from busledger.decoder.bus import load_profile
from busledger.decoder.diagnosis import possible_faults, saying
from busledger.decoder.diagnosis.account import LANE_FAULTS
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant
from busledger.decoder.diagnosis.faults.candidates import propose, unlisted
from busledger.decoder.diagnosis.faults.kind import Looks, priors
from busledger.decoder.diagnosis.faults.kinds import KINDS, ON_CARD, RIVALS
from busledger.decoder.diagnosis.intermittence.occasions import shows_of
from busledger.decoder.diagnosis.next_steps import next_steps
from busledger.decoder.diagnosis.replay.lanes_kernel import KEPT
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.replay import NOTHING, PathRun, Tables, run_lanes
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.theory import Behaviour, CoupledCell, Decay, LaneFault
from busledger.decoder.diagnosis.replay.wear import run_coupled, run_decay
from busledger.decoder.diagnosis.scoring import Scored
from busledger.decoder.diagnosis.suspects import Slot
from busledger.decoder.diagnosis.wording import remedy_of, said_of
from busledger.decoder.findings import FaultName, PartFaultName, RivalName, ScopeName, Suspect
from busledger.decoder.planning.retest_run import Failing, failing_of, run_of
from busledger.decoder.planning.sight import Bench, Sight
from busledger.decoder.report import check_text, html_page, verdict
from busledger.decoder.report.markdown import markdown_text
from busledger.tui.state import BrowserState, Rows
from busledger.tui.widgets.suspect_list import suspect_list
from tests import contract_table
from tests.report.results import result, suspect

from .faulty_cards import Hardware, evidence_of
from .small_cards import two_banks

GUIDE = Path(__file__).parents[2] / "captures_demo" / "guide.md"
EVERY = [(kind.name, scope) for kind in KINDS.values() for scope in kind.scopes]
PARTS = [pair for pair in EVERY if KINDS[pair[0]].on_card]


def card() -> CardView:
    return CardView.of(two_banks(), CellSpace(two_banks().regions, 16, 8), 8, 0)


def members() -> list[Candidate]:
    """Every candidate of the small board, cells and what is not replayed included."""
    return [*propose(card(), {0: 0xFF, 1: 0xFF}, {3: 0x01}), *unlisted(card())]


def member(fault: str, scope: str) -> Candidate:
    return next(c for c in members() if (c.fault, c.scope) == (fault, scope))


def spoken(fault: str, scope: str, **changes: Any) -> Suspect:
    """A suspect of that kind on a card of four banks; with a part's name where the scope may have one."""
    named = scope in ("cell", "chip", "buffer", "decoder")
    given: dict[str, Any] = {
        "fault": fault, "scope": scope, "component": "U14" if named else None, "address_lines": ("A3", "A4"),
        "other_region": "bank1", "address": 0x4123 if scope == "cell" else None, "intermittent": False, "rate": None,
        "rate_95": None,
    }  # fmt: skip
    return suspect(**{**given, **changes})


# -- the table itself -----------------------------------------------------------
def test_the_table_is_the_contract_s() -> None:
    assert {kind.name: set(kind.scopes) for kind in ON_CARD} == contract_table.ON_CARD
    assert {kind.name: set(kind.scopes) for kind in RIVALS} == contract_table.RIVALS
    assert {kind.name for kind in ON_CARD if not kind.replayed} == contract_table.NOT_REPLAYED


def test_the_types_name_the_same_kinds_as_the_table() -> None:
    assert set(get_args(PartFaultName)) == {kind.name for kind in ON_CARD}
    assert set(get_args(RivalName)) == {kind.name for kind in RIVALS}
    assert set(get_args(FaultName)) == set(KINDS)
    assert len(KINDS) == len(ON_CARD) + len(RIVALS)
    assert set(get_args(ScopeName)) == {scope for kind in KINDS.values() for scope in kind.scopes}


def test_the_virtual_card_makes_the_faults_of_the_table() -> None:
    """Its list is its own, for it shares no code with the engine: so the two are compared here."""
    made: dict[str, set[str]] = {}
    for fault, scope in FAULT_SCOPES:
        made.setdefault(fault, set()).add(scope)
    asked = {kind.name: set(kind.scopes) for kind in ON_CARD}
    assert made == {name: asked[name] for name in asked if name not in contract_table.NOT_IN_THE_WORLD}


def test_every_kind_names_its_place_in_the_literature() -> None:
    """The models are those of A. J. van de Goor, Testing Semiconductor Memories, 1991, and of the papers named."""
    standard = {"stuck-low": "SAF", "stuck-high": "SAF", "bridged": "BF", "coupled": "CF", "leaky": "DRF"}
    for kind in ON_CARD:
        assert re.search(r"\b(19|20)\d\d\)", kind.literature) or kind.literature.startswith("none: "), kind.name
        assert standard.get(kind.name, "") in kind.literature
    addressed = {kind.name for kind in ON_CARD if "address-decoder fault, AF" in kind.literature}
    assert addressed == {
        "dead", "no-answer", "address-stuck", "address-bridged", "select-missing", "select-extra",
    }  # fmt: skip


def test_every_share_has_its_kind_and_every_kind_its_shares() -> None:
    assert {name: set(scopes) for name, scopes in priors()["weight"].items()} == contract_table.ON_CARD
    shared = {name for kind in ON_CARD for name in kind.variants}
    assert shared == set(priors()["variant"])
    for name, shares in priors()["variant"].items():
        assert sum(shares.values()) == pytest.approx(1.0), name


def test_a_kind_with_one_way_to_show_has_no_shares_and_the_reverse() -> None:
    for c in members():
        kind = KINDS[c.fault]
        if c.scope != "bus" and kind.replayed and kind.looks is not Looks.LOST:
            assert (len(c.variants) > 1) == bool(kind.variants), c.key


def test_lane_faults_leave_the_other_lanes_of_a_part_alone() -> None:
    assert contract_table.LANE_FAULTS == LANE_FAULTS
    for name in LANE_FAULTS:
        assert all(c.mask.bit_count() <= 2 for c in members() if c.fault == name)


# -- proposing and replaying ----------------------------------------------------
def test_every_kind_of_the_card_is_proposed_in_every_scope() -> None:
    assert {(c.fault, c.scope) for c in members()} == {(k.name, scope) for k in ON_CARD for scope in k.scopes}


def spoilt(study: Study, behaviour: Behaviour) -> int | None:
    """Of the reads of a healthy card, those that the behaviour would have spoilt; None where it weighs itself."""
    if isinstance(behaviour, LaneFault):
        return run_lanes([behaviour], 2, study.blocks())[behaviour].tally.misses
    if isinstance(behaviour, Decay):
        return None if behaviour in run_decay([behaviour], study.cells, lambda: study.blocks()) else 0
    if isinstance(behaviour, CoupledCell):
        return None if behaviour in run_coupled([behaviour], study.cells, lambda: study.blocks(), 8) else 0
    run = PathRun(behaviour, Tables(study))
    for rows in study.blocks():
        run.feed(rows)
    tally = run.effects()[0].tally
    return tally.misses + tally.unsure_bits


def test_every_variant_of_every_replayed_kind_would_spoil_reads_of_a_healthy_card() -> None:
    """All but exchanged selects: both regions answer, each for the other."""
    study = Study(evidence_of(Hardware(np.random.default_rng(3))))
    for c in propose(study.card, {0: 0xFF, 1: 0xFF}, {3: 0x01}):
        if c.lines not in ((), (1,), (4,), (1, 2)):
            continue  # a few of the address lines are enough
        for variant in c.variants:
            assert (spoilt(study, variant.behaviour) == 0) == (KINDS[c.fault].looks is Looks.NOTHING), (c.key, variant)


def test_a_silent_row_is_what_a_missing_select_does_but_no_fault_of_the_decoder() -> None:
    row, select = member("no-answer", "region"), member("select-missing", "decoder")
    assert [v.behaviour for v in row.variants] == [v.behaviour for v in select.variants]
    assert (row.component, row.region, row.mask) == (None, 0, 0xFF)
    assert row.prior < select.prior


def test_what_is_not_replayed_is_not_proposed_and_still_has_a_place_and_a_prior() -> None:
    assert all(KINDS[c.fault].replayed for c in propose(card(), {0: 0xFF, 1: 0xFF}, {3: 0x01}))
    chips = [c for c in unlisted(card()) if c.scope == "chip"]
    assert {c.component for c in chips} == {"U1", "U2", "U3", "U4"}
    assert all(c.variants == () and c.regions == (c.region,) and c.mask == c.lanes and c.prior > 0 for c in chips)


# -- words ----------------------------------------------------------------------
@pytest.mark.parametrize(("fault", "scope"), EVERY, ids=map(" ".join, EVERY))
def test_every_kind_has_words_everywhere(fault: str, scope: str) -> None:
    one = spoken(fault, scope)
    kind = KINDS[fault]
    made = result(suspects=(one,))
    claim = saying.claim(one)
    assert "{" not in claim and "  " not in claim and claim == claim.strip(".")
    assert kind.does.split("{")[0] in claim
    for shown in (verdict(made), check_text(made, width=1000), markdown_text(made), html_page(made)):
        assert kind.does.split("{")[0].strip() in shown.replace("&#39;", "'")
        assert f"({fault})" not in shown
    browser = suspect_list(made, BrowserState(1, Rows(1)), True).plain
    assert kind.short in browser
    remedy = saying.remedy(one)
    assert remedy[0].islower() and "{" not in remedy and not remedy.endswith(".")


@pytest.mark.parametrize(("fault", "scope"), EVERY, ids=map(" ".join, EVERY))
def test_no_two_kinds_of_a_scope_say_the_same(fault: str, scope: str) -> None:
    same = [n for n, kind in KINDS.items() if scope in kind.scopes and kind.does == KINDS[fault].does]
    assert same == [fault]
    assert [n for n, kind in KINDS.items() if kind.short == KINDS[fault].short] == [fault]


def test_a_candidate_and_its_suspect_are_spoken_of_alike() -> None:
    for c in members():
        said = said_of(card(), c, 0x4003 if c.scope == "cell" else None)
        made = spoken(
            c.fault, c.scope, component=c.component, region=said.region, lanes=said.lanes, address=said.address,
            address_lines=said.address_lines, other_region=said.other_region, detail=said.detail,
        )  # fmt: skip
        assert saying.sentence(said) == saying.sentence(made)


@pytest.mark.parametrize(
    ("fault", "scope", "changes", "expected"),
    [
        ("stuck-low", "chip", {}, "U14 or its socket, bank3, D4: reads low where high was written"),
        (
            "stuck-low",
            "chip",
            {"detail": {"where_lines": ["A6=1"], "cells_failing": 120, "cells_in": 128}},
            "U14 or its socket, bank3, D4: reads low where high was written, "
            "only where A6 = 1 (120 of 128 cells there)",
        ),
        (
            "stuck-high",
            "chip",
            {"detail": {"where_lines": ["A6=1", "A3=0"]}},
            "U14 or its socket, bank3, D4: reads high where low was written, only where A6 = 1 and A3 = 0",
        ),
        (
            "unlisted",
            "chip",
            {"detail": {"scatter": True}},
            "U14 or its socket, bank3, D4: cells here and there fail: the chip is wearing out",
        ),
        ("unlisted", "chip", {"component": "U7"}, "U7 or its socket, bank3, D4: is bad; how is not settled"),
        ("unlisted", "chip", {"component": None}, "the chip on D4 of bank3 is bad; how is not settled"),
        (
            "unlisted",
            "buffer",
            {"component": "U10", "region": None},
            "U10 or its socket, D4: is bad; how is not settled",
        ),
        (
            "no-answer",
            "region",
            {},
            "bank3: neither takes writes nor drives reads (no supply, or a break behind its select)",
        ),
        ("select-extra", "decoder", {}, "U14 or its socket, select of bank3: also comes for the addresses of bank1"),
        ("clip-off", "clip", {"address_lines": ("A9",), "lanes": (), "region": None}, "the clip on A9 has come off"),
        ("clip-off", "clip", {"detail": {"clips": ["RD"]}}, "the clip on RD has come off"),
        ("clips-exchanged", "clip", {"lanes": ()}, "the clips on A3 and A4 are exchanged"),
        ("too-slow", "clip", {"lanes": (), "address_lines": ()}, "the analyser samples too slowly for this bus"),
        (
            "device",
            "machine",
            {"detail": {"span": [0x9000, 0x903F]}},
            "9000-903F behaves like a device, not like memory",
        ),
        (
            "device",
            "machine",
            {"lanes": ("D4", "D5"), "detail": {"span": [0x9000, 0x903F], "clips": ["D4", "D5"]}},
            "9000-903F lacks memory on D4-D5: nobody drives them when it is read",
        ),
        ("mirrored", "machine", {}, "bank3 answers with the cells of bank1"),
    ],
)
def test_sentences(fault: str, scope: str, changes: dict[str, Any], expected: str) -> None:
    assert saying.claim(spoken(fault, scope, **changes)) == expected


def test_a_rate_stands_in_the_sentence_of_what_comes_and_goes() -> None:
    said = saying.sentence(spoken("stuck-low", "chip", intermittent=True, rate=24 / 9120)).replace("\u00a0", " ")
    assert said == "U14 or its socket, bank3, D4: reads low where high was written, 1 in 380"


def test_the_first_line_about_a_rival_says_what_to_do() -> None:
    one = spoken("device", "machine", detail={"span": [0x9000, 0x903F]}, probability=0.97)
    line = verdict(result(suspects=(one,))).replace("\u00a0", " ")
    assert line == (
        '9000-903F behaves like a device, not like memory, 97 %: say so in the board file (a region of kind = "io")'
    )


def test_a_part_that_is_bad_somehow_is_not_said_to_be_so_every_time() -> None:
    line = verdict(result(suspects=(spoken("unlisted", "chip", probability=0.97),))).replace("\u00a0", " ")
    assert line == "U14 or its socket, bank3, D4: is bad; how is not settled, 97 %"


class Part(NamedTuple):
    component: str | None
    bad: float


@pytest.mark.parametrize(
    ("bad", "expected"),
    [
        (
            {"U30": 0.5, "U12": 0.95, "U19": 1.0, "U3": 0.94, "U7": 0.99, "U8": 0.49},
            "5 parts are bad: U7, U12, U19 for certain; U3 and U30 likely",
        ),
        ({"U7": 1.0}, "1 part is bad: U7 for certain"),
        ({"U12": 0.7, "U7": 0.6}, "2 parts are likely bad: U7 and U12"),
        ({"U12": 0.49}, ""),
        ({}, ""),
    ],
)
def test_the_first_line_about_many_parts(bad: dict[str, float], expected: str) -> None:
    assert saying.bad_parts_line([Part(name, share) for name, share in bad.items()]) == expected


# -- next steps, plan, retest, guide -----------------------------------------------
@pytest.mark.parametrize(("fault", "scope"), PARTS, ids=map(" ".join, PARTS))
def test_every_kind_of_the_card_has_next_steps(fault: str, scope: str) -> None:
    evidence = evidence_of(Hardware(np.random.default_rng(3)))
    c = member(fault, scope)
    way = c.variants[0] if c.variants else Variant(1.0, LaneFault(KEPT, c.mask, c.regions))
    found = Scored(c, way, True, NOTHING)
    steps = [step.text for step in next_steps(evidence, card(), [Slot((found,), (0.9,), 0.1)])]
    remedy = remedy_of(card(), c)
    assert steps
    if c.component is None:
        assert f"{remedy[0].upper()}{remedy[1:]}." in steps
    else:
        assert steps[-1].startswith(f"Only then {remedy}")


@pytest.mark.parametrize("kind", RIVALS, ids=lambda kind: kind.name)
def test_every_rival_has_a_step(kind: Any) -> None:
    step = saying.remedy(spoken(kind.name, kind.scopes[0]))
    assert step[0].islower() and not step.endswith(".") and "{" not in step


def test_every_kind_has_its_look_in_a_plan() -> None:
    board: Board = two_banks()
    bench = Bench.of(board, load_profile("z80"))
    sight = Sight(bench, bench.lines())
    possible = possible_faults(board, 16, 8)
    assert {(f.fault, f.scope) for f in possible} == {(k.name, scope) for k in ON_CARD for scope in k.scopes}
    assert {f.fault for f in possible if not sight.signature(f)} == set(), "every select is clipped here"


def test_every_look_says_in_which_reads_it_shows_and_what_a_retest_counts() -> None:
    due, kept = np.array([0x00, 0x01, 0x03], np.uint32), np.array([0x00, 0x00, 0x03], np.uint32)
    shown = {looks: shows_of(looks) for looks in Looks}
    seen = {looks: shows(due, kept, 0x03).tolist() for looks, shows in shown.items() if shows is not None}
    assert seen == {
        Looks.LOW: [False, True, True],
        Looks.HIGH: [True, True, False],
        Looks.UNDRIVEN: [False, True, False],
        Looks.JOINED: [False, True, False],
    }
    for kind in KINDS.values():
        run = run_of({**result(suspects=(spoken(kind.name, kind.scopes[0]),)).model_dump(by_alias=True)})
        counted: Failing = failing_of(run)
        assert "reads" in counted.counted


def guide_rows() -> list[str]:
    """What the guide's table must say of every kind: its name, its words, what to look for."""
    filled = {
        "lines": "the lines",
        "lanes": "the lanes",
        "other": "another region",
        "region": "the region",
        "part": "it",
    }
    rows = []
    for kind in KINDS.values():
        remedy = (kind.look_for or kind.remedy).format(**filled)
        rows.append(f"| `{kind.name}` | {kind.does.format(**filled)} | {remedy} |")
    return rows


def test_the_guide_lists_the_kinds_in_the_table_s_words() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line.startswith("| `")]
    assert rows == guide_rows(), "\n".join(guide_rows())
