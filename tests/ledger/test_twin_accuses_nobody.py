"""Sound memory is never accused: random traffic on healthy cells, seen through a poor analyser.

The world here is a dictionary of cells with random contents. The analyser loses address bits, data bits, whole
stretches of traffic, and lines that were never wired. Whatever it loses, no read may be a mismatch or a disagreement.
"""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reference.ledger_twin import run
from tests.reference.ledger_types import Access, Judgement, Region, ToldBy

REGIONS = [
    Region("low", 0x10, 0x17),
    Region("high", 0x18, 0x1F),
    Region("rom", 0x40, 0x47, kind="rom", image=bytes(range(0x30, 0x38))),
    Region("odd", 0x62, 0x66),
]


def region_at(address: int) -> int:
    """The region of an address, or -1."""
    hits = [i for i, region in enumerate(REGIONS) if region.start <= address <= region.end]
    return hits[0] if hits else -1


def lossy_run(seed: int, unwired: int, told_by: ToldBy, keep_inside: bool, alter: int = 0) -> list[Judgement]:
    """Make traffic on healthy memory, lose some of it, and judge the rest. `alter` breaks reads of one lane."""
    rng = random.Random(seed)
    rom = REGIONS[2].image or b""
    memory = {address: rng.choice((0, 0xFF, rng.randrange(256))) for address in range(128)}
    memory.update({REGIONS[2].start + i: byte for i, byte in enumerate(rom)})
    inside = [address for address in range(128) if region_at(address) >= 0]
    seen: list[Access] = []
    gap = False
    for _ in range(250):
        address = rng.choice(inside) if keep_inside or rng.random() < 0.8 else rng.randrange(128)
        writes = rng.random() < 0.4
        if writes:
            data = rng.choice((0, 0xFF, rng.randrange(256)))
            if region_at(address) != 2:
                memory[address] = data
        else:
            data = memory[address] ^ alter
        if rng.random() < 0.03:  # samples are missing here
            gap = True
            continue
        address_x = rng.randrange(128) & rng.randrange(128) if rng.random() < 0.1 else 0
        data_x = rng.randrange(256) if rng.random() < 0.1 else 0
        index = region_at(address)
        selected = frozenset([index] if index >= 0 else []) if rng.random() < 0.9 else None
        seen.append(
            Access(
                "write" if writes else "read",
                address & ~address_x & ~unwired,
                data & ~data_x,
                address_x,
                data_x,
                after_gap=gap,
                selected=selected if told_by == "select" else None,
            )
        )
        gap = False
    return run(REGIONS, seen, address_bits=7, unwired=unwired, told_by=told_by).judgements


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from([0, 0x60, 0x01, 0x48, 0x7F]), st.sampled_from(["address", "select"]))
def test_healthy_memory_is_never_accused(seed: int, unwired: int, told_by: ToldBy) -> None:
    # told by addresses with lines left out, the board file is taken to name all there is: the traffic keeps to it
    keep_inside = unwired != 0 and told_by == "address"
    verdicts = [answer.verdict for answer in lossy_run(seed, unwired, told_by, keep_inside)]
    assert "mismatch" not in verdicts
    assert "disagrees" not in verdicts


@pytest.mark.parametrize("unwired", [0, 0x60])
def test_but_a_broken_lane_is_seen(unwired: int) -> None:
    verdicts = [answer.verdict for answer in lossy_run(7, unwired, "select", keep_inside=True, alter=0x10)]
    assert verdicts.count("mismatch") > 20
