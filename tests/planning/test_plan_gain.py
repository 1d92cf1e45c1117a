"""What a set of lines is expected to tell, and how near greedy choice comes to the best there is.

Entropy and information gain: C. E. Shannon, "A Mathematical Theory of Communication", Bell System Technical
Journal 27, 1948, sections 6 and 12.
"""

from __future__ import annotations

import math
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus import load_profile
from busledger.decoder.diagnosis import PossibleFault, possible_faults
from busledger.decoder.planning.choose import choose_lines, entropy, expected_gain, merged
from busledger.decoder.planning.sight import Bench, Sight
from tests.planning.boards import LOOM, board

STROBES = frozenset({"PHI2", "RW"})


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench.of(board(tmp_path_factory.mktemp("loom"), LOOM), load_profile("6502"))


@pytest.fixture(scope="module")
def faults(bench: Bench) -> tuple[PossibleFault, ...]:
    return possible_faults(bench.board, 16, 8)


def test_entropy_of_known_distributions() -> None:
    assert entropy([1, 1, 1, 1]) == pytest.approx(2.0)
    assert entropy([3.0]) == 0.0
    assert entropy([]) == 0.0
    # Shannon 1948, section 7's example: probabilities 1/2, 1/4, 1/8, 1/8 carry 7/4 bits.
    assert entropy([0.5, 0.25, 0.125, 0.125]) == pytest.approx(1.75)


@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_gain_is_the_fall_of_entropy_counted_fault_by_fault(bench: Bench, faults, data: st.DataObject) -> None:
    """Prior entropy less the mean posterior entropy, by looking at every fault's observation in turn."""
    lines = data.draw(st.sets(st.sampled_from(bench.lines())))
    few = data.draw(st.lists(st.sampled_from(faults), min_size=1, max_size=40, unique=True))
    sight = Sight(bench, lines | STROBES)
    total = sum(fault.prior for fault in few)
    prior = -sum(f.prior / total * math.log2(f.prior / total) for f in few)
    after = 0.0
    for true in few:
        seen = sight.signature(true)
        left = [f.prior for f in few if sight.signature(f) == seen]
        uncertainty = -sum(p / sum(left) * math.log2(p / sum(left)) for p in left)
        after += true.prior / total * uncertainty
    assert expected_gain(bench, few, lines | STROBES) == pytest.approx(prior - after, abs=1e-9)


@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_more_lines_never_tell_less(bench: Bench, faults, data: st.DataObject) -> None:
    """Faults that some lines tell apart stay apart when more lines are clipped."""
    some = data.draw(st.sets(st.sampled_from(bench.lines())))
    more = some | data.draw(st.sets(st.sampled_from(bench.lines())))
    assert expected_gain(bench, faults, more) >= expected_gain(bench, faults, some) - 1e-9


def test_faults_that_no_line_parts_are_one(bench: Bench, faults) -> None:
    few = merged(bench, faults)
    assert sum(f.prior for f in few) == pytest.approx(sum(f.prior for f in faults))
    assert expected_gain(bench, few, bench.lines()) == pytest.approx(expected_gain(bench, faults, bench.lines()))
    assert len({Sight(bench, bench.lines()).signature(f) for f in few}) == len(few)


@pytest.mark.parametrize("channels", range(1, 8))
@pytest.mark.parametrize("about", ["warp", "CS1", "U2"])
def test_greedy_is_near_the_best_of_all_sets(bench: Bench, faults, channels: int, about: str) -> None:
    """The first pass against every set of as many lines: never under 1 - 1/e of the best.

    That is the bound of G. L. Nemhauser, L. A. Wolsey and M. L. Fisher, Mathematical Programming 14, 1978, 265-294,
    for submodular gains, from memory; here gains are not submodular (address lines tell only together), so that the
    bound is checked, not implied.
    """
    index = {"warp": 0, "CS1": 1}
    few = merged(
        bench,
        [f for f in faults if f.component == about]
        if about not in index
        else [f for f in faults if index[about] in f.regions and f.scope in ("decoder", "chip")],
    )
    # Nothing but the lines that matter here: the search over all sets then stays small.
    wanted = [line for line in bench.lines() if line not in {f"A{n}" for n in range(5, 16)}]
    given_lines = STROBES | {f"A{n}" for n in range(5, 16)}
    assert len(wanted) <= 15
    greedy = choose_lines(bench, few, lambda taken: channels - taken, limit=channels, given=given_lines)
    offered = [line for line in bench.lines() if line not in given_lines]
    best = max(expected_gain(bench, few, given_lines | set(lines)) for lines in combinations(offered, channels))
    assert len(greedy.lines) <= channels
    assert greedy.bits <= best + 1e-9
    assert greedy.bits >= (1 - 1 / math.e) * best - 1e-9
