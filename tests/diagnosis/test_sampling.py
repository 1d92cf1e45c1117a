"""How many samples a strobe is active for, of what was watched alone; and whether that was the right moment."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from busledger.decoder.bus.profile import load_profile
from busledger.decoder.checks.results import ChannelHealth, ProbesResult
from busledger.decoder.diagnosis.rivals.sampling import _spares_a_region, strobe_widths


def watched(**strobes: tuple[int, float]) -> dict[str, float]:
    """Of strobes of a Z80, (changes, share of the time high) in 17 ms at 100 MHz."""
    channels = [
        ChannelHealth(
            channel=line, line=None, moves=moves, high_share=high, unknown_share=0.0, runts=0, shortest_ns=None
        )
        for line, (moves, high) in strobes.items()
    ]
    probes = ProbesResult(sample_ns=10.0, seen_ns=17e6, channels=tuple(channels))
    evidence = SimpleNamespace(signs=SimpleNamespace(profile=load_profile("z80")), probes=probes)
    return strobe_widths(evidence)  # type: ignore[arg-type]


def test_a_strobe_is_low_for_its_share_of_the_time_in_every_second_change():
    assert watched(RD=(34_000, 0.56)) == {"RD": pytest.approx(0.44 * 17e6 / 17_000 / 10.0)}


def test_a_strobe_that_was_at_rest_all_the_while_says_nothing():
    """A program that comes to its ports late in the capture: the channels are watched over its first part only."""
    assert set(watched(RD=(34_000, 0.56), IORQ=(0, 1.0))) == {"RD"}


def counted_regions(
    *regions: tuple[int, int], kind: str = "ram", disagree: int = 0, one_level: bool = False
) -> SimpleNamespace:
    """Regions of (reads compared, of them wrong), each lane of which was seen at both levels."""
    counts = [
        SimpleNamespace(reads=reads, reads_compared=reads, mismatches=wrong, reads_disagree=disagree, lanes=range(8))
        for reads, wrong in regions
    ]
    levels = np.ones((len(regions), 2, 8, 2), np.int64)
    if one_level:
        levels[..., 1] = 0
    board = SimpleNamespace(regions=[SimpleNamespace(kind=kind), *[SimpleNamespace(kind="ram")] * (len(regions) - 1)])
    return SimpleNamespace(board=board, counts=counts, coverage=SimpleNamespace(levels=levels))


def test_the_wrong_moment_spares_no_region():
    """A row that comes right beside one that never answers was read at the right moment; both were, then."""
    assert _spares_a_region(counted_regions((396, 15), (537, 490)))
    assert not _spares_a_region(counted_regions((396, 150), (537, 490)))
    assert not _spares_a_region(counted_regions((396, 15), (537, 200)))
    assert not _spares_a_region(counted_regions((396, 15), (537, 490), disagree=20))
    assert not _spares_a_region(counted_regions((396, 15), (537, 490), kind="rom"))
    assert not _spares_a_region(counted_regions((20, 0), (537, 490)))
    assert not _spares_a_region(counted_regions((396, 15), (537, 490), one_level=True))
