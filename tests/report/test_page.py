"""The page to keep: valid HTML, nothing fetched, every name shown as text, every colour readable."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import html5lib
import pytest

from busledger.decoder.board import Board, load_board
from busledger.decoder.findings import CheckResult
from busledger.decoder.report import Histogram, html_page
from busledger.decoder.report.palette import DARK, GRAPHIC_PAIRS, LIGHT, TEXT_PAIRS
from busledger.decoder.report.phrases import place_lines, verdict
from tests.contrast import contrast
from tests.report.results import HOSTILE, INTERMITTENCE, busy, healthy, hostile, region, result, suspect

XHTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"
ROOT = Path(__file__).parents[2]
WINDOWS = INTERMITTENCE
HISTOGRAM = Histogram("data set-up <b>$x$</b>", (0.0, 50.0, 100.0), (3, 9), least_ns=60.0)


def page(made: CheckResult, **more: Any) -> Any:
    """The page's tree; html5lib raises at the first thing that breaks the HTML standard's parsing rules."""
    return html5lib.HTMLParser(strict=True).parse(html_page(made, **more))


def texts(tree: Any) -> str:
    return " ".join("".join(tree.itertext()).split())


@pytest.fixture(scope="module")
def board() -> Board:
    return load_board(ROOT / "captures_demo" / "loom" / "board.toml")


def test_pages_are_valid_html(board: Board) -> None:
    everything = {"settings": {"bus": "z80"}, "notes": ["seen in 1991"], "histograms": [HISTOGRAM], "board": board}
    for made in (result(intermittence=WINDOWS), healthy(), hostile(), busy(), result(suspects=())):
        for more in ({}, everything):
            assert page(made, **more).tag == f"{XHTML}html"


def test_verdict_is_the_heading() -> None:
    heading = page(result()).find(f".//{XHTML}h1")
    shown = "".join(heading.itertext()).replace("\u00a0", " ")
    assert shown == "U14 or its socket, bank3, D4: reads low where high was written, 1 in 380, 93 %"


def test_nothing_is_fetched(board: Board) -> None:
    text = html_page(result(intermittence=WINDOWS), board=board, histograms=[HISTOGRAM])
    tree = page(result(intermittence=WINDOWS), board=board, histograms=[HISTOGRAM])
    for tag in ("script", "link", "img", "iframe", "object"):
        assert tree.find(f".//{XHTML}{tag}") is None
    links = [v for e in tree.iter() for k, v in e.attrib.items() if str(k).endswith(("href", "src"))]
    assert [link for link in links if not link.startswith("#")] == []
    assert "@import" not in text
    assert re.findall(r"url\((?!#)", text) == []


def test_ids_occur_once() -> None:
    tree = page(result(intermittence=WINDOWS), histograms=[HISTOGRAM, HISTOGRAM])
    ids = [e.attrib["id"] for e in tree.iter() if "id" in e.attrib]
    assert len(ids) == len(set(ids)) > 0


def test_same_result_gives_the_same_page() -> None:
    assert html_page(result(intermittence=WINDOWS)) == html_page(result(intermittence=WINDOWS))


def test_hostile_names_are_text() -> None:
    settings, notes = {HOSTILE[1]: HOSTILE[0]}, list(HOSTILE)
    tree = page(hostile(), settings=settings, notes=notes, pictures=[("<svg></svg>", HOSTILE[1])])
    assert tree.find(f".//{XHTML}script") is None
    shown = texts(tree)
    assert HOSTILE[0] in shown
    assert HOSTILE[1] in shown
    assert "esc\\x1b[2Jape" in shown
    assert "\u202e" not in shown
    assert "\x1b" not in shown


def test_histogram_title_is_text() -> None:
    shown = texts(page(result(), histograms=[HISTOGRAM]))
    assert "data set-up <b>$x$</b>" in shown
    assert "least 60" in shown.replace("\u00a0", " ")


def test_card_marks_suspects_and_cleared(board: Board) -> None:
    made = result(suspects=(suspect(component="U7"), suspect(rank=2, component="U12", probability=0.05)))
    tree = page(made, board=board)
    marks = {}
    for part in tree.iter(f"{XHTML}span"):
        words = part.attrib.get("class", "").split()
        if words[:1] == ["part"]:
            marks["".join(part.find(f"{XHTML}b").itertext())] = words[1], texts(part.find(f"{XHTML}em"))
    assert marks == {
        "U7": ("likely", "? suspect 93 %"),
        "U8": ("open", "· not judged"),
        "U11": ("open", "· not judged"),
        "U12": ("rival", "~ less likely 5 %"),
    }


def test_how_failures_come_and_go_is_said_and_drawn() -> None:
    tree = page(busy())
    shown = texts(tree)
    suggested = [f"Suggestion: {s}" for s in INTERMITTENCE["suggestions"]]
    for text in (INTERMITTENCE["basis"], *INTERMITTENCE["sentences"], *suggested):
        assert text in shown
    assert tree.find(f".//{SVG}svg") is not None
    several = {"1": INTERMITTENCE, "2": {}}
    assert page(result(intermittence=several)).find(f".//{SVG}svg") is not None
    steady = {"windows": [{"start_s": 0.0, "end_s": 1.0, "accesses": 9, "failures": 0}]}
    assert page(result(intermittence=steady)).find(f".//{SVG}svg") is None


def test_coverage_is_a_table_and_sentences() -> None:
    lanes = [{"lane": f"D{k}", "low": 3, "high": 0 if k == 7 else 4} for k in range(8)]
    lines = [{"line": f"A{k}", "told_apart": k % 2} for k in range(4)]
    found = {"name": "<b>", "cells": 1024, "cells_compared": 900, "lanes": lanes, "address_lines": lines}
    shown = texts(page(result(coverage={"regions": [found], "not_exercised": ["D7 was never high."]})))
    assert "<b>900 of 1024D0-D6A1, A3" in shown.replace("\u00a0", " ")
    assert "D7 was never high." in shown


def test_heat_grows_with_the_share_of_wrong_reads() -> None:
    made = result(regions=(region("r", {0: 1, 1: 50, 2: 400, 3: 4000}),))
    cells = [
        cell.attrib["class"].split()[-1]
        for cell in page(made).iter(f"{XHTML}td")
        if "h" in cell.attrib.get("class", "")
    ]
    assert [c for c in cells if re.fullmatch("h[0-9]", c)] == ["h0", "h0", "h0", "h0", "h4", "h3", "h2", "h1"]


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_every_pair_of_colours_has_the_contrast_of_wcag(colours: dict[str, str]) -> None:
    """WCAG 2.2, 1.4.3 (text, 4.5 : 1) and 1.4.11 (graphics, 3 : 1)."""
    weak = [(a, b, contrast(colours[a], colours[b])) for a, b in TEXT_PAIRS if contrast(colours[a], colours[b]) < 4.5]
    weak += [(a, b, contrast(colours[a], colours[b])) for a, b in GRAPHIC_PAIRS if contrast(colours[a], colours[b]) < 3]
    assert weak == []


def test_contrast_of_published_examples() -> None:
    """Black on white is 21 : 1 (WCAG 2.2, "contrast ratio"); #767676 on white is the well-known 4.54 : 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


def test_style_sheet_uses_only_pairs_that_are_checked() -> None:
    text = html_page(result())
    used = set(re.findall(r"var\(--([a-z0-9-]+)\)", text))
    assert used <= set(LIGHT)
    assert set(LIGHT) == set(DARK)
    body = re.sub(r"--[a-z0-9-]+: #[0-9a-f]{6};", "", text)
    assert set(re.findall(r"#[0-9a-f]{6}\b", body)) <= {"#ffffff"}


def heading(made: CheckResult) -> Any:
    (found,) = page(made).iter(f"{XHTML}h1")
    return found


def test_the_first_line_is_green_only_where_reads_were_judged_and_right() -> None:
    assert heading(healthy()).get("class") == "good"
    assert heading(busy()).get("class") == "wrong"
    unjudged = healthy().model_copy(update={"judged": False, "not_judged_because": "sampled too slowly"})
    assert heading(unjudged).get("class") == "unsure"
    assert heading(healthy(regions=(region("bank0", compared=0),))).get("class") == "unsure"


def test_each_of_several_places_has_a_heading_of_its_own() -> None:
    """A suspect that is alone in its place would else stand under the place before."""
    two = result(
        regions=(region("bank3", {4: 24, 6: 12}),),
        mismatch_total=36,
        suspects=(
            suspect(place=1),
            suspect(rank=2, place=1, fault="floating", probability=0.06),
            suspect(rank=3, place=2, component="U15", lanes=("D6",), probability=0.99),
        ),
    )
    found = [texts(one) for one in page(two).iter(f"{XHTML}th") if one.get("class") == "place"]
    assert [one.split(",")[0] for one in found] == ["1. U14 or its socket", "2. U15 or its socket"]


def test_a_clip_that_is_off_beside_bad_parts_is_said_in_the_first_line() -> None:
    clip: dict[str, Any] = {"fault": "clip-off", "scope": "clip", "component": None, "region": None, "lanes": ("RW",)}
    three = result(
        regions=(region("bank3", {4: 24, 6: 12}),),
        mismatch_total=36,
        suspects=(
            suspect(place=1, probability=0.99),
            suspect(rank=2, place=2, component="U15", lanes=("D6",), probability=0.99),
            suspect(rank=3, place=3, probability=0.97, explains=0, intermittent=False, rate=None, **clip),
        ),
    )
    assert verdict(three) == "2 parts are bad: U14 and U15 for certain; and the clip on RW has come off"
    assert place_lines(three)[-1].startswith("the clip on RW has come off")
