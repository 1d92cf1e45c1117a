"""Faults drawn at random for a board."""

from __future__ import annotations

from random import Random

from tests.outside.fourth.layout import Board, Chip
from tests.outside.fourth.physics import Fault

CHIP_KINDS = (
    "dead", "floating", "floating", "stuck-low", "stuck-high", "write-lost", "address-stuck", "address-bridged",
    "cell", "coupled", "leaky", "slow", "bridged",
)  # fmt: skip
SHARED_KINDS = (
    "lane-stuck", "lane-open", "lanes-bridged", "no-turn", "address-open", "address-short", "row-write", "row-silent",
    "select-missing", "select-extra", "select-swapped", "select-late",
)  # fmt: skip


def chip_fault(board: Board, chip: Chip, rng: Random, cells: list[int], kind: str | None = None) -> Fault | None:
    """A fault of one chip, or None where the kind cannot belong to it. `cells` are addresses that the program uses."""
    kind = kind or rng.choice(CHIP_KINDS)
    row = board.rows[chip.row]
    lane = rng.choice(chip.lanes)
    base = Fault(kind, "chip", chip.designator, (chip.row,), chip, (lane,), seed=rng.getrandbits(30))
    local = [a & ((1 << row.bits) - 1) for a in cells if row.start <= a <= row.end]
    base.level = rng.randrange(2)
    if kind in ("dead", "write-lost", "slow"):
        base.lanes = chip.lanes
    elif kind in ("stuck-low", "stuck-high"):
        base.level = int(kind == "stuck-high")
    elif kind == "address-stuck":
        base.lines, base.lanes = (rng.randrange(row.bits),), ()
    elif kind == "address-bridged":
        low = rng.randrange(row.bits - 1)
        base.lines, base.lanes = (low, low + 1), ()
    elif kind == "cell":
        if not local:
            return None
        base.kind, base.scope = ("stuck-high" if base.level else "stuck-low"), "cell"
        base.cell = rng.choice(local)
    elif kind == "coupled":
        if len(local) < 2:
            return None
        base.scope, base.cell = "cell", rng.choice(local)
        base.aggressor = rng.choice([a for a in local if a != base.cell])
    elif kind == "leaky":
        base.age = rng.choice((0.3e6, 1e6, 2e6, 4e6))
    elif kind == "bridged":
        if len(chip.lanes) < 2:
            return None
        low = rng.randrange(len(chip.lanes) - 1)
        base.lanes, base.level = (chip.lanes[low], chip.lanes[low + 1]), 0
    return base


def shared_fault(board: Board, rng: Random, kind: str | None = None) -> Fault | None:
    """A fault of what several chips share, or None where the card has no such part."""
    kind = kind or rng.choice(SHARED_KINDS)
    row = rng.randrange(len(board.rows))
    name = "select-missing" if kind == "select-missing" else kind
    seed, lanes = rng.getrandbits(30), tuple(range(8))
    if kind in ("lane-stuck", "lane-open", "lanes-bridged", "no-turn"):
        if not board.drivers:
            return None
        driver = rng.choice(board.drivers)
        lane = rng.choice(driver.lanes)
        fault = Fault(kind, "buffer", driver.designator, driver.serves, None, (lane,), seed=seed)
        fault.level = rng.randrange(2)
        if kind == "lane-stuck":
            fault.kind, fault.path = (
                ("stuck-high" if fault.level else "stuck-low"),
                rng.choice(("read", "write", "both")),
            )
        elif kind == "lane-open":
            fault.kind, fault.path = "floating", rng.choice(("read", "read", "both"))
        elif kind == "lanes-bridged":
            at = rng.randrange(len(driver.lanes) - 1)
            fault.kind, fault.lanes, fault.level = "bridged", driver.lanes[at : at + 2], 0
        else:
            fault.kind, fault.lanes, fault.path = "direction-stuck", driver.lanes, rng.choice(("read", "write", "both"))
        return fault
    if kind in ("address-open", "address-short"):
        line = rng.randrange(board.rows[0].bits - (kind == "address-short"))
        lines = (line,) if kind == "address-open" else (line, line + 1)
        form = "address-stuck" if kind == "address-open" else "address-bridged"
        if rng.random() < 0.5:
            return Fault(form, "region", None, (row,), None, (), lines, level=rng.randrange(2), seed=seed)
        part = next((a.designator for a in board.address_drivers if line in a.lines), None)
        return Fault(
            form, "board", part, tuple(range(len(board.rows))), None, (), lines, level=rng.randrange(2), seed=seed
        )
    if kind in ("row-write", "row-silent", "select-late"):
        form = {"row-write": "write-lost", "row-silent": "no-answer", "select-late": "slow"}[kind]
        return Fault(form, "region", None, (row,), None, lanes, seed=seed)
    if not board.decoder:
        return None
    if kind == "select-missing":
        return Fault(name, "decoder", board.decoder, (row,), None, lanes, seed=seed)
    if kind == "select-swapped" and not board.selects_clipped:
        return None  # of two like rows nobody could tell
    others = [r for r in range(len(board.rows)) if r != row]
    if board.drivers:  # behind another driver a row that answers too is not heard
        mine = next(d.serves for d in board.drivers if row in d.serves)
        others = [r for r in others if r in mine]
    if not others:
        return None
    return Fault(name, "decoder", board.decoder, (row,), None, lanes, other=rng.choice(others), seed=seed)


def any_fault(board: Board, rng: Random, cells: list[int]) -> Fault:
    """One fault of any part; half of them of chips."""
    while True:
        if rng.random() < 0.5:
            fault = chip_fault(board, rng.choice(board.chips()), rng, cells)
        else:
            fault = shared_fault(board, rng)
        if fault:
            return fault


def come_and_go(fault: Fault, rng: Random) -> None:
    """Makes a fault an intermittent one."""
    fault.mode = rng.choice(("random", "random", "bursts", "warming"))
    fault.rate = rng.choice((0.01, 0.03, 0.08, 0.2, 0.5)) if fault.mode != "bursts" else rng.uniform(0.02, 0.2)
