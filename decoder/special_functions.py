"""Special functions, without all that scipy loads around them.

``import scipy.special`` takes 0.13 s, most of it for arrays that are not numpy's, for linear algebra and for what it
asks numpy's every corner: a third of a check's start. The functions themselves lie in one file of machine code
(``scipy.special._ufuncs``), which is loaded alone here. Where scipy is not laid out as it is known here, its own door
is used.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from threading import RLock
from types import ModuleType
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

__all__ = ["betaincinv", "betaln", "chdtrc", "gammaln", "logsumexp", "ndtr", "ndtri", "roots_jacobi"]

Floats = NDArray[np.float64]

_DOOR = "scipy.special"
_WHOLE_MATRIX = 100  # nodes up to which loading scipy's linear algebra would take longer than it saves
_NEEDED = ("beta", "betaincinv", "betaln", "chdtrc", "eval_jacobi", "gammaln", "ndtr", "ndtri")
_lock = RLock()


class _Bare(ModuleType):
    """Stands for scipy's package while the one file is loaded; whoever got hold of it is led on to the package."""

    def __getattr__(self, name: str) -> Any:
        with _lock:  # held until the package may be loaded
            if name.startswith("__") or sys.modules.get(_DOOR) is self:
                raise AttributeError(name)
        return getattr(importlib.import_module(_DOOR), name)


def _machine_code() -> Any:
    if _DOOR not in sys.modules:
        import scipy

        bare = _Bare(_DOOR)
        bare.__path__ = [str(Path(scipy.__file__).parent / "special")]
        with _lock:
            sys.modules[_DOOR] = bare
            try:
                found = importlib.import_module(f"{_DOOR}._ufuncs")
            except (ImportError, AttributeError):
                found = None
            finally:
                del sys.modules[_DOOR]
        if all(hasattr(found, name) for name in _NEEDED):
            return found
    return importlib.import_module(_DOOR)


_code = _machine_code()
betaincinv = _code.betaincinv
betaln = _code.betaln
chdtrc = _code.chdtrc
gammaln = _code.gammaln
ndtr = _code.ndtr
ndtri = _code.ndtri


def logsumexp(logs: Floats, axis: int | None = None) -> Any:
    """Log of the sum of exponentials, over ``axis`` or over all; the greatest terms stand apart, as scipy has it.

    ``logs``: float64, none of them NaN or +inf; -inf where all along ``axis`` are.
    """
    most = np.max(logs, axis=axis, keepdims=True)
    greatest = logs == most
    with np.errstate(divide="ignore", invalid="ignore"):
        less = np.exp(np.where(greatest, -np.inf, logs) - most).sum(axis=axis, keepdims=True)
        often = greatest.sum(axis=axis, keepdims=True, dtype=np.float64)
        found = np.log1p(np.where(less == 0.0, less, less / often)) + np.log(often) + most
    found = np.squeeze(np.where(np.isneginf(most), -np.inf, found), axis=axis)
    return found[()] if found.ndim == 0 else found


def roots_jacobi(n: int, alpha: float, beta: float) -> tuple[Floats, Floats]:
    """Nodes and weights of the Gauss-Jacobi quadrature, float64[n] each: exact for polynomials of degree 2n - 1 on
    [-1, 1] under the weight (1 - x)^alpha (1 + x)^beta; alpha, beta > -1 and not equal.

    Eigenvalues of the recurrence's matrix, and a step of Newton's, as scipy's function of this name (Golub and Welsch,
    *Mathematics of Computation* 23, 1969, p. 221, from memory). Of many nodes scipy's function itself is called, which
    knows that the matrix is all but empty.
    """
    if n > _WHOLE_MATRIX:
        from scipy.special import roots_jacobi as by_scipy

        return cast(tuple[Floats, Floats], by_scipy(n, alpha, beta))
    a, b = alpha, beta
    k = np.arange(n, dtype=np.float64)
    both = 2.0 * k + a + b
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = np.where(k == 0, (b - a) / (2 + a + b), (b * b - a * a) / (both * (both + 2)))
    k, both = k[1:], both[1:]
    beside = 2.0 / both * np.sqrt((k + a) * (k + b) / (both + 1))
    beside *= np.where(k == 1, 1.0, np.sqrt(k * (k + a + b) / (both - 1)))
    x = np.linalg.eigvalsh(np.diag(middle) + np.diag(beside, 1) + np.diag(beside, -1))
    slope = 0.5 * (n + a + b + 1) * _code.eval_jacobi(n - 1, a + 1, b + 1, x)
    x = x - _code.eval_jacobi(n, a, b, x) / slope
    before = _code.eval_jacobi(n - 1, a, b, x)
    weights = 1.0 / (_middling(before) * _middling(slope))
    weights *= 2.0 ** (a + b + 1) * _code.beta(a + 1, b + 1) / weights.sum()
    return x, weights


def _middling(values: Floats) -> Floats:
    """Scaled, so that the greatest and the least are as far from 1."""
    logs = np.log(np.abs(values))
    return cast(Floats, values / np.exp((logs.max() + logs.min()) / 2.0))
