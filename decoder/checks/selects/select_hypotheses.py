"""Which single fault of a decoder would make its outputs as they were seen.

Each hypothesis is another truth table. It is judged on every settled moment: it
must allow what the healthy table does not (explained), and it is held against
it where it forbids what was right (contradicted) or leaves wrong what was wrong
(stray). With a share r = explained / (explained + contradicted) of the chances
taken, the logarithm of its likelihood is
``explained ln r + contradicted ln(1 - r) + stray ln STRAY``, the binomial
maximum; so a hard fault and one that comes and goes are weighed alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.checks.selects.networks import Network

__all__ = ["Explanation", "Hypothesis", "explain", "hypotheses"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
STRAY = 1e-3
"""A settled moment in which a clip shows the wrong level: one in a thousand is generous (judged; shared/cards show one
in a few thousand cycles)."""
TIE = 1.0
"""Explanations whose log likelihoods lie this close are told together: odds under 3 to 1 choose none (judged)."""
MOST_FAULTS = 3
"""Of one decoder; more are told as a decoder that follows no table."""
ANOTHER = 5.0
"""What a further fault must gain in log likelihood to be believed: the logarithm of how many are tried, 170 for a
74LS138 with six inputs and eight outputs clipped (ln 170 = 5.1)."""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """``table`` as ``Network.table`` with the fault built in; ``lines`` are the lines the fault is on."""

    code: str
    text: str
    lines: tuple[str, ...]
    table: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Explanation:
    """The best hypothesis for some of what was wrong; ``others`` fit as well."""

    hypothesis: Hypothesis
    explained: int
    contradicted: int
    others: tuple[Hypothesis, ...]


def hypotheses(network: Network) -> Iterator[Hypothesis]:
    """Every single fault that is tried, the most telling first."""
    yield from _output_faults(network)
    yield from _input_faults(network)


def _named(network: Network, j: int) -> str:
    pin, line = network.outputs[j]
    return f"{line} ({network.designator} pin {pin})"


def _put(table: NDArray[np.int64], j: int, level: NDArray[np.int64] | int) -> NDArray[np.int64]:
    return (table & ~np.int64(1 << j)) | (level << j)


def _output_faults(network: Network) -> Iterator[Hypothesis]:
    table, n_out = network.table, len(network.outputs)
    bit: Callable[[int], NDArray[np.int64]] = lambda j: (table >> j) & 1  # noqa: E731
    for j in range(n_out):
        idle = (network.idle >> j) & 1
        line = (network.outputs[j][1],)
        yield Hypothesis("output-missing", f"{_named(network, j)} does not come", line, _put(table, j, idle))
        yield Hypothesis(
            "output-stuck-active",
            f"{_named(network, j)} is active whatever the inputs are",
            line,
            _put(table, j, 1 - idle),
        )
    for i, j in combinations(range(n_out), 2):
        lines = (network.outputs[i][1], network.outputs[j][1])
        swapped = _put(_put(table, i, bit(j)), j, bit(i))
        yield Hypothesis(
            "outputs-swapped", f"{_named(network, i)} and {_named(network, j)} are exchanged", lines, swapped
        )
    for i in range(n_out):
        for j in range(n_out):
            if i == j:
                continue
            # Active where either is called for.
            low = (network.idle >> i) & 1
            both = bit(i) & bit(j) if low else bit(i) | bit(j)
            lines = (network.outputs[i][1], network.outputs[j][1])
            text = f"{_named(network, i)} also comes when {lines[1]} is called for"
            yield Hypothesis("output-extra", text, lines, _put(table, i, both))
    for i, j in combinations(range(n_out), 2):
        both = bit(i) & bit(j)
        lines = (network.outputs[i][1], network.outputs[j][1])
        text = f"{lines[0]} and {lines[1]} are shorted: either brings both"
        yield Hypothesis("outputs-bridged", text, lines, _put(_put(table, i, both), j, both))


def _input_faults(network: Network) -> Iterator[Hypothesis]:
    n_in = len(network.inputs)
    index = np.arange(1 << n_in, dtype=np.int64)

    def called(k: int) -> str:
        pin = network.pins[k]
        return f"{network.designator} pin {pin} ({network.inputs[k]})" if pin else network.inputs[k]

    for k in range(n_in):
        for level, word in ((1, "high"), (0, "low")):
            row = (index & ~np.int64(1 << k)) | (level << k)
            why = "open or stuck" if level else "stuck"
            text = f"{called(k)} is taken as {word} whatever it is: {why}"
            yield Hypothesis("input-wrong", text, (network.inputs[k],), network.table[row])
    for i, k in combinations(range(n_in), 2):
        lines = (network.inputs[i], network.inputs[k])
        a, b = (index >> i) & 1, (index >> k) & 1
        rest = index & ~np.int64((1 << i) | (1 << k))
        swapped = rest | (b << i) | (a << k)
        yield Hypothesis("inputs-swapped", f"{called(i)} and {called(k)} are exchanged", lines, network.table[swapped])
        both = rest | ((a & b) << i) | ((a & b) << k)
        text = f"{called(i)} and {called(k)} are shorted: both low when either is"
        yield Hypothesis("inputs-bridged", text, lines, network.table[both])


def explain(network: Network, seen: NDArray[np.int64]) -> tuple[list[Explanation], int]:
    """Explanations for what the table does not allow, the best first, and how much stays unexplained.

    ``seen``: int64, shape (rows, outputs, 2): how often each output was low and high in each row.
    """
    allowed = _allows(network, network.table)
    good, bad = seen * allowed, seen * ~allowed
    total = int(bad.sum())
    if not total:
        return [], 0
    tried = [(h, _allows(network, h.table)) for h in hypotheses(network)]
    apart = _output_by_output(network, tried, good, bad)
    found: list[Explanation] = []
    while len(found) < MOST_FAULTS:
        best = _best(tried, good, bad)
        if best is None:
            break
        if not found and apart is not None and apart[0] > best[0]:
            return apart[1], apart[2]
        _, explanation, allows = best
        found.append(explanation)
        bad = bad * ~allows
        if int(bad.sum()) <= 0.02 * total:
            break
    return found, int(bad.sum())


_Tried = list[tuple[Hypothesis, NDArray[np.bool_]]]


def _best(
    tried: _Tried, good: NDArray[np.int64], bad: NDArray[np.int64]
) -> tuple[float, Explanation, NDArray[np.bool_]] | None:
    """(log likelihood, explanation, what it allows) of the one that fits best; None if none explains any."""
    scored = []
    for hypothesis, allows in tried:
        explained = int((bad * allows).sum())
        if explained:
            contradicted = int((good * ~allows).sum())
            score = _score(explained, contradicted, int(bad.sum()) - explained)
            scored.append((score, explained, contradicted, hypothesis, allows))
    if not scored:
        return None
    top = max(one[0] for one in scored)
    tied = [one for one in scored if one[0] >= top - TIE]
    _, explained, contradicted, hypothesis, allows = tied[0]
    return top, Explanation(hypothesis, explained, contradicted, tuple(one[3] for one in tied[1:])), allows


def _output_by_output(
    network: Network, tried: _Tried, good: NDArray[np.int64], bad: NDArray[np.int64]
) -> tuple[float, list[Explanation], int] | None:
    """One fault for each wrong output by itself, as several broken outputs or wires make them; None for one output."""
    wrong = [j for j in range(len(network.outputs)) if bad[:, j].any()]
    if not 2 <= len(wrong) <= MOST_FAULTS:
        return None
    total, left, found = -ANOTHER * (len(wrong) - 1), 0, []
    for j in wrong:
        own = [(h, a) for h, a in tried if h.code.startswith("output-") and h.lines[0] == network.outputs[j][1]]
        best = _best([(h, a[:, j : j + 1]) for h, a in own], good[:, j : j + 1], bad[:, j : j + 1])
        if best is None:
            return None
        total += best[0]
        found.append(best[1])
        left += int((bad[:, j : j + 1] * ~best[2]).sum())
    return total, sorted(found, key=lambda one: -one.explained), left


def _score(explained: int, contradicted: int, stray: int) -> float:
    share = explained / (explained + contradicted)
    score = explained * math.log(share) + stray * math.log(STRAY)
    return score + (contradicted * math.log1p(-share) if contradicted else 0.0)


def _allows(network: Network, table: NDArray[np.int64]) -> NDArray[np.bool_]:
    """bool, shape (rows, outputs, 2): whether some choice of what is not clipped gives that level."""
    n_out = len(network.outputs)
    high = np.stack([((table >> j) & 1 == 1).any(axis=1) for j in range(n_out)], axis=1)
    low = np.stack([((table >> j) & 1 == 0).any(axis=1) for j in range(n_out)], axis=1)
    for j in range(n_out):
        if (network.open_high >> j) & 1:
            low[:, j] |= high[:, j]
    return np.stack([low, high], axis=2)
