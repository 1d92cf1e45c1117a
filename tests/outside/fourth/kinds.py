"""Cards of each kind, drawn by seed: healthy, single-hard, single-intermittent, double, many, unusual."""

from __future__ import annotations

from random import Random

from tests.outside.fourth.case import Case, describe
from tests.outside.fourth.faults import any_fault, chip_fault, come_and_go, shared_fault
from tests.outside.fourth.layout import Board, draw_board
from tests.outside.fourth.ledger import account, alike, never_written
from tests.outside.fourth.physics import Fault
from tests.outside.fourth.program import draw_program
from tests.outside.fourth.unusual import make_unusual

KINDS = ("healthy", "single-hard", "single-intermittent", "double", "many", "unusual")


def _plain(board: Board, kind: str, seed: int, rng: Random, accesses: int = 3000) -> Case:
    case = Case(board, seed, kind)
    case.assemble(draw_program(board, rng, accesses), rng)
    if rng.random() < 0.12:
        at = rng.uniform(0.15, 0.8)
        case.analyser.gap = (at, at + rng.uniform(0.005, 0.03))
    return case


def _hurts(case: Case, fault: Fault) -> int:
    """How many compared reads change when this fault alone is mended."""
    if len(case.faults) == 1:
        return len(case.account.wrong)
    rest = case.play([f for f in case.faults if f is not fault])
    return sum(rest.data[i] != case.trace.data[i] for i in case.account.compared)


def _settle(case: Case, compare: bool) -> None:
    case.settle()
    case.hurts = [_hurts(case, fault) for fault in case.faults]
    case.answers = []
    for fault in case.faults:
        if compare or fault.scope != "chip":
            trace = case.trace if len(case.faults) == 1 else case.play([fault])
            compared = account(case.board, case.cycles, trace, case.gap).compared
            same = alike(case.board, case.cycles, case.starts, fault, trace, compared, case.seed)
        else:
            same = [fault]
        unique = {repr(describe(case.board, one)): describe(case.board, one) for one in same}
        case.answers.append(list(unique.values()))
        whole = len(fault.lanes) == 8 or len(case.board.rows) == 1
        if compare and whole and never_written(case.board, case.cycles, case.trace, fault.rows):
            case.answers[-1].append(describe(case.board, fault) | {"fault": "read-only", "scope": "machine"})


def _faults(kind: str, board: Board, rng: Random, cells: list[int]) -> list[Fault]:
    if kind == "many":
        chips = board.chips()
        picked: list[Fault] = []
        for chip in rng.sample(chips, min(rng.randint(3, 9), len(chips) - 1)):
            fault = chip_fault(board, chip, rng, cells)
            if fault:
                if rng.random() < 0.25:
                    come_and_go(fault, rng)
                picked.append(fault)
        if rng.random() < 0.3:
            extra = shared_fault(board, rng)
            if extra:
                picked.append(extra)
        return picked
    faults = [any_fault(board, rng, cells)]
    if kind == "double":
        faults.append(any_fault(board, rng, cells))
    for fault in faults:
        if kind == "single-intermittent" or (kind == "double" and rng.random() < 0.4):
            come_and_go(fault, rng)
    return faults


def draw_case(kind: str, seed: int) -> Case:
    """A case of a kind; a fault that would not show is drawn again, but for one case in twelve."""
    rng = Random(f"{kind}/{seed}")
    if kind == "unusual":
        return make_unusual(seed, rng)
    while True:
        board = draw_board(rng)
        if kind != "many" or len(board.chips()) >= 6:
            break
    if kind in ("single-hard", "single-intermittent", "healthy") and rng.random() < 0.12 and not board.unclipped:
        board.without_board, board.selects_clipped = True, False
    case = _plain(board, kind, seed, rng)
    if kind == "healthy":
        case.settle()
        return case
    cells = case.used_cells()
    silent = rng.random() < 0.08
    for _ in range(30):
        case.faults = _faults(kind, board, rng, cells)
        if not case.faults:
            continue
        case.settle()
        if case.account.wrong or silent:
            break
    _settle(case, compare=kind != "many")
    return case
