"""Each fault of the virtual card's decoder and bus driver is the first thing found, and a healthy card has none.

Three seeds each; ``python -m tests.benchmarks.checks_table`` runs twenty and prints the table.
"""

from __future__ import annotations

import pytest

from tests.benchmarks.checks_table import drawn, findings_of, right
from tests.checks.driver_cases import BUFFER_CASES, SELECT_CASES

SEEDS = (31, 32, 33)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", [name for name in SELECT_CASES if name != "healthy"])
def test_decoder_fault_is_found_first(name, seed):
    case = drawn(name, seed)
    selects, buffers = findings_of(case, seed)
    assert selects
    assert right(case, selects[0]), selects[0].text
    # Where a wrong decoder selects nothing, nothing comes through the card's driver either.
    assert not buffers or name == "input-open"


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", [name for name in BUFFER_CASES if name != "healthy"])
def test_driver_fault_is_found_first(name, seed):
    case = drawn(name, seed)
    selects, buffers = findings_of(case, seed)
    assert buffers
    assert right(case, buffers[0]), buffers[0].text
    assert not selects


@pytest.mark.parametrize("seed", range(40, 46))
def test_healthy_card_has_no_finding(seed):
    assert findings_of(drawn("healthy", seed), seed) == ([], [])
