"""Special functions that are loaded without scipy's door are scipy's, to the last bit.

Expected values are those of ``scipy.special``; that sums of exponentials and nodes agree in every bit is asked because
answers are printed with all their digits.
"""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
import scipy.special
from hypothesis import given
from hypothesis import strategies as st

from busledger.decoder import special_functions
from busledger.decoder.special_functions import logsumexp, roots_jacobi

logs = st.lists(st.floats(-1e4, 1e4) | st.just(-np.inf), min_size=1, max_size=30)


@pytest.mark.parametrize("name", ["betaincinv", "betaln", "chdtrc", "gammaln", "ndtr", "ndtri"])
def test_each_is_that_of_scipy(name: str) -> None:
    assert getattr(special_functions, name) is getattr(scipy.special, name)


@given(logs)
def test_a_sum_of_exponentials_is_that_of_scipy(values: list[float]) -> None:
    column = np.array(values)
    assert logsumexp(column) == scipy.special.logsumexp(column)
    table = np.stack([column, column[::-1]])
    assert (logsumexp(table, axis=0) == scipy.special.logsumexp(table, axis=0)).all()


@pytest.mark.parametrize("n", [1, 2, 3, 7, 33, 128])
def test_nodes_are_those_of_scipy(n: int) -> None:
    ours, theirs = roots_jacobi(n, 17.0, -0.4), scipy.special.roots_jacobi(n, 17.0, -0.4)
    assert np.allclose(ours[0], theirs[0], rtol=1e-13, atol=0.0) and np.allclose(ours[1], theirs[1], rtol=1e-11)


def test_scipys_door_still_opens_behind_it_and_stays_shut_until_then() -> None:
    code = (
        "import sys\nfrom busledger.decoder.special_functions import betaln\nbefore = 'scipy.special' in sys.modules\n"
        "import scipy.special\nprint(before, scipy.special.betaln is betaln, scipy.special.expit(0.0))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["False", "True", "0.5"]
