"""The diagnosis: every part's chance of being bad, and the places where something is wrong.

Shared faults outside, chips inside (``card``); sets of shared faults are searched (``search``), normalised and turned
into marginals and places (``posterior``), and put into words (``suspects``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from busledger.decoder.diagnosis.account import LEAST_ACCUSED, account_for
from busledger.decoder.diagnosis.card import Card
from busledger.decoder.diagnosis.clipped import log_clipped
from busledger.decoder.diagnosis.evidence import Diagnosis, Evidence
from busledger.decoder.diagnosis.faults.candidates import log_prior_of_shared
from busledger.decoder.diagnosis.next_steps import next_steps
from busledger.decoder.diagnosis.path import Innocent, PathFaultState
from busledger.decoder.diagnosis.paths import seen_by_checks
from busledger.decoder.diagnosis.posterior import Item, Place, posterior
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.diagnosis.rivals import find_rivals, rings_at_all
from busledger.decoder.diagnosis.search import search
from busledger.decoder.diagnosis.suspects import slots_of, suspects_of
from busledger.decoder.findings import Cleared, Part, Suspect
from busledger.decoder.progress import Progress, silent

__all__ = ["diagnose"]

_TINY = 1e-3
_SEEN_AT_MOST = 4  # faults told that only clipped lines show


def diagnose(evidence: Evidence, progress: Progress = silent) -> Diagnosis:
    """Name the faulty parts that the capture's mismatches speak of.

    Raises
    ------
    OutputError
        the access log's temporary file cannot be read back.
    """
    study = Study(evidence)
    places, parts, left, nothing = _weighed(study, progress)
    suspects = suspects_of(study, places)
    account = account_for(evidence, suspects, progress)
    return Diagnosis(
        suspects=suspects,
        parts=parts,
        unexplained=left,
        cleared=(*account.cleared, *_seen_working(evidence, suspects)),
        coverage=account.coverage,
        next_steps=next_steps(evidence, study.card, slots_of(places)),
        intermittence=account.intermittence,
        none_of_these=nothing,
    )


def _weighed(study: Study, progress: Progress) -> tuple[Sequence[Place], tuple[Part, ...], int, float]:
    shown = seen_by_checks(study)
    if study.evidence.all_agree and not shown:
        return (), (), 0, 0.0
    progress("weighing suspects", 0, None, "sets of faults")
    rows = study.rows()
    if not rows.wrong.any():
        return _only_seen(study, rows, shown), (), 0, 0.0
    card = Card(study, rows)
    everywhere = tuple(r.index for r in study.card.regions)
    rivals = find_rivals(study, study.survey([rows]))
    innocent = [Innocent(rival, everywhere) for rival in rivals if rival.explains or rival.log_own > 0.0]
    found = posterior(card, search(card, innocent, progress))
    parts = tuple(Part(component=p.component, bad=p.bad, fault=p.fault, share=p.share) for p in found.parts)
    return found.places, parts, found.unexplained, found.nothing


def _only_seen(study: Study, rows: Rows, shown: Sequence[PathFaultState]) -> list[Place]:
    """No read went wrong, and yet clipped lines show a fault: each candidate's share of what they say, and that of a
    clip that is off, where the region answers rightly although its select is never seen; nothing where the recording is
    known to be amiss."""
    if not shown or study.evidence.exchanged is not None or rings_at_all(study.evidence):
        return []
    everywhere = tuple(r.index for r in study.card.regions)
    faults = [replace(s, log_weight=s.log_weight + log_clipped(s.scored, rows)) for s in shown]
    rivals = find_rivals(study, study.survey([rows]))
    of_clips = [rival for rival in rivals if rival.scope == "clip"]
    clips = [Innocent(rival, everywhere) for rival in of_clips if rival.region is not None or rival.log_seen > 0.0]
    # That all is well but for those lines is as unlikely as what the checks say of them.
    seen = max(s.log_weight - log_prior_of_shared(s.scored.candidate.prior) for s in shown)
    clipped = [c.log_weight + c.rival.log_seen for c in clips]
    weights = [*(s.log_weight for s in faults), *clipped]
    total = log_sum([*weights, -seen if clips else 0.0])
    items = [
        Item(s.scored, math.exp(s.log_weight - total), path=s, regions=frozenset(s.regions), mask=s.mask)
        for s in faults[:_SEEN_AT_MOST]
    ]
    items += [
        Item(None, math.exp(log - total), path=c, regions=frozenset(c.regions))
        for c, log in zip(clips, clipped, strict=True)
    ]
    items = sorted((item for item in items if item.probability > _TINY), key=lambda item: -item.probability)
    # Two outputs of one decoder that may be gone are one part to look at.
    sure = sum(i.probability for i in items if i is items[0] or _same_part(i, items[0]))
    return [Place(items)] if sure >= 0.5 else []


def _same_part(one: Item, other: Item) -> bool:
    names = [item.fault.candidate.component for item in (one, other) if item.fault is not None]
    return len(names) == 2 and names[0] is not None and names[0] == names[1]


def _seen_working(evidence: Evidence, suspects: Sequence[Suspect]) -> list[Cleared]:
    """Parts that the checks saw working, but for those that a suspect accuses all the same."""
    if evidence.checks is None:
        return []
    accused = {s.component for s in suspects if s.probability >= LEAST_ACCUSED}
    return [one for one in evidence.checks.cleared if one.component not in accused]
