"""A fault with what its replay found: one way in which one part may be bad."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.evidence import CheckKey, Evidence
from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, bits_of, priors
from busledger.decoder.diagnosis.replay.led import rates_of
from busledger.decoder.diagnosis.replay.memory_kernel import ON_WRITES
from busledger.decoder.diagnosis.replay.replay import Effect, both_ways
from busledger.decoder.diagnosis.replay.theory import Behaviour, LaneFault, PathFault
from busledger.decoder.diagnosis.replay.weighing import EXCUSE, SOMETIMES, log_hard, log_rate, log_sometimes

__all__ = ["Scored", "checked", "checked_led", "log_own", "rate_by_window", "spoken_of", "ways"]

# What writes pass through on their way to more than one chip: bad in writes alone, every time, it differs from one
# that is bad in reads where a chip behind it is bad as well. Of a single chip the two are alike.
_WRITTEN_THROUGH = ("bus", "buffer")


@dataclass(frozen=True)
class Scored:
    """One way of failing of one candidate: a variant, every time (``hard``) or now and then.

    ``weight``: log of its share among the candidate's ways; ``effect``: what its replay counted; ``path``: how a lane
    fault was played that hurts writes too; ``detail``: where in the chip it fails, for words and JSON.
    """

    candidate: Candidate
    variant: Variant
    hard: bool
    effect: Effect
    weight: float = 0.0
    path: PathFault | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)
    strict: bool = False

    @property
    def covers(self) -> int:
        """Wrong reads that it explains or excuses."""
        tally = self.effect.tally
        return tally.explained + (0 if self.hard or self.strict else tally.excused)

    def excusing_none(self) -> Scored:
        """The same, strict: what it does not explain is another fault's, and a chance at which it did not act."""
        tally = self.effect.tally
        hits, odd = tally.hits + tally.contradicted, tally.excused
        # Of the wrong reads of a window it is not kept which were excused: each window keeps its share.
        chances: Any = self.effect.chances.astype(np.float64)
        share = odd / max(1, hits + odd)
        chances[:, 1] += chances[:, 0] * share
        chances[:, 0] *= 1.0 - share
        told = tally._replace(excused=0, misses=tally.misses + odd)
        led = self.effect.log_led
        if led is not None:  # at what was excused it did not act after all
            led += self.effect.log_idle - self.effect.log_excused
        effect = replace(self.effect, tally=told, chances=chances, apart=(), log_led=led)
        return replace(self, strict=True, effect=effect)

    @property
    def key(self) -> tuple[object, ...]:
        """What makes two of them one suspect: the same fault of the same part at the same place."""
        return (*self.candidate.key, self.hard, *(str(value) for value in self.detail.get("where_lines", ())))


def ways(candidate: Candidate, effects: Mapping[Behaviour, tuple[Effect, Effect]]) -> Iterator[Scored]:
    """All ways of failing that were replayed."""
    hard, some = _beliefs()
    if candidate.fault == "slow":
        hard += math.log(float(priors()["belief"]["late"]))
    for v in candidate.variants:
        if v.behaviour not in effects:
            continue
        one, two = effects[v.behaviour]
        weight = math.log(v.weight)
        if one.log_own is not None:
            yield Scored(candidate, v, one.always, one, weight)
            continue
        yield Scored(candidate, v, True, one, hard + weight)
        others = []
        if isinstance(v.behaviour, LaneFault):
            others = [(f, effects[f]) for f in both_ways(v.behaviour) if f in effects]
        split = math.log(1 + len(others))
        yield Scored(candidate, v, False, two, some + weight - split)
        for path, (always, at_times) in others:
            yield Scored(candidate, v, False, at_times, some + weight - split, path)
            if path.acts == ON_WRITES and candidate.scope in _WRITTEN_THROUGH:
                yield Scored(candidate, v, True, always, hard + weight - split, path)


@cache
def _beliefs() -> tuple[float, float]:
    """Log of the shares of faults that act every time, and of those that come and go."""
    hard = float(priors()["belief"]["hard"])
    return math.log(hard), math.log1p(-hard)


def log_own(scored: Scored, pattern_bits: int, extra_misses: int = 0) -> float:
    """Log marginal likelihood of its hits and misses. ``pattern_bits``: lanes of the part."""
    effect = scored.effect
    if effect.log_own is not None:
        return effect.log_own
    if scored.hard and effect.log_contents is not None:
        return log_hard(effect.tally._replace(unsure_bits=0), extra_misses) + effect.log_contents
    if scored.hard:
        return log_hard(effect.tally, extra_misses)
    if effect.log_led is not None:
        tally = effect.tally
        excuses = tally.excused * (EXCUSE - math.log(max(2.0**pattern_bits - 1.0, 1.0)))
        more = log_rate(tally.hits, tally.misses + extra_misses, SOMETIMES)
        return effect.log_led + excuses + more - log_rate(tally.hits, tally.misses, SOMETIMES)
    return log_sometimes(
        effect.tally, effect.chances, pattern_bits, extra_misses, effect.hours, effect.log_contents, effect.apart
    )


def rate_by_window(scored: Scored) -> NDArray[np.float64]:
    """float64[WINDOWS]: of a fault that comes and goes, how often it acts at a chance: in each span of the capture at
    the rate that it shows there, and in bursts only while it is at work."""
    return rates_of(scored.effect)


def spoken_of(evidence: Evidence, candidate: Candidate) -> list[CheckKey]:
    """The keys of the checks that name this candidate."""
    both = itertools.product((candidate.fault, None), (candidate.scope, None))  # None matches any
    keys = [key for names in both for key in evidence.spoken.get(names, ())]
    if not keys:
        return []
    named = [] if candidate.region is None else [candidate.region]
    if candidate.fault == "select-missing" and not candidate.lines:
        named = list(candidate.regions)  # what goes with the whole decoder is seen of every one of its selects
    if not _of_several(evidence, candidate):  # what is seen of its one select has that region's key
        keys = [key for key in keys if key.scope != "decoder" or key.component is None or key.region is not None]
    lanes = tuple(f"D{lane}" for lane in bits_of(candidate.lanes))
    found: dict[CheckKey, None] = {}
    for region in (evidence.board.regions[r].name for r in named) if named else (None,):
        mine = (candidate.fault, candidate.scope, candidate.component, region, lanes)
        for key in keys:
            if all(want is None or want == have for want, have in zip(key, mine, strict=True)):
                found[key] = None
    return list(found)


def _of_several(evidence: Evidence, candidate: Candidate) -> bool:
    """Whether a missing select is one of several that go at once, or is lost before the part that makes it."""
    if candidate.region is None:
        return True
    source = evidence.board.select_source(evidence.board.regions[candidate.region])
    return source is not None and source[0].designator != candidate.component


def checked(evidence: Evidence, candidate: Candidate) -> float:
    """Log likelihood ratio that clipped selects, drivers and timing add."""
    return _log_of(evidence, spoken_of(evidence, candidate))


def checked_led(evidence: Evidence, fed: Iterable[str], gone: Iterable[str], come: Iterable[str]) -> float:
    """The same of a fault by which decoders see other addresses: the decoders that it feeds, the regions whose selects
    it takes from all of their addresses, and those whose selects come for others'."""
    keys = [CheckKey("select-missing", "decoder", name) for name in fed]
    keys += [CheckKey("select-missing", "decoder", None, name) for name in gone]
    return _log_of(evidence, [*keys, *(CheckKey("select-extra", "decoder", None, name) for name in come)])


def _log_of(evidence: Evidence, keys: Iterable[CheckKey]) -> float:
    ratios = {} if evidence.checks is None else evidence.checks.likelihood_ratios
    return sum(math.log(min(max(ratios[key], 1e-9), 1e9)) for key in keys if key in ratios)
