"""Three cases of the fourth world: what it counts is what the command counts, and plain answers are right.

The world follows the makers' timing diagrams (see `waves`) and van de Goor's tests (see `program`).
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.outside.fourth.judge import judge
from tests.outside.fourth.kinds import draw_case
from tests.outside.fourth.ledger import account
from tests.outside.fourth.run import ask


@pytest.mark.parametrize(("kind", "seed"), [("healthy", 10), ("single-hard", 203), ("single-hard", 210)])
def test_counts_and_answer_agree_with_the_world(kind: str, seed: int, tmp_path: Path) -> None:
    case = draw_case(kind, seed)
    case.write(tmp_path)
    status, answer, error = ask(tmp_path, case.board.bus, nameless=case.board.without_board)
    result = json.loads(answer)
    assert status == (1 if case.account.wrong else 0), error
    rows = {row.name for row in case.board.rows}
    mine = [region for region in result["regions"] if region["name"] in rows]
    assert sum(region["reads_compared"] for region in mine) == len(case.account.compared)
    assert sum(region["mismatches"] for region in mine) == len(case.account.wrong)
    assert judge(case.truth(), result, status).wrong == []


def test_a_fault_is_what_makes_reads_wrong() -> None:
    case = draw_case("single-hard", 203)
    sound = case.play([])
    assert case.account.wrong
    assert account(case.board, case.cycles, sound).wrong == []
