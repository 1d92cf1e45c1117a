"""How likely a region takes no writes, by a fault of its wiring or of its one chip."""

from __future__ import annotations

import math

from busledger.decoder.diagnosis.faults.candidate import priors
from busledger.decoder.diagnosis.faults.candidates import log_prior_of_shared, total_weight
from busledger.decoder.diagnosis.faults.kinds import KINDS, ON_CARD

__all__ = ["log_prior_at_times", "log_prior_never_written"]


def log_prior_never_written(regions: int, *, one_chip: bool = False) -> float:
    """Log of the chance that one region of ``regions`` takes no write at all, for a fault: of its wiring, or of the
    ``one_chip`` that has all of its lanes (its share of priors.toml's ``[leaf]``)."""
    return _log_prior_of_lost_writes(regions, math.log(float(priors()["belief"]["hard"])), one_chip)


def log_prior_at_times(regions: int, *, one_chip: bool = False) -> float:
    """As ``log_prior_never_written``, of one that takes writes at times only."""
    return _log_prior_of_lost_writes(regions, math.log1p(-float(priors()["belief"]["hard"])), one_chip)


def _log_prior_of_lost_writes(regions: int, log_so: float, one_chip: bool) -> float:
    """``log_so``: log of the chance that a fault acts so."""
    found = _log_prior_of_a_row(regions)
    if one_chip:
        table = priors()["leaf"]
        bad, sound = (float(v) for v in table["bad_share"])
        of_chips = sum(kind.weight("chip") for kind in ON_CARD if "chip" in kind.scopes)
        share = float(table["share"]["listed"]) * KINDS["write-lost"].weight("chip") / of_chips
        found = math.log(math.exp(found) + bad / (bad + sound) * share)
    return found + log_so


def _log_prior_of_a_row(regions: int) -> float:
    return log_prior_of_shared(KINDS["write-lost"].weight("region") / total_weight() / max(1, regions))
