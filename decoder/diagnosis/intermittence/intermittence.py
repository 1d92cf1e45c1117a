"""How a failure comes and goes: trend, bursts, what it depends on, and what that suggests.

Every test of one suspect goes into one family, corrected by Holm; only what
survives at 5 % is said, and only where the rates differ enough to matter.
Suggestions are worded as suggestions: they name what such a pattern is often
a sign of, not what it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from busledger.decoder.diagnosis.intermittence.dependence import LEVEL, bursts_of, dependences, trend_of
from busledger.decoder.diagnosis.intermittence.occurrence import Occurrence
from busledger.decoder.diagnosis.statistics import holm
from busledger.decoder.figures import NO_BREAK, count, rarer_than

__all__ = ["Finding", "describe", "windows_for"]

LEAST_RATIO = 1.5  # rates closer together than this are not worth a sentence, however sure (judged)
MOST_SAID = 4  # sentences on a screen


@dataclass(frozen=True)
class Finding:
    """One dependence that survived: what on, its corrected p, a sentence, a suggestion (may be empty)."""

    on: str
    p: float
    text: str
    suggestion: str = ""


def windows_for(failures: int) -> int:
    """How many windows of equally many reads: about five failures each, 4 to 20."""
    return int(np.clip(failures // 5, 4, 20))


def describe(
    tally: Occurrence,
    tick_s: float,
    *,
    lanes: Sequence[int] = (),
    inside_chip: bool = False,
    astray: bool = False,
    kept_wrong: tuple[int, int] = (0, 0),
    first_reads: bool = False,
) -> dict[str, Any]:
    """The ``intermittence`` of ``check --json`` for one suspect.

    Parameters
    ----------
    tally : the reads in which it could have shown, all fed
    tick_s : seconds a tick
    lanes : the suspect's own lanes, whose level is not a circumstance
    inside_chip : the suspect is one memory chip, so address bits are its rows and columns
    astray : the suspect sends accesses to other cells (address and select faults): see ``dependences``
    kept_wrong : of re-reads of a cell that had just read wrong, without a write between: how many, how many wrong
    first_reads : of the reads of one cell after a write only the first was fed

    Returns
    -------
    JSON-able: ``failures`` among the ``reads`` that were fed and ``basis``, which says in words what those are,
    ``first_failure_s``, ``last_failure_s``, ``windows``, ``trend``, ``bursts``, ``depends``, ``tests``,
    ``sentences``, ``suggestions``. Times are seconds from the capture's start. How often the fault shows is the
    suspect's own rate, per chance, and not counted here.
    """
    if tally.failures == 0 or tally.seen == 0:
        return {}
    candidates = dependences(tally, tick_s, frozenset(lanes), inside_chip=inside_chip, astray=astray)
    adjusted = holm([c.p for c in candidates])
    said = [
        Finding(c.on, float(p), f"{c.text} ({_by_chance(p)}).", c.suggestion)
        for c, p in zip(candidates, adjusted, strict=True)
        if p < LEVEL and c.ratio >= LEAST_RATIO
    ]
    said.sort(key=lambda f: f.p)
    trend, spread = trend_of(tally), bursts_of(tally)
    traced = _trace(kept_wrong)
    return {
        "failures": tally.failures,
        "reads": tally.seen,
        "basis": _basis(tally, first_reads),
        "first_failure_s": _seconds(tally.first, tick_s),
        "last_failure_s": _seconds(tally.last, tick_s),
        "windows": _windows(tally, tick_s),
        "trend": {"z": trend.statistic, "p": trend.p},
        "bursts": {"index_of_dispersion": spread.statistic, "p": spread.p, "runs_of_failures": tally.runs},
        "depends": [{"on": f.on, "p_holm": f.p, "text": f.text, "suggestion": f.suggestion} for f in said],
        "tests": len(candidates),
        "sentences": [
            _span_sentence(tally, tick_s),
            *traced,
            *(f.text for f in said[:MOST_SAID]),
        ],
        "suggestions": list(dict.fromkeys(f.suggestion for f in said[:MOST_SAID] if f.suggestion)),
    }


def _seconds(ticks: int | None, tick_s: float) -> float | None:
    return None if ticks is None else ticks * tick_s


def _by_chance(p: float) -> str:
    """What a p below ``LEVEL`` means, in words."""
    return f"chance alone: under {rarer_than(max(float(p), 1e-3))}".replace(NO_BREAK, " ")


def _basis(tally: Occurrence, first_reads: bool) -> str:
    found = f"Judged by {count(tally.seen)} reads that could have shown it, {count(tally.failures)} of them wrong"
    only = "; of a cell's reads after one write, only the first" if first_reads else ""
    return f"{found}{only}.".replace(NO_BREAK, " ")


def _span_sentence(tally: Occurrence, tick_s: float) -> str:
    assert tally.first is not None and tally.last is not None
    if tally.failures == 1:
        return f"It failed once, {tally.first * tick_s:.4g} s after the capture's start."
    return f"First failure {tally.first * tick_s:.4g} s, last {tally.last * tick_s:.4g} s after the capture's start."


def _trace(kept_wrong: tuple[int, int]) -> list[str]:
    """Whether a cell that read wrong stays wrong until it is written: then the write went astray, not the read."""
    again, wrong = kept_wrong
    if again >= 3 and wrong / again > 0.9:
        return [f"A cell that read wrong kept reading wrong until it was written again ({wrong} of {again} re-reads)."]
    return []


def _windows(tally: Occurrence, tick_s: float) -> list[dict[str, Any]]:
    opened = [w for w in range(tally.windows) if tally.window_start[w] >= 0]
    ends = [*(int(tally.window_start[w]) for w in opened[1:]), tally.end]
    return [
        {
            "start_s": int(tally.window_start[w]) * tick_s,
            "end_s": end * tick_s,
            "accesses": int(tally.in_window[w, 0]),
            "failures": int(tally.in_window[w, 1]),
        }
        for w, end in zip(opened, ends, strict=True)
    ]
