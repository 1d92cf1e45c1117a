"""The selects check against published function tables: every row of every decoder and gate of the library.

The tables are written out here a second time, as functions, from: IN74LS138 function table and National
54LS138/139 (TL/F/6391, June 1989); Intel 8205; TI, The TTL Data Book, function tables of SN7442A, SN74154,
SN74155/156 and the gates SN74LS00, 02, 03, 04, 05, 08, 09, 10, 20, 27, 30, 32 (TI and Intel from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import pytest

from busledger.decoder.board import DecoderPart, parts
from busledger.decoder.checks import SelectsCheck, SelectsResult
from tests.checks.bench import bus, capture, decoder_board, decoder_of, layout

Levels = dict[str, int]


def one_low(prefix: str, count: int, selected: int | None) -> Levels:
    return {f"{prefix}{n}": int(n != selected) for n in range(count)}


def three_to_eight(i: Levels) -> Levels:
    enabled = i["G1"] and not i["G2A"] and not i["G2B"]
    return one_low("Y", 8, i["A"] + 2 * i["B"] + 4 * i["C"] if enabled else None)


def intel_8205(i: Levels) -> Levels:
    enabled = not i["E1"] and not i["E2"] and i["E3"]
    return one_low("O", 8, i["A0"] + 2 * i["A1"] + 4 * i["A2"] if enabled else None)


def dual_two_to_four(i: Levels) -> Levels:
    found: Levels = {}
    for half in "12":
        found |= one_low(f"{half}Y", 4, None if i[f"{half}G"] else i[f"{half}A"] + 2 * i[f"{half}B"])
    return found


def one_of_ten(i: Levels) -> Levels:
    return one_low("Y", 10, i["A"] + 2 * i["B"] + 4 * i["C"] + 8 * i["D"])


def one_of_sixteen(i: Levels) -> Levels:
    code = i["A"] + 2 * i["B"] + 4 * i["C"] + 8 * i["D"]
    return one_low("Y", 16, None if i["G1"] or i["G2"] else code)


def common_address(i: Levels) -> Levels:
    code = i["A"] + 2 * i["B"]
    first = code if not i["1G"] and i["1C"] else None
    second = code if not i["2G"] and not i["2C"] else None
    return one_low("1Y", 4, first) | one_low("2Y", 4, second)


def gates(function: Callable[[list[int]], bool], prefixes: str, pins: str) -> Callable[[Levels], Levels]:
    return lambda i: {f"{p}Y": int(function([i[p + pin] for pin in pins])) for p in prefixes}


PUBLISHED: dict[str, Callable[[Levels], Levels]] = {
    "74LS42": one_of_ten,
    "74LS138": three_to_eight,
    "8205": intel_8205,
    "74LS139": dual_two_to_four,
    "74LS154": one_of_sixteen,
    "74LS155": common_address,
    "74LS156": common_address,
    "74LS00": gates(lambda v: not all(v), "1234", "AB"),
    "74LS02": gates(lambda v: not any(v), "1234", "AB"),
    "74LS03": gates(lambda v: not all(v), "1234", "AB"),
    "74LS04": gates(lambda v: not v[0], "123456", "A"),
    "74LS05": gates(lambda v: not v[0], "123456", "A"),
    "74LS08": gates(all, "1234", "AB"),
    "74LS09": gates(all, "1234", "AB"),
    "74LS10": gates(lambda v: not all(v), "123", "ABC"),
    "74LS20": gates(lambda v: not all(v), "12", "ABCD"),
    "74LS27": gates(lambda v: not any(v), "123", "ABC"),
    "74LS30": lambda i: {"Y": int(not all(i.values()))},
    "74LS32": gates(any, "1234", "AB"),
}


def walked(name: str, wrong_at: tuple[int, str] | None = None) -> SelectsResult:
    """A capture that holds every input combination of the part for 1 µs, outputs 20 ns behind, as published.

    ``wrong_at``: (combination, output pin) at which the output is turned over.
    """
    part = parts().get(name)
    assert isinstance(part, DecoderPart)
    lines = [*part.inputs, *part.outputs]
    rows = []
    for step, levels in enumerate(product((0, 1), repeat=len(part.inputs))):
        inputs = dict(zip(part.inputs, levels, strict=True))
        outputs = PUBLISHED[name](inputs)
        if wrong_at is not None and wrong_at[0] == step:
            outputs[wrong_at[1]] ^= 1
        rows += [(1000 * step, inputs), (1000 * step + 20, outputs)]
    # The last combination counts once something ends it.
    rows.append((1000 * (step + 1), {part.inputs[0]: 1 - rows[-2][1][part.inputs[0]]}))
    where = layout(bus(), lines)
    board = decoder_board(decoder_of(name, {p: p for p in part.inputs}, {p: p for p in part.outputs}))
    block = capture(where, rows)
    check = SelectsCheck(board, bus(), where, block.tick_fs, None)
    check.feed(block, _no_cycles())
    return check.finish()


def _no_cycles():
    from busledger.decoder.bus import Cycles

    return Cycles.empty()


@pytest.mark.parametrize("name", PUBLISHED)
def test_every_row_as_published_is_right(name: str) -> None:
    (decoder,) = walked(name).decoders
    assert decoder.rows_seen == decoder.rows_possible == 1 << len(decoder.inputs)
    assert all(row.wrong == 0 and row.count == 1 for row in decoder.rows)
    assert all(not (output.missing or output.extra) for output in decoder.output_results)
    assert not [f for f in walked(name).findings if f.weight == "fault"]


@pytest.mark.parametrize("name", PUBLISHED)
def test_one_wrong_output_in_one_row_is_that_row(name: str) -> None:
    part = parts().get(name)
    assert isinstance(part, DecoderPart)
    combinations = list(product((0, 1), repeat=len(part.inputs)))
    for j, pin in enumerate(part.outputs):
        step = (7 * j + 3) % len(combinations)
        result = walked(name, (step, pin))
        (decoder,) = result.decoders
        wrong = [row for row in decoder.rows if row.wrong]
        assert [row.inputs for row in wrong] == ["".join("LH"[v] for v in combinations[step])]
        assert wrong[0].first_wrong_s == pytest.approx(step * 1e-6)
        (output,) = [o for o in decoder.output_results if o.missing or o.extra]
        assert output.pin == pin
        assert any(f.weight in ("fault", "doubt") for f in result.findings)  # seen once: a doubt, not yet a fault


def test_worst_delay_is_the_data_books() -> None:
    """SN74LS138: select to output, low-going over two levels, 41 ns at most (TI, The TTL Data Book, from memory)."""
    from busledger.decoder.checks.selects.networks import decoder_network

    part = parts().get("74LS138")
    assert isinstance(part, DecoderPart)
    decoder = decoder_of("74LS138", {p: p for p in part.inputs}, {"Y0": "Y0"})
    network = decoder_network(decoder, [decoder], lambda line: True)
    assert network is not None
    assert network.delay_ns == 41
