"""The markdown report: the answer as its heading, names escaped, tables whole."""

from __future__ import annotations

from busledger.decoder.report import markdown_text
from tests.report.results import healthy, hostile, result


def test_heading_is_the_answer() -> None:
    first = markdown_text(result()).splitlines()[0]
    assert first == "# U14 or its socket, bank3, D4: reads low where high was written, 1 in 380, 93 %"
    assert markdown_text(healthy()).startswith("# No fault seen: 36 000 reads compared")


def test_hostile_names_are_escaped() -> None:
    text = markdown_text(hostile(), settings={"[x](y)": "a|b"}, notes=["# heading", "1. list", "<img src=x>"])
    assert "<" not in text.replace("\\<", "")
    assert "[" not in text.replace("\\[", "")
    assert "\x1b" not in text
    assert "- \\# heading" in text
    assert "- 1\\. list" in text
    assert "a\\|b" in text


def test_every_row_of_a_table_has_all_its_cells() -> None:
    tables = [line for line in markdown_text(hostile()).splitlines() if line.startswith("|")]
    assert tables
    widths = [line.replace("\\|", "").count("|") for line in tables]
    for before, rule, after in zip(widths, tables[1:], widths[2:], strict=False):
        if set(rule) == {"|", "-"}:
            assert before == after
