"""The results of the single checks as text: what stands in the first line."""

from __future__ import annotations

from busledger.decoder.checks import CheckFinding, SelectsResult
from busledger.decoder.report import selects_text

DEAD = CheckFinding(code="stuck", weight="doubt", text="CS2 (U5 pin Y2) does not come", count=1712, of=1712)
NOTE = CheckFinding(code="glitch-passing", weight="note", text="CS0 glitches 3 times: harmless", count=3, of=9)


def test_a_doubt_stands_in_the_place_of_the_clean_headline() -> None:
    """A select that never came, which data that came back right speak against, stood under 'every select was right'."""
    result = SelectsResult(findings=(NOTE, DEAD))
    lines = selects_text(result, width=80).splitlines()
    assert lines[0] == "doubt: CS2 (U5 pin Y2) does not come"
    assert lines[1] == "note: CS0 glitches 3 times: harmless"
    assert selects_text(result, width=80, answer_only=True) == "doubt: CS2 (U5 pin Y2) does not come\n"


def test_notes_leave_the_headline_clean() -> None:
    result = SelectsResult(findings=(NOTE,))
    assert selects_text(result, width=80).splitlines()[0] == "Every select was right"
    assert selects_text(result, width=80, answer_only=True) == "Every select was right\n"
