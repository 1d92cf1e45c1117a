"""What was decoded for one question is never shown for another: all that an answer hangs on is in the cache's key."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from busledger.captures_demo import scenarios
from busledger.decoder.pipeline import Request, open_run, open_session
from busledger.decoder.pipeline.session import _key_parts
from busledger.decoder.store import StoreCache, store_key

LOOM = next(s for s in scenarios() if s.name == "loom")
MS = 10**12  # femtoseconds
ASKED = Request(capture=LOOM.capture, board=LOOM.board)


def key_of(request: Request) -> str:
    run = open_run(request)
    try:
        return store_key("the capture's digest", *_key_parts(run, request))
    finally:
        run.file.close()


@pytest.mark.parametrize(
    "changes",
    [
        {"grade": "another"}, {"t_from": 2 * MS}, {"t_to": 9 * MS}, {"rate_hz": 1e6}, {"exact": True},
        {"regions": ("more=0-FF",)},
    ],
    ids=lambda changes: next(iter(changes)),
)  # fmt: skip
def test_another_question_has_another_key(changes: dict[str, Any]) -> None:
    asked = Request(capture=LOOM.capture, profile="6502") if "regions" in changes else ASKED
    assert key_of(replace(asked, **changes)) != key_of(asked)


def test_the_same_question_has_the_same_key_and_start_and_end_do_not_change_places() -> None:
    assert key_of(ASKED) == key_of(ASKED)
    assert key_of(replace(ASKED, t_from=9 * MS)) != key_of(replace(ASKED, t_to=9 * MS))


def test_another_word_of_a_chip_tester_is_another_question(tmp_path: Path) -> None:
    board = Path(shutil.copytree(Path(LOOM.board).parent, tmp_path / "card")) / Path(LOOM.board).name
    text = board.read_text(encoding="utf-8")
    keys = set()
    for result in ("good", "bad"):
        board.write_text(f'{text}\n[[tested]]\ndesignator = "{first_chip()}"\nresult = "{result}"\n', encoding="utf-8")
        keys.add(key_of(replace(ASKED, board=board)))
    assert len(keys) == 2


def first_chip() -> str:
    run = open_run(ASKED)
    try:
        assert run.board is not None
        return next(chip.designator for region in run.board.regions for chip in region.chips)
    finally:
        run.file.close()


def test_a_part_of_the_capture_is_decoded_anew_and_the_whole_is_found_again(tmp_path: Path) -> None:
    cache = StoreCache(tmp_path)
    counts = [
        open_session(replace(ASKED, **window), cache=cache).result.cycles.total
        for window in ({}, {"t_from": 5 * MS}, {"t_to": 5 * MS}, {})
    ]
    whole, late, early, again = counts
    assert whole == again
    assert 0 < late < whole and 0 < early < whole
    assert abs(late + early - whole) <= 2
