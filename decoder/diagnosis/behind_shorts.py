"""Address lines that are bad behind lanes which are joined: where their data go by the address in the joined lanes.

A short takes most of what its lanes show, so that the line leaves a trace only where its own lane decides the joined
level, and none elsewhere. Judged after the short it would have to answer for all that the short did to it; judged
before, on the other lanes alone, it shows nothing. It is taken as it stands where those lanes do not speak against it,
and the short is judged on what memory gives then.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.faults.candidates import listed_faults
from busledger.decoder.diagnosis.overlay import Blind, shorts
from busledger.decoder.diagnosis.path import Path, PathFaultState
from busledger.decoder.diagnosis.paths import judged
from busledger.decoder.diagnosis.replay.likely_pairs import likely_pairs
from busledger.decoder.diagnosis.reviewing import rebuilt, with_path

__all__ = ["behind_shorts"]

_LINES = ("address-stuck", "address-bridged")
_TRIED = 12  # a bound of work: lines that the other lanes let pass, those of the fewest bits of unknown contents first


def behind_shorts(card: Card, state: CardState, most_work: float = math.inf) -> list[CardState]:
    """The set with an address line before each of its shorts, and the short judged again after it. ``most_work``: chips
    weighed again (see Card.work) after which no more is tried."""
    found: list[CardState] = []
    for path in state.paths if state.rows.wrong.any() else ():
        if not isinstance(path, PathFaultState) or not shorts(path.scored):
            continue
        left = rebuilt(card, [other for other in state.paths if other is not path])
        if left is None:
            continue
        for line in _lines(card, state, left, path):
            if card.work > most_work:
                return found
            now = with_path(card, card.weigh((*left.paths, line)), path)
            if now is not None:
                found.append(now)
    return found


def _lines(card: Card, state: CardState, left: CardState, short: PathFaultState) -> Sequence[Path]:
    """Address lines on the path of what the set leaves that the lanes beside the short do not refute."""
    study = card.study
    blind = Blind(dict.fromkeys(short.regions, short.mask), len(study.card.regions))
    asked = listed_faults(study.card_as_seen).shared(
        study.survey([state.rows]).lanes(), likely_pairs(study, state.rows)
    )
    asked = [c for c in asked if c.fault in _LINES]
    seen = blind.feed(left.rows)
    judged_so = judged(study, asked, study.survey([seen]), seen, left.paths, blind, left.rows, unseen=True)
    able = [line for line in judged_so if line.scored.hard and not line.scored.effect.tally.misses]
    return sorted(able, key=lambda line: -line.log_weight)[:_TRIED]
