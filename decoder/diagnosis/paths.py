"""What chips share: bus lanes, drivers, address and write nets, decoders. Which of them may be wrong, and how."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from busledger.decoder.diagnosis.clipped import ClippedSelects
from busledger.decoder.diagnosis.clipped_led import clipped_led, sees_others
from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.faults.candidate import Candidate, bits_of, priors
from busledger.decoder.diagnosis.faults.candidates import LEAF_SCOPES, listed_faults, log_prior_of_shared
from busledger.decoder.diagnosis.fights import log_fights
from busledger.decoder.diagnosis.lanes_aside import log_left_aside
from busledger.decoder.diagnosis.leaf import log_noise
from busledger.decoder.diagnosis.overlay import Aside, Blind, NotLookedAt, hides, lanes_apart, shorts
from busledger.decoder.diagnosis.own_doing import OwnDoing
from busledger.decoder.diagnosis.path import LANE_SCOPES, Innocent, Path, PathFaultState, is_last_resort, lanes_at_times
from busledger.decoder.diagnosis.replay.likely_pairs import likely_pairs
from busledger.decoder.diagnosis.replay.replay import NOTHING
from busledger.decoder.diagnosis.replay.study import Rows, Study, Survey
from busledger.decoder.diagnosis.replay.weighing import LN2, log_rate, log_sum
from busledger.decoder.diagnosis.scoring import Scored, checked, log_own, ways
from busledger.decoder.diagnosis.screening import replay_all
from busledger.decoder.diagnosis.unlisted import strange_drivers

__all__ = [
    "LANE_SCOPES",
    "LEAF_SCOPES",
    "Beside",
    "beside_own",
    "judged",
    "judged_again",
    "kind_of",
    "one_of",
    "other_names",
    "propose_paths",
    "regions_told",
    "replayed_alone",
    "seen_by_checks",
]

# Judged. All three doubled, and all halved (six cards, as in search.py): the same parts named, a chance moved by 0.084
# at most.
_SEEN = math.log(100.0)  # a check that sure speaks for a fault even where no read went wrong
_SAME_PART = 20.0  # how much likelier a driver's second bad lane is than its first
# Judged: reads that came right, for each that went wrong as foretold, which refute a fault that acts every time; the
# chips would be charged with them, but where one is bad on the only lane that tells it may pass for anything.
_REFUTED = 0.5
_FORETOLD = 2  # wrong reads foretold for each that could be excused, to be weighed without excuses. Judged
_WORTH = (1.0, 5.0, 12.0)  # nats that a wrong read less may be worth to the chips: one of many, few, a single one


@dataclass(frozen=True, eq=False)
class Beside:
    """Chips that are bad beyond doubt, not looked at. ``like``: of what kind, on what lanes or lines, shared faults are
    judged beside them; None = any. Chips that seem to have that very fault are not among them then. ``some``: shared
    faults of all kinds that come and go are judged, and no others. ``wide``: those that take whole regions, every time,
    beside a lane that comes and goes."""

    blind: NotLookedAt
    like: tuple[object, ...] | None = None
    some: bool = False
    wide: bool = False

    def asks_for(self, candidate: Candidate) -> bool:
        """Whether the shared fault is to be judged so."""
        if self.wide:
            return _is_wide(candidate) and candidate.fault != "bridged"
        return self.some or (_knows_contents(candidate) and self.like in (None, kind_of(candidate)))


def kind_of(candidate: Candidate) -> tuple[object, ...]:
    """What a fault of a chip and one that chips share have in common if they look alike."""
    return (candidate.fault, candidate.lines or candidate.mask)


def propose_paths(
    study: Study, rows: Rows, given: Sequence[Path], blind: Blind | None, beside: Sequence[Beside] = (),
    alone: Sequence[PathFaultState] | None = None,
) -> list[PathFaultState]:  # fmt: skip
    """Every shared fault on the path of a wrong bit, replayed, best way of failing first.

    ``rows``: all rows, with ``given`` laid over. ``blind``: chips that are plainly bad by themselves; faults that are
    wider than a lane are also judged on the other chips' lanes alone. ``beside``: chips that are bad beyond doubt in
    any way; beside them only bridges and address faults are judged, for what other faults make of the contents of such
    a chip has its price; or chips that stand out, where all that comes and goes is judged without what they explain by
    themselves. ``alone``: what ``replayed_alone`` gave for the same rows.
    """
    found = _replayed(study, rows, given, None) if alone is None or given else list(alone)
    if blind is not None:
        found += _replayed(study, rows, given, blind)
    for one in beside:
        found += _replayed(study, rows, given, one.blind, beside=one)
    taken = {path.key[:-1] for path in given}
    for scored, own in strange_drivers(study, rows):
        if scored.key[:-1] not in taken:
            odds = log_prior_of_shared(scored.candidate.prior)
            found.append(PathFaultState(scored, odds + own, study))
    ways_of: dict[tuple[object, ...], list[PathFaultState]] = {}
    for state in found:
        seen = id(state.blind) if isinstance(state.blind, OwnDoing) else state.blind is None
        ways_of.setdefault((*state.key, seen), []).append(state)
    chosen = [state for held in ways_of.values() for state in _chosen(held)]
    return [*chosen, *_seen_beside(found, chosen)]


def replayed_alone(study: Study, rows: Rows) -> list[PathFaultState]:
    """Every shared fault on the path of a wrong bit, with nothing known before: what ``propose_paths`` begins with."""
    return _replayed(study, rows, (), None)


def _seen_beside(found: Sequence[PathFaultState], chosen: Sequence[PathFaultState]) -> list[PathFaultState]:
    """The ways of failing that were chosen without what some chips explain by themselves, of the same faults with these
    chips in view: of a read that both could have spoilt the chip is charged with nothing."""
    ways = {(s.key, _way(s.scored)) for s in chosen if isinstance(s.blind, OwnDoing)}
    already = {id(s) for s in chosen}
    return [s for s in found if s.blind is None and id(s) not in already and (s.key, _way(s.scored)) in ways]


def _chosen(held: Sequence[PathFaultState]) -> list[PathFaultState]:
    """The best way to fail of one candidate, at each of the prices that a wrong read may fetch: what costs little may
    explain little. By the reads that it has a part in, be it in one that came right again, and by those that it
    explains."""
    best = [max(held, key=lambda s: s.log_weight + worth * s.hits) for worth in _WORTH]
    best += [max(held, key=lambda s: s.log_weight + worth * s.scored.covers) for worth in _WORTH]
    return list(dict.fromkeys(best))


def _is_wide(candidate: Candidate) -> bool:
    return candidate.scope not in LANE_SCOPES or candidate.mask.bit_count() > 2


def _knows_contents(candidate: Candidate) -> bool:
    """Bridges and faults of address lines: what chips hold is known all the same, or as good as."""
    bridge = candidate.scope in LANE_SCOPES and candidate.mask.bit_count() == 2
    return bridge or candidate.fault in ("address-stuck", "address-bridged")


def _replayed(
    study: Study, whole: Rows, given: Sequence[Path], blind: NotLookedAt | None, beside: Beside | None = None
) -> list[PathFaultState]:
    rows = whole if blind is None else blind.feed(whole)
    survey = study.survey([rows])
    taken = {path.key[:-1] for path in given}
    candidates = [
        c
        for c in listed_faults(study.card_as_seen).shared(survey.lanes(), likely_pairs(study, rows))
        if c.key not in taken
        and not _is_told(c, given)
        and (blind is None or (_is_wide(c) if beside is None else beside.asks_for(c)))
    ]
    found = judged(study, candidates, survey, rows, given, blind, whole)
    if beside is None or not (beside.some or beside.wide):
        return found
    return [state for state in found if state.scored.hard == beside.wide]


def _is_told(candidate: Candidate, given: Sequence[Path]) -> bool:
    """Whether a set says already that this very lane of this part is bad: that it reads high at times and low at others
    is one bad contact, and no two faults."""
    if candidate.scope not in LANE_SCOPES or candidate.mask.bit_count() > 1:
        return False
    same = (candidate.scope, candidate.component, candidate.mask)
    told = [path.scored.candidate for path in given if isinstance(path, PathFaultState)]
    return same in [(c.scope, c.component, c.mask) for c in told]


def judged(
    study: Study, candidates: Sequence[Candidate], survey: Survey, rows: Rows, given: Sequence[Path],
    blind: NotLookedAt | None, whole: Rows, *, unseen: bool = False,
) -> list[PathFaultState]:  # fmt: skip
    """The candidates replayed on ``rows`` and weighed, each in every way of failing that has a part in them.

    ``whole``: the rows without anything left out of them; ``unseen``: those that show in none of the rows as well.
    """
    if not candidates or (survey.wrong == 0 and not unseen):
        return []
    effects = replay_all(study, candidates, survey, rows)
    components = {state.scored.candidate.component for state in given if isinstance(state, PathFaultState)}
    before = [p for p in given if isinstance(p, PathFaultState) and sees_others(p.scored)]
    told = regions_told(given) | {r for path in before for r in path.regions}
    found, wrong, clips = [], _WrongReads(survey), ClippedSelects(rows)
    for c in candidates:
        odds = log_prior_of_shared(c.prior) + checked(study.evidence, c)
        if c.component is not None and c.component in components and c.scope == "buffer":
            odds += math.log(_SAME_PART)
        more = _elsewhere(study.evidence, c)
        for scored in _strictly_too(ways(c, effects)):
            clipped = clipped_led(study, scored, rows, clips) if sees_others(scored) else clips.log_of(scored)
            # Seen on its line it is there, whatever reads say of it: of two rows that were written together, nothing.
            seen, tally = scored.hard and clipped > _SEEN, scored.effect.tally
            if not tally.hits and not scored.covers and not (unseen and scored.hard) and not seen:
                continue
            if scored.hard and not hides(scored) and tally.misses > _REFUTED * tally.hits and not seen:
                continue  # it would have shown, again and again
            if told.intersection(c.regions):
                clipped = min(0.0, clipped)
            if shorts(scored):
                # What blinded chips give comes through it as well.
                scored = _joined_always(scored, whole, study.evidence)
            elif blind is not None and not isinstance(blind, Aside) and scored.hard and hides(scored):
                continue  # it says what blinded chips give: to leave that out would be a gift
            own = _own(scored, more, wrong.at(scored)) + clipped + log_fights(scored, rows)
            if isinstance(blind, Aside):
                left = log_left_aside(study, scored, blind, whole, given) if scored.hard else None
                own += blind.log_contents(scored.effect, c.mask, c.regions) if left is None else left
            found.append(PathFaultState(scored, odds + scored.weight + own, study, blind))
    return found


def _strictly_too(found: Iterable[Scored]) -> Iterator[Scored]:
    """What a fault that comes and goes could excuse, another one may explain: of one that foretells most of the wrong
    reads at its chances. One that foretells few of them picks what suits it, and leaves another fault's reads."""
    for scored in found:
        yield scored
        tally = scored.effect.tally
        if not scored.hard and scored.effect.log_own is None and tally.hits > _FORETOLD * tally.excused > 0:
            yield scored.excusing_none()


def _joined_always(scored: Scored, rows: Rows, evidence: Evidence) -> Scored:
    """The same with nothing against it but reads that show its lanes apart: whatever else is wrong of them, a chip
    behind it may have given. Lanes of the bus itself cannot differ, whatever is known to be wrong of one of them."""
    apart = lanes_apart(scored, rows)
    c, traffic = scored.candidate, evidence.traffic
    if traffic is not None and c.scope == "bus":
        one, other = bits_of(c.lanes)
        apart = max(apart, int(traffic.differ[list(c.regions), 0, one, other].sum()))
    tally = scored.effect.tally._replace(misses=apart, other=0)
    return replace(scored, effect=replace(scored.effect, tally=tally))


def regions_told(given: Iterable[Path]) -> set[int]:
    """Regions of whose clipped selects a set speaks already: what they show is said once, though it may fit several
    faults of a decoder, or a clip that is off."""
    return {r for path in given if _tells_of_selects(path) for r in path.regions}


def _tells_of_selects(path: Path) -> bool:
    if isinstance(path, Innocent):
        return path.rival.scope == "clip"
    return isinstance(path, PathFaultState) and path.scored.candidate.scope == "decoder"


def judged_again(path: Path, study: Study, rows: Rows, given: Sequence[Path]) -> Path | None:
    """The same fault in the same way of failing, with what other rows say of it; None where they leave it no part.

    A fault's weight holds for the rows that it was judged on: those that the faults before it in its set left over.
    """
    if not isinstance(path, PathFaultState):
        return path
    scored = path.scored
    if is_last_resort(path):
        found = [
            PathFaultState(one, log_prior_of_shared(one.candidate.prior) + own, study)
            for one, own in strange_drivers(study, rows)
        ]
    else:
        blind = path.blind
        if isinstance(blind, Aside) and not blind.is_told(lanes_at_times(given)):
            blind = None  # the fault of those lanes is not in the set any more
        seen = rows if blind is None else blind.feed(rows)
        found = judged(study, [scored.candidate], study.survey([seen]), seen, given, blind, rows)
    same = (one for one in found if one.key == path.key and _way(one.scored) == _way(scored))
    return next((one.with_gain_of(path) for one in same), None)


def other_names(
    path: PathFaultState, study: Study, rows: Rows, given: Sequence[Path]
) -> list[PathFaultState]:
    """The same fault of the same lanes or lines in the same way of failing, of other parts that have a part in just
    the same reads, so that what was judged after it holds after them. The first of such names is followed when a set
    grows, and the others would be forgotten."""
    scored = path.scored
    c, blind = scored.candidate, path.blind
    seen = rows if blind is None else blind.feed(rows)
    survey = study.survey([seen])
    taken = {one.key[:-1] for one in (path, *given)}
    alike = [
        one
        for one in listed_faults(study.card_as_seen).shared(survey.lanes(), likely_pairs(study, seen))
        if kind_of(one) == kind_of(c) and one.key not in taken and set(one.regions) & set(c.regions)
    ]
    found = judged(study, alike, survey, seen, given, blind, rows)

    def acts(one: Scored) -> tuple[object, ...]:
        return one.hard, *_way(one), one.effect.hash_, one.covers

    return [one.with_gain_of(path) for one in found if acts(one.scored) == acts(scored)]


def beside_own(
    path: PathFaultState, study: Study, rows: Rows, given: Sequence[Path], own: NotLookedAt
) -> list[PathFaultState]:
    """The same fault, its excuses given or not, without what some chips explain by themselves, or without them."""
    seen = own.feed(rows)
    found = judged(study, [path.scored.candidate], study.survey([seen]), seen, given, own, rows)
    return [one for one in found if one.key == path.key and one.scored.variant == path.scored.variant]


def _way(scored: Scored) -> tuple[object, ...]:
    return scored.variant.label, scored.path, scored.strict


def one_of(path: Path) -> tuple[object, ...]:
    """What makes it one thing outside the chips in one way of failing, on whatever reads it was judged."""
    if not isinstance(path, PathFaultState):
        return path.key
    return path.key, path.scored.variant.label, path.scored.path


class _WrongReads:
    """How many there are on some lanes in some regions: many candidates hurt the same ones."""

    def __init__(self, survey: Survey) -> None:
        self._masks = survey.masks
        self._counted: dict[tuple[int, int], int] = {}

    def at(self, scored: Scored) -> int:
        """Wrong reads on its lanes in the regions that it hurts in this way of failing."""
        lanes = scored.candidate.mask
        return sum(self._in(region, lanes) for region in scored.variant.behaviour.regions)

    def _in(self, region: int, lanes: int) -> int:
        if (region, lanes) not in self._counted:
            often = sum(n for mask, n in self._masks.get(region, ()) if mask & lanes)
            self._counted[region, lanes] = often
        return self._counted[region, lanes]


def _own(scored: Scored, more: Iterable[tuple[int, float]], wrong: int) -> float:
    """Of a fault that acts always the misses stay in the rows, for the chips to be charged with, unless it hides them;
    then whatever it does not foretell of the ``wrong`` reads on its lanes is a stray that no chip can be charged with.
    """
    more = tuple(more)
    tally = scored.effect.tally
    strays = 0
    if scored.hard and hides(scored) and not shorts(scored):
        strays = max(0, wrong - tally.hits - tally.other)
    if scored.hard and not hides(scored):
        each = [log_rate(0, n, (1.0e4, 1.0)) + ratio for n, ratio in more]
        own = scored.effect.log_contents
        own = -scored.effect.tally.unsure_bits * LN2 if own is None else own
        return own + log_sum(each)
    bits = scored.candidate.mask.bit_count()
    own = log_sum([log_own(scored, bits, n) + ratio for n, ratio in more])
    if scored.hard:
        own -= tally.other * math.log(2.0**bits - 1.0)  # a wrong read that it does not foretell shows any pattern
    return own + log_noise(strays, tally.hits + tally.misses + strays, bits)


def seen_by_checks(study: Study) -> list[PathFaultState]:
    """Faults that clipped lines show although every read came back right (exchanged selects do not hurt memory)."""
    checks = study.evidence.checks
    if checks is None or max(checks.likelihood_ratios.values(), default=0.0) <= 1.0:
        return []  # every clipped line was seen right: nothing to propose
    named = {key[3] for key, ratio in checks.likelihood_ratios.items() if key[1] in ("decoder", None) and ratio > 1.0}
    everywhere = {region.index: region.mask for region in study.card.regions}
    told = [r.index for r in study.card.regions if r.compared and (r.name in named or None in named)]
    pairs = [(a, b) for a in told for b in study.card.compared if a != b]
    found = []
    for c in listed_faults(study.card).shared(everywhere, pairs):
        if c.scope not in ("decoder", "buffer"):
            continue
        ratio = checked(study.evidence, c)
        if ratio > _SEEN:
            odds = log_prior_of_shared(c.prior)
            found.append(PathFaultState(Scored(c, c.variants[0], True, NOTHING), odds + ratio, study))
    return sorted(found, key=lambda s: -s.log_weight)


def _elsewhere(evidence: Evidence, candidate: Candidate) -> tuple[tuple[int, float], ...]:
    """(missed chances, log likelihood ratio) that transfers outside the compared reads add to a bus fault.

    Three ways, with their shares: the fault hurts reads of the board's regions only
    (the lane's contact at the card's edge), all reads (it sits at the
    processor's receiver), or every transfer, writes included. In the last
    case not one write may show the level that cannot be, nor one read of a ROM
    or outside the regions in either; that so many would lack it by chance has a
    probability of its own, with a Beta(½, ½) prior on how often the lane is high.
    """
    traffic = evidence.traffic
    if traffic is None or candidate.scope != "bus":
        return ((0, 0.0),)
    lanes = bits_of(candidate.lanes)
    both = traffic.high[..., lanes[0]] + traffic.low[..., lanes[0]]
    if candidate.fault == "bridged":
        count = traffic.differ[..., lanes[0], lanes[1]]
    elif candidate.fault == "stuck-low":
        count = traffic.high[..., lanes[0]]
    else:
        count = traffic.low[..., lanes[0]]
    fixed = [-1, *(i for i, region in enumerate(evidence.board.regions) if region.kind != "ram")]
    outside, written = int(count[-1, 0]), int(count[:, 1].sum())
    unread = 0.0 if count[fixed, 0].sum() else -log_rate(int(both[fixed, 0].sum()), 0, (0.5, 0.5))
    unwritten = 0.0 if written else -log_rate(int(both[:, 1].sum()), 0, (0.5, 0.5))
    edge, reads, every = (math.log(float(priors()["beyond_edge"][way])) for way in ("edge", "reads", "all"))
    return (0, edge), (outside, reads + unread), (outside + written, every + unread + unwritten)
