"""The compiled card equals its plain twin on whole outputs, for any machine, faults and traffic."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.captures_demo.world import card_kernel
from busledger.captures_demo.world.arrays import Shown
from busledger.captures_demo.world.faults import Fault, When
from busledger.captures_demo.world.machine import Card, Chip, Machine, Region
from busledger.captures_demo.world.play import prepare
from busledger.captures_demo.world.stimulus import Stimulus
from tests.reference.card_twin import Twin, expect_twin

FLOATS = st.sampled_from(["keep", "up", "down"])
REGIONS = ("rom", "bank0", "bank1")
CHIPS = ("U1", "U2", "U3", "U4")


@st.composite
def machines(draw):
    cards = (
        Card("cpu", floats=draw(FLOATS)),
        Card("mem", buffer=draw(st.sampled_from(["", "U9"])), follows=draw(st.booleans()), floats=draw(FLOATS)),
    )
    regions = (
        Region("rom", 16, 23, (), kind="rom", card=0, image=bytes(range(3, 11))),
        Region("bank0", 0, 7, (Chip("U1", "2114", (0, 1)), Chip("U2", "2114", (2, 3))), card=1),
        Region("bank1", 8, 15, (Chip("U3", "2114", (0, 2)), Chip("U4", "2114", (1, 3))), card=1),
    )
    return Machine(
        "twin",
        draw(st.sampled_from(["6502", "z80", "8085"])),
        cards,
        regions,
        floats=draw(FLOATS),
        contention=draw(st.sampled_from(["low", "random"])),
        data_bits=4,
        address_bits=5,
    )


def _lanes(draw, chip):
    pool = {"U1": (0, 1), "U2": (2, 3), "U3": (0, 2), "U4": (1, 3)}.get(chip, (0, 1, 2, 3))
    return tuple(draw(st.lists(st.sampled_from(pool), min_size=1, max_size=2, unique=True)))


@st.composite
def faults(draw):
    scope = draw(st.sampled_from(["cell", "chip", "region", "board", "decoder", "buffer", "bus"]))
    lanes_kinds = ["stuck-low", "stuck-high", "floating", "bridged"]
    kinds = {
        "cell": ["stuck-low", "stuck-high", "coupled", "leaky", "transition", "read-flips", "read-flips-late",
                 "read-wrong", "write-flips", "address-cells"],
        "chip": [*lanes_kinds, "write-lost", "dead", "address-stuck", "address-bridged", "slow", "leaky"],
        "region": ["write-lost", "slow", "address-stuck", "address-bridged"],
        "board": ["write-lost", "address-stuck", "address-bridged"],
        "decoder": ["select-missing", "select-extra", "select-swapped", "input-open", "enable-stuck"],
        "buffer": [*lanes_kinds, "direction-stuck"],
        "bus": ["stuck-low", "stuck-high", "bridged"],
    }  # fmt: skip
    kind = draw(st.sampled_from(kinds[scope]))
    chip = draw(st.sampled_from(CHIPS)) if scope in ("cell", "chip") else ""
    region, other = draw(st.permutations(["bank0", "bank1"]))
    acts = draw(st.sampled_from(["both", "reads", "writes"]))
    if kind == "leaky":
        acts = draw(st.sampled_from(["both", "refreshed-by-reads"]))
    return Fault(
        kind,
        scope,
        region=region if scope in ("region", "decoder") else "",
        other_region=other if scope == "decoder" else "",
        chip=chip,
        card=1 if scope in ("decoder", "buffer") else draw(st.sampled_from([-1, 1])) if scope == "board" else -1,
        lanes=_lanes(draw, chip),
        address_lines=tuple(draw(st.lists(st.integers(0, 3), min_size=1, max_size=2, unique=True))),
        level=draw(st.integers(0, 2 if kind == "address-cells" else 1)),
        address=draw(st.integers(0, 3)),
        aggressor=draw(st.integers(0, 3)),
        aggressor_lane=_lanes(draw, chip)[0],
        trigger=draw(st.sampled_from(["rise", "fall", "any", "write", "while-high", "while-low"])),
        effect=draw(st.sampled_from(["low", "high", "invert"])),
        acts=acts,
        age_s=draw(st.sampled_from([0.0, 4e-6, 2e-5])),
        when=draw(st.sampled_from([When(), When("intermittent", 0.5), When(data_mask=2, data_value=2)])),
    )


@st.composite
def traffic(draw):
    rows = draw(
        st.lists(
            st.tuples(st.integers(0, 2), st.integers(0, 26), st.integers(0, 15), st.integers(0, 1), st.booleans()),
            max_size=60,
        )
    )
    columns = list(zip(*rows, strict=True)) if rows else [()] * 5
    op = np.array(columns[0], np.int64)
    return Stimulus(
        op,
        np.array(columns[4], np.bool_) & (op == 0),
        np.array(columns[1], np.int64),
        np.array(columns[2], np.int64),
        np.array(columns[3], np.uint8),
        np.where(op == 2, 1 + np.array(columns[2], np.int64), 1),
    )


@settings(max_examples=60, deadline=None)
@given(machines(), st.lists(faults(), max_size=3), traffic(), st.integers(0, 5))
def test_kernel_equals_twin(machine, broken, stimulus, seed):
    broken = tuple(broken)
    given_arrays, _, _ = prepare(machine, broken, stimulus, seed)
    twin = Twin(machine, broken, given_arrays.memory.copy(), given_arrays.spread)
    n = len(stimulus)
    data, kept = np.zeros(n, np.int64), np.zeros(n, np.int64)
    lines = np.zeros((n, 2), np.int64)
    selects = np.zeros((n, 3), np.uint8)
    played = card_kernel.run_cards(given_arrays, Shown(data, kept, lines, selects))
    assert played == n
    for i in range(n):
        expected = twin.cycle(
            int(stimulus.op[i]),
            int(stimulus.address[i]),
            int(given_arrays.literals[i]),
            int(stimulus.copy[i]),
            int(given_arrays.times[i]),
            given_arrays.active[i],
            int(given_arrays.coins[i]),
            bool(given_arrays.refresh[i]),
        )
        assert (data[i], kept[i], list(lines[i]), set(np.flatnonzero(selects[i]))) == expected, i
    assert given_arrays.memory.tolist() == list(twin.memory.values())


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 2), st.integers(0, 7), st.integers(0, 15)), max_size=40),
    st.lists(st.integers(0, 2), min_size=8, max_size=8),
)
def test_ledger_of_the_world_equals_twin(rows, treat):
    columns = list(zip(*rows, strict=True)) if rows else [()] * 3
    ops, addresses, data = (np.array(column, np.int64) for column in columns)
    compare, fixed = np.array(treat, np.uint8), np.arange(100, 108, dtype=np.int64)
    expected, known = np.zeros(len(ops), np.int64), np.zeros(len(ops), np.uint8)
    compared = card_kernel.expect(ops, addresses, data, compare, fixed, expected, known)
    twin = expect_twin(ops.tolist(), addresses.tolist(), data.tolist(), treat, fixed.tolist())
    assert list(zip(expected.tolist(), known.tolist(), strict=True)) == twin
    assert compared == sum(known)
