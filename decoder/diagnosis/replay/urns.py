"""Values that come again and again: the likelier, the oftener they came before."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.special_functions import gammaln

__all__ = ["log_urn", "log_urn_of"]


def log_urn(seen: NDArray[np.uint32], kinds: float) -> float:
    """Log probability of a row of values out of ``kinds``, those seen before being likelier.

    A Pólya urn: a Dirichlet prior of weight one over all of them (Blackwell and MacQueen, Annals of Statistics 1,
    1973, p. 353, from memory).
    """
    return log_urn_of(np.unique(seen, return_counts=True)[1], kinds)


def log_urn_of(often: NDArray[np.int64], kinds: float) -> float:
    """The same of counts: how often each value came, those that never did left out or 0."""
    each = 1.0 / kinds
    return float((gammaln(often + each) - gammaln(each)).sum() - gammaln(often.sum() + 1.0))
