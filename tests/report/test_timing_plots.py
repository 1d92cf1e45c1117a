"""Timing figures become histograms: nothing lost, limits on their side, the tightest first."""

from __future__ import annotations

from typing import Any

from busledger.decoder.checks import DelayHistogram, LimitResult, TimingResult
from busledger.decoder.report import timing_figures, timing_histograms


def limit(name: str, counts: tuple[int, ...], **changes: Any) -> LimitResult:
    given: dict[str, Any] = {
        "name": name,
        "meaning": "data set-up",
        "limit_ns": 50.0,
        "limit_is": "min",
        "source": "a data sheet",
        "count": sum(counts),
        **dict.fromkeys(("min_ns", "p01_ns", "median_ns", "p99_ns", "max_ns"), 60.0),
        "uncertainty_ns": 42.0,
        "margin_ns": 10.0,
        **dict.fromkeys(("violated", "maybe", "bounded"), 0),
        "resolvable": True,
        "rate_needed_hz": None,
        "extreme_cycles": (),
        "extreme_times_s": (),
        "histogram": DelayHistogram(bin_ns=40.0, first_bin=2, counts=counts, uncertainty_ns=42.0),
    }
    return LimitResult(**{**given, **changes})


def result(*limits: LimitResult) -> TimingResult:
    return TimingResult(profile="z80", grade=None, sample_ns=41.7, limits=limits)


def test_bins_lie_around_their_delays_and_keep_every_count() -> None:
    (found,) = timing_histograms(result(limit("tS", (5, 0, 7))))
    assert found.edges_ns == (60.0, 100.0, 140.0, 180.0)
    assert found.counts == (5, 0, 7)
    assert (found.least_ns, found.most_ns) == (50.0, None)
    assert found.title == "tS: data set-up, margin 10 ns (± 42 ns)"


def test_long_tails_are_gathered_and_many_bins_joined() -> None:
    (found,) = timing_histograms(result(limit("tS", (1000, *(0,) * 400, 1))))
    assert found.counts == (1000, 1)
    (found,) = timing_histograms(result(limit("tS", (10,) * 200)))
    assert len(found.counts) <= 60
    assert sum(found.counts) == 2000
    assert len(found.edges_ns) == len(found.counts) + 1


def test_tightest_first_and_only_what_was_measured_against_a_limit() -> None:
    found = timing_histograms(
        result(
            limit("wide", (1,), margin_ns=90.0),
            limit("tight", (1,), margin_ns=-5.0, limit_is="max"),
            limit("free", (1,), limit_ns=None, limit_is="none", margin_ns=None),
            limit("unseen", ()),
        )
    )
    assert [one.title.split(":")[0] for one in found] == ["tight", "wide"]
    assert found[0].most_ns == 50.0


def test_only_a_distribution_that_shows_more_than_its_figures_is_drawn() -> None:
    """Half a page of plots held one bar each, far from its limit."""
    shaped = (5, 9, 7, 2)
    found = timing_figures(
        result(
            limit("far", shaped, margin_ns=300.0),
            limit("single", (40,), margin_ns=1.0),
            limit("near", shaped, margin_ns=5.0),
            limit("broken", shaped, margin_ns=-90.0, violated=3, max_ns=90.0),
            limit("unseen", ()),
        )
    )
    assert [row.name for row in found.rows] == ["far", "single", "near", "broken"]
    assert [picture.title.split(":")[0] for picture in found.pictures] == ["broken", "near"]
    assert found.sources == ("a data sheet",)
    row = found.rows[3]
    told = (row.measured, row.allowed, row.told, row.tone)
    assert tuple(text.replace("\u00a0", " ") for text in told) == (
        "60 to 90 ± 42", "at least 50 ns", "violated in 3 of 23", "wrong",
    )  # fmt: skip


def test_times_of_many_chips_without_a_limit_are_one_row() -> None:
    free: dict[str, Any] = {"limit_ns": None, "limit_is": "none", "margin_ns": None, "meaning": "2102 in bank0"}
    chips = [limit(f"U{n} access", (3,), min_ns=100.0 + n, max_ns=200.0 + n, **free) for n in (12, 1, 2)]
    rows = timing_figures(result(limit("tS", (3,)), *chips, limit("tH", (3,)))).rows
    assert [row.name for row in rows] == ["tS", "U1-U2, U12 access", "tH"]
    assert (rows[1].measured, rows[1].told) == ("101 to 212 ± 42", "no published limit")


def test_a_limit_that_the_sampling_cannot_tell_has_no_picture() -> None:
    near: dict[str, Any] = {"margin_ns": -5.0}
    assert timing_figures(result(limit("tS", (3, 4, 5), resolvable=False, **near))).pictures == ()
    (picture,) = timing_figures(result(limit("tS", (3, 4, 5), **near))).pictures
    assert picture.title == "tS: data set-up, at the limit (± 42 ns)"
