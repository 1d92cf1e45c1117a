"""The bench checks its own truth: sound cards read what was written, and faults do what the data sheets say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from .campaign import STYLES, base_case
from .case import Case, draw, ledger, nets_of, replay, ties, write
from .faults import Fault, every, neighbours
from .parts import PARTS, pin_class
from .unusual import ODDS, draw_unusual


def wrong_with(case: Case, *faults: Fault) -> tuple[np.ndarray, np.ndarray]:
    """Give the accesses' seen data and the lanes that are wrong."""
    out = replay(case, list(faults))[1]
    return out, ledger(case, out)[1]


def short(style: str) -> Case:
    """Give a style's card with its accesses, fetches left out."""
    case = base_case(style)
    keep = case.kinds < 2
    return Case(
        case.card, [], case.kinds[keep], case.addresses[keep], case.datas[keep], case.act[keep], case.setting, case.fill
    )


@pytest.mark.parametrize("style", list(STYLES))
def test_a_sound_card_reads_what_was_written(style: str) -> None:
    out, wrong = wrong_with(base_case(style))
    assert not wrong.any()
    assert (out[0] == base_case(style).addresses).all()


def test_pinouts_have_every_pin_once() -> None:
    for part in PARTS.values():
        assert len(set(part.pins)) == len(part.pins) and len(part.pins) % 2 == 0, part.name
        assert {p for p in part.order() if p} <= set(part.pins), part.name
    assert ("D0", "A9") in list(neighbours(PARTS["2114"].pins))
    assert ("GND", "WE") not in list(neighbours(PARTS["2114"].pins))  # pins 9 and 10: across the socket
    assert pin_class(PARTS["2102"], "CE") == "chip CS"


def test_an_open_data_pin_spoils_its_lane_of_its_row_alone() -> None:
    case = short("z80")
    out, wrong = wrong_with(case, Fault("open", "U2", "D0", mode="low"))
    assert wrong.any() and not (wrong & ~0x10).any()
    assert (out[0][wrong > 0] < case.card.rows[1].start).all()


def test_an_address_bridge_is_the_same_in_every_socket_of_the_net() -> None:
    case = short("z80")
    case.faults = [Fault("bridge", "U4", "A6", "A5")]
    case.out = replay(case, case.faults)[1]
    assert {f.chip for f in ties(case)} == {"U1", "U2", "U3", "U5", "U6"}
    assert nets_of(case.card, case.faults[0]) == ["B_A6", "B_A5"]


def test_an_address_buffer_without_supply_leaves_one_cell_in_each_row() -> None:
    case = short("z80")
    out, _ = wrong_with(case, Fault("open", "U9", "VCC"))
    last: dict[int, int] = {}
    for kind, a, d in zip(case.kinds.tolist(), out[0].tolist(), out[1].tolist(), strict=True):
        if kind == 1:
            last[a >> 8] = d
        elif a >> 8 in last:
            assert d == last[a >> 8]


def test_a_decoder_without_its_enable_selects_nothing() -> None:
    case = short("z80")
    _, wrong = wrong_with(case, Fault("open", "U7", "1G"))
    out, _ = wrong_with(case, Fault("gnd", "U8", "G1"))
    assert wrong.any() and (out[1][case.kinds == 0] == 0xFF).all()  # the driver's side floats high


def test_every_fault_can_be_run() -> None:
    case = short("6809")
    few = slice(0, 400)
    case = Case(case.card, [], case.kinds[few], case.addresses[few], case.datas[few], case.act[few], case.setting)
    shown = [f for f in every(case.card) if ledger(case, replay(case, [f])[1])[1].any()]
    assert len(shown) > 100


@pytest.mark.parametrize("kind", ["pins", "bridges", "pairs", "healthy"])
def test_cases_are_written(kind: str, tmp_path: Path) -> None:
    truth = write(draw(kind, 3), tmp_path)
    assert (tmp_path / "capture.vcd").stat().st_size > 10_000
    assert truth["mismatches"] >= 4 or kind == "healthy"
    assert len(truth["faults"]) == {"pairs": 2, "healthy": 0}.get(kind, 1)


def test_unusual_cards_are_sound() -> None:
    case = draw_unusual(ODDS.index("device"))
    assert not case.faults and ledger(case, case.out)[1].any()
