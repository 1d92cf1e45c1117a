"""Broken decoders against published function tables: what a fault does is worked out here, from the pins' levels.

The tables are those of ``tests/external/test_checks_truth_tables.py``; nothing of ``select_hypotheses`` is used to make
the outputs, so that an AND taken for an OR there names another fault here, or none.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import pytest

from busledger.decoder.board import DecoderPart, parts
from busledger.decoder.bus import Cycles
from busledger.decoder.checks import CheckFinding, SelectsCheck
from tests.checks.bench import bus, capture, decoder_board, decoder_of, layout
from tests.external.test_checks_truth_tables import PUBLISHED, Levels

Broken = Callable[[Levels, Callable[[Levels], Levels]], Levels]


def found(name: str, broken: Broken) -> list[CheckFinding]:
    """The faults that are told of a part whose outputs ``broken`` makes of the published ones; each row for 1 µs."""
    part = parts().get(name)
    assert isinstance(part, DecoderPart)
    rows = []
    for step, levels in enumerate(product((0, 1), repeat=len(part.inputs))):
        inputs = dict(zip(part.inputs, levels, strict=True))
        rows += [(1000 * step, inputs), (1000 * step + 20, broken(inputs, PUBLISHED[name]))]
    rows.append((1000 * (step + 1), {part.inputs[0]: 1 - rows[-2][1][part.inputs[0]]}))
    where = layout(bus(), [*part.inputs, *part.outputs])
    board = decoder_board(decoder_of(name, {p: p for p in part.inputs}, {p: p for p in part.outputs}))
    block = capture(where, rows)
    check = SelectsCheck(board, bus(), where, block.tick_fs, None)
    check.feed(block, Cycles.empty())
    return [f for f in check.finish().findings if f.weight == "fault"]


def outputs_low_together(one: str, other: str) -> Broken:
    """Two TTL outputs shorted: the one that pulls low wins (TI, The TTL Data Book: output current low over high)."""

    def broken(i: Levels, table: Callable[[Levels], Levels]) -> Levels:
        out = table(i)
        return out | dict.fromkeys((one, other), 0 if 0 in (out[one], out[other]) else 1)

    return broken


def inputs_low_together(one: str, other: str) -> Broken:
    return lambda i, table: table(i | dict.fromkeys((one, other), 0 if 0 in (i[one], i[other]) else 1))


def also_for(one: str, other: str, active: int) -> Broken:
    """``one`` comes for ``other``'s addresses as well as for its own."""

    def broken(i: Levels, table: Callable[[Levels], Levels]) -> Levels:
        out = table(i)
        return out | ({one: active} if out[other] == active else {})

    return broken


def exchanged_outputs(one: str, other: str) -> Broken:
    return lambda i, table: table(i) | {one: table(i)[other], other: table(i)[one]}


def exchanged_inputs(one: str, other: str) -> Broken:
    return lambda i, table: table(i | {one: i[other], other: i[one]})


CASES = {
    "two outputs shorted": ("74LS138", outputs_low_together("Y1", "Y4"), "outputs-bridged", {"Y1", "Y4"}),
    "two inputs shorted": ("74LS138", inputs_low_together("A", "C"), "inputs-bridged", {"A", "C"}),
    "an output also for another": ("74LS138", also_for("Y2", "Y5", 0), "output-extra", {"Y2", "Y5"}),
    "the same, active high": ("74LS08", also_for("1Y", "3Y", 1), "output-extra", {"1Y", "3Y"}),
    "two outputs exchanged": ("74LS138", exchanged_outputs("Y0", "Y7"), "outputs-swapped", {"Y0", "Y7"}),
    "two inputs exchanged": ("74LS138", exchanged_inputs("B", "C"), "inputs-swapped", {"B", "C"}),
    "an input open (TTL: high)": ("74LS138", lambda i, t: t(i | {"B": 1}), "input-wrong", {"B"}),
    "an input stuck low": ("74LS138", lambda i, t: t(i | {"G1": 0}), "input-wrong", {"G1"}),
    "an output open": ("74LS138", lambda i, t: t(i) | {"Y3": 1}, "output-missing", {"Y3"}),
    "an output stuck active": ("74LS138", lambda i, t: t(i) | {"Y6": 0}, "output-stuck-active", {"Y6"}),
}


@pytest.mark.parametrize("case", CASES)
def test_the_fault_is_told_and_nothing_else(case):
    name, broken, code, lines = CASES[case]
    (fault,) = found(name, broken)
    assert (fault.code, set(fault.lines)) == (code, lines), fault.text
    assert fault.count == fault.of
