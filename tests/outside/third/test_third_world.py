"""The third world's own honesty: its waves keep the published figures, its memory holds what was written.

Figures: the project's table of published bus facts (sections 1.3, 1.6, 1.8, 1.9, 1.11), typed here anew.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.outside.third.accesses import DEAD, FETCH, IOR, IOW, READ, WRITE, Accesses
from tests.outside.third.capture import Analyser
from tests.outside.third.card import Card, draw_card, draw_clips
from tests.outside.third.faults import Fault
from tests.outside.third.levels import edges, last_change, next_change, word_at
from tests.outside.third.machine import Seen, play
from tests.outside.third.make import BUILDERS, BUSES, CONTROLS, LATENCY, Case, make, write
from tests.outside.third.programs import run_program
from tests.outside.third.run import ask
from tests.outside.third.score import judge
from tests.outside.third.truth import expect
from tests.outside.third.waves import Board

D8 = range(8)


def run(bus: str, seed: int) -> tuple[Card, Accesses, Seen, Board, float]:
    rng = np.random.default_rng(seed)
    card = draw_card(rng, bus)
    draw_clips(rng, card, *CONTROLS[bus])
    acc, rom = run_program(card, rng, 3000, "mixed")
    period, access = LATENCY[bus]
    seen = play(card, acc, rom, [], period)
    return card, acc, seen, BUILDERS[bus](card, acc, seen, rng, period, access), period


# bus: strobe, its end, data before that end (ns), data after it (ns); reads, then writes
ENDS = {
    "6502": (("PHI2", 0, 100, 10), ("PHI2", 0, 100, 30)),  # TDSU 100, THR 10, THW 30
    "6809": (("E", 0, 80, 10), ("E", 0, 100, 30)),  # tDSR 80, tDHR 10, tDHW 30
    "z80": (("RD", 1, 50, 0), ("WR", 1, 200, 10)),  # tS(D) 50, tH 0; data before WR falls
    "8085": (("RD", 1, 100, 0), ("WR", 1, 400, 60)),  # tCC - tRD 100, tRDH 0; tDW 420 less skew, tWD
    "6800": (("PHI2", 0, 100, 10), ("PHI2", 0, 200, 10)),  # tDSR 100, tH 10; tDDW 225 of PHI2 high
    "68008": (("DS", 1, 10, 0), ("DS", 1, 160, 40)),  # 27: 10, 29: 0; 26 and 14A, 25
    "8080": (("DBIN", 0, 150, 0), ("WR", 1, 200, 50)),  # tDS2 150
}


@pytest.mark.parametrize("bus", BUSES)
@pytest.mark.parametrize("seed", range(8))
def test_data_stand_on_the_bus_when_the_data_sheet_says(bus: str, seed: int) -> None:
    _, acc, seen, board, _ = run(bus, seed)
    prefix = "AD" if bus == "8085" else "D"
    for (strobe, level, before, after), ops in zip(
        ENDS[bus], ((FETCH, READ, IOR, DEAD), (WRITE, IOW)), strict=True
    ):
        mine = np.isin(acc.op, ops)
        ends = edges(board.tracks[strobe], level)
        if len(ends) == len(acc):  # a clock: every cycle has one
            ends = ends[mine]
        assert len(ends) == mine.sum()
        assert np.array_equal(word_at(board, prefix, D8, ends - 1), seen.data[mine])
        assert last_change(board, prefix, D8, ends - 1).min() >= before - 10
        assert next_change(board, prefix, D8, ends - 1).min() >= after


@pytest.mark.parametrize("bus", BUSES)
def test_sound_memory_gives_back_what_was_written(bus: str) -> None:
    for seed in range(6):
        card, acc, seen, _, _ = run(bus, seed)
        held: dict[int, int] = {}
        for op, address, data in zip(acc.op.tolist(), acc.address.tolist(), seen.data.tolist(), strict=True):
            region = card.hit(address)
            if region is None or region.kind != "ram" or op > FETCH:
                continue
            if op == WRITE:
                held[address] = data
            elif address in held:
                assert held[address] == data
        assert not seen.wrong.any() and len(held) > 0


def test_files_are_written(tmp_path: Path) -> None:
    case = make(5, 0, "single", tmp_path)
    assert case.expected[0].shown >= 4
    assert (case.folder / "capture.vcd").read_text().count("$var") == len(case.notes["clipped"])


@pytest.mark.parametrize(("bus", "what", "lane"), [("6502", None, 0), ("z80", "out-stuck", 2), ("8085", "dead", 0)])
def test_plain_cards_come_out_right(bus: str, what: str | None, lane: int, tmp_path: Path) -> None:
    """Nothing subtle: a sound card, an output that sticks, a chip that does not answer; the command names them."""
    rng = np.random.default_rng([4, len(bus)])
    card = draw_card(rng, bus)
    while card.banks[0].chips[0].part != "2114" or len(card.banks) < 2:
        card = draw_card(rng, bus)
    controls, optional = CONTROLS[bus]
    draw_clips(rng, card, controls, optional)
    shared = bus == "8085"
    card.clipped = [f"A{k}" for k in range(8 if shared else 0, 16)] + [f"{'AD' if shared else 'D'}{k}" for k in D8]
    card.clipped += [*controls, *optional, *(str(r.select) for r in card.banks)]
    card.described, card.far_clipped = {}, False
    acc, rom = run_program(card, rng, 15000, "tests")
    bank = next(r for r in card.banks if ((acc.address >= r.start) & (acc.address <= r.end)).sum() > 200)
    fault = Fault("chip", what or "", bank.chips[0].designator, bank.name, lane=lane, level=1)
    faults = [fault] if what else []
    period, access = LATENCY[bus]
    seen = play(card, acc, rom, faults, period)
    case = Case(tmp_path, "plain", card, acc, rom, faults, seen, expect(card, acc, rom, faults, seen, period))
    case.notes = {"bus": bus, "period_ns": period, "access_ns": access}
    write(case, rng, Analyser(50e6))
    answer, code, seconds = ask(tmp_path)
    verdict = judge(answer, code, seconds, case.expected)
    assert verdict.right and code == (1 if what else 0)
    assert verdict.mismatches == (seen.wrong != 0).sum()
