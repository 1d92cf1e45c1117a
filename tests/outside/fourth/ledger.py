"""The truth: which reads are compared, which come back wrong, and which other faults would read alike."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tests.outside.fourth.layout import Board
from tests.outside.fourth.physics import Fault, Machine, Trace
from tests.outside.fourth.processors import FETCH, READ, WRITE, Cycle


@dataclass
class Account:
    """Compared reads of the card's rows: cycle numbers, and which of them were wrong."""

    compared: list[int]
    wrong: list[int]
    by_row: dict[str, tuple[int, int]]


def account(board: Board, cycles: list[Cycle], trace: Trace, gap: tuple[int, int] | None = None) -> Account:
    """Keeps the ledger over the rows; cycles inside a gap are unseen, and what was known before one is stale."""
    known: dict[int, int] = {}
    compared, wrong = [], []
    counts: dict[str, list[int]] = {row.name: [0, 0] for row in board.rows}
    for number, (kind, address, _, _) in enumerate(cycles):
        if gap and gap[0] <= number < gap[1]:
            known.clear()
            continue
        row = board.row_at(address)
        if row < 0:
            continue
        if kind == WRITE:
            known[address] = trace.data[number]
        elif kind in (READ, FETCH) and address in known:
            compared.append(number)
            counts[board.rows[row].name][0] += 1
            if trace.data[number] != known[address]:
                wrong.append(number)
                counts[board.rows[row].name][1] += 1
    return Account(compared, wrong, {name: (c, w) for name, (c, w) in counts.items()})


def rivals_of(board: Board, fault: Fault) -> list[Fault]:
    """Single faults of other parts, or of other kinds, that could read alike."""
    out: list[Fault] = []
    chips = [fault.chip] if fault.chip else [c for r in fault.rows for c in board.rows[r].chips]
    kinds = ("floating", "slow", "stuck-low", "stuck-high", "write-lost", "dead")
    whole = fault.kind in ("dead", "no-answer", "select-missing", "write-lost", "slow", "direction-stuck", "leaky")
    if fault.kind in (*kinds, "leaky", "direction-stuck", "no-answer", "select-missing"):
        for chip in chips:
            lanes = chip.lanes if whole or len(chip.lanes) == 1 else tuple(n for n in chip.lanes if n in fault.lanes)
            for kind in kinds:
                lane_set = chip.lanes if kind in ("dead", "write-lost") else lanes
                out.append(
                    replace(
                        fault,
                        kind=kind,
                        scope="chip",
                        component=chip.designator,
                        rows=(chip.row,),
                        chip=chip,
                        lanes=lane_set,
                        level=int(kind == "stuck-high"),
                        cell=None,
                    )
                )
        for row in {c.row for c in chips}:
            for kind in ("no-answer", "write-lost", "slow"):
                out.append(
                    replace(
                        fault,
                        kind=kind,
                        scope="region",
                        component=None,
                        rows=(row,),
                        chip=None,
                        lanes=tuple(range(8)),
                        cell=None,
                    )
                )
            # A machine without a decoder in its board file has one all the same.
            out.append(
                replace(
                    fault,
                    kind="select-missing",
                    scope="decoder",
                    component=board.decoder,
                    rows=(row,),
                    chip=None,
                    lanes=tuple(range(8)),
                    cell=None,
                )
            )
        for driver in board.drivers:
            if set(driver.serves) & {c.row for c in chips} and set(driver.lanes) & set(fault.lanes):
                lanes = tuple(n for n in driver.lanes if n in fault.lanes)
                for kind in ("floating", "stuck-low", "stuck-high"):
                    for path in ("read", "write", "both"):
                        out.append(
                            replace(
                                fault,
                                kind=kind,
                                scope="buffer",
                                component=driver.designator,
                                chip=None,
                                rows=driver.serves,
                                lanes=lanes,
                                path=path,
                                level=int(kind == "stuck-high"),
                            )
                        )
                for path in ("read", "write", "both"):
                    out.append(
                        replace(
                            fault,
                            kind="direction-stuck",
                            scope="buffer",
                            component=driver.designator,
                            chip=None,
                            rows=driver.serves,
                            lanes=driver.lanes,
                            path=path,
                        )
                    )
    if fault.kind == "bridged":
        places: list[tuple[str, str | None, tuple[int, ...]]] = [
            ("buffer", d.designator, d.serves) for d in board.drivers if set(fault.lanes) <= set(d.lanes)
        ]
        for scope, part, rows in places:
            out += [replace(fault, scope=scope, component=part, rows=rows, chip=None, path=p) for p in ("read", "both")]
        out += [
            replace(fault, scope="chip", component=c.designator, rows=(c.row,), chip=c)
            for c in board.chips()
            if set(fault.lanes) <= set(c.lanes) and c.row in fault.rows
        ]
    if fault.kind.startswith("address-") and fault.lines:
        part = next((a.designator for a in board.address_drivers if fault.lines[0] in a.lines), None)
        forms = [(fault.kind, fault.lines, level) for level in (0, 1)]
        forms += [("address-stuck", (line,), level) for line in fault.lines for level in (0, 1)]
        for kind, lines, level in forms:
            every = tuple(range(len(board.rows)))
            out.append(
                replace(
                    fault, kind=kind, lines=lines, level=level, scope="board", component=part, rows=every, chip=None
                )
            )
            for row in fault.rows:
                out.append(
                    replace(
                        fault,
                        kind=kind,
                        lines=lines,
                        level=level,
                        scope="region",
                        component=None,
                        rows=(row,),
                        chip=None,
                    )
                )
                for chip in [fault.chip] if fault.chip else board.rows[row].chips:
                    out.append(
                        replace(
                            fault,
                            kind=kind,
                            lines=lines,
                            level=level,
                            scope="chip",
                            component=chip.designator,
                            rows=(chip.row,),
                            chip=chip,
                        )
                    )
    if fault.kind.startswith("select-") and board.decoder:
        for a in fault.rows:
            for b in range(len(board.rows)):
                if b != a:
                    for kind in ("select-extra", "select-swapped", "select-missing"):
                        out.append(replace(fault, kind=kind, rows=(a,), other=b))
                        out.append(replace(fault, kind=kind, rows=(b,), other=a))
    return out


def alike(
    board: Board,
    cycles: list[Cycle],
    times: npt.NDArray[np.float64],
    fault: Fault,
    trace: Trace,
    compared: list[int],
    cells_seed: int,
) -> list[Fault]:
    """Every rival that gives each compared read as the fault gives it, the fault itself first."""
    found = [fault]
    want = set(compared)
    for rival in rivals_of(board, fault)[:200]:
        if _alike(board, cycles, times, rival, trace, want, cells_seed):
            found.append(rival)
    return found


def _alike(
    board: Board,
    cycles: list[Cycle],
    times: npt.NDArray[np.float64],
    rival: Fault,
    trace: Trace,
    compared: set[int],
    cells_seed: int,
) -> bool:
    machine = Machine(board, [rival], cells_seed)
    mask = rival.mask(len(cycles))
    both: tuple[list[Fault], list[Fault]] = ([], [rival])
    for number, cycle in enumerate(cycles):
        data, rows, _ = machine.step(number, cycle, float(times[number]), both[mask[number]])
        if number in compared and data != trace.data[number]:
            return False
        if board.selects_clipped and rows != trace.selects[number]:
            return False
    return True


def never_written(board: Board, cycles: list[Cycle], trace: Trace, rows: tuple[int, ...]) -> bool:
    """Does each address of these rows always read alike? Then memory that cannot be written is as good an answer."""
    seen: dict[int, int] = {}
    for number, (kind, address, _, _) in enumerate(cycles):
        if (
            kind in (READ, FETCH)
            and board.row_at(address) in rows
            and seen.setdefault(address, trace.data[number]) != (trace.data[number])
        ):
            return False
    return True
