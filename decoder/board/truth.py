"""Truth tables: from rows of H, L and X as printed to an array that answers every input."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["expand_rows", "join_sections"]

MOST_INPUTS = 16


def _split(row: str, n_inputs: int, n_outputs: int) -> tuple[str, str]:
    left, bar, right = row.partition("|")
    inputs, outputs = "".join(left.split()), "".join(right.split())
    if not bar or len(inputs) != n_inputs or len(outputs) != n_outputs:
        raise ValueError(f'row "{row}" needs {n_inputs} inputs, a bar and {n_outputs} outputs')
    if set(inputs) - set("HLX") or set(outputs) - set("HL"):
        raise ValueError(f'row "{row}" may hold only H, L and (among the inputs) X')
    return inputs, outputs


def expand_rows(n_inputs: int, n_outputs: int, rows: Sequence[str]) -> NDArray[np.uint32]:
    """uint32, shape (2**n_inputs,): index bit k = level of input column k, value bit j = output column j.

    Raises ValueError where two rows contradict each other or no row covers an
    input: a table copied wrongly must not be believed.
    """
    if n_inputs > MOST_INPUTS:
        raise ValueError(f"{n_inputs} inputs; at most {MOST_INPUTS} are handled")
    index = np.arange(1 << n_inputs, dtype=np.uint32)
    table = np.zeros(index.shape, np.uint32)
    covered = np.zeros(index.shape, np.bool_)
    for row in rows:
        inputs, outputs = _split(row, n_inputs, n_outputs)
        care = sum(1 << k for k, mark in enumerate(inputs) if mark != "X")
        want = sum(1 << k for k, mark in enumerate(inputs) if mark == "H")
        value = sum(1 << j for j, mark in enumerate(outputs) if mark == "H")
        here = (index & np.uint32(care)) == want
        if bool(np.any(covered & here & (table != value))):
            raise ValueError(f'row "{row}" contradicts an earlier one')
        table[here] = value
        covered |= here
    if not bool(covered.all()):
        missing = int(index[~covered][0])
        raise ValueError(f"no row covers the inputs {missing:0{n_inputs}b} (last column first)")
    return table


def join_sections(
    inputs: Sequence[str], sections: Sequence[tuple[Sequence[str], int, NDArray[np.uint32]]]
) -> NDArray[np.uint32]:
    """One lookup over all ``inputs`` from sections (their inputs, number of outputs, their lookup).

    Outputs follow each other in the order of the sections.
    """
    index = np.arange(1 << len(inputs), dtype=np.uint32)
    joined = np.zeros(index.shape, np.uint32)
    shift = 0
    for own, n_outputs, lookup in sections:
        row = np.zeros(index.shape, np.uint32)
        for k, pin in enumerate(own):
            row |= ((index >> np.uint32(inputs.index(pin))) & np.uint32(1)) << np.uint32(k)
        joined |= lookup[row] << np.uint32(shift)
        shift += n_outputs
    return joined
