"""A published multiple-fault diagnosis, worked from first principles and again in the frame of `brute_force`.

Source: J. de Kleer and B. C. Williams, "Diagnosing multiple faults", Artificial Intelligence 32 (1987) 97-130. Three
multipliers and two adders:

    A = 3, B = 2, C = 2, D = 3, E = 3
    M1: X = A * C      M2: Y = B * D      M3: Z = C * E
    A1: F = X + Y      A2: G = Y + Z
    observed: F = 10 (12 expected), G = 12 (as expected)

What was read when this file was written: the circuit's values, both observations and the diagnosis {A2, M2}, in
B. C. Williams's lecture "Conflict-directed Diagnosis and Probabilistic Mode Estimation" (MIT 16.412J/6.834J, 10 March
2004); and what a probe of X leaves (X = 4: {M1}; X = 6: {A1}, {M2, M3}, {A2, M2}; conflicts then {A1, M2} and
{A1, A2, M3}), in a University of Edinburgh lecture on knowledge engineering. FROM MEMORY of the paper, not read again:
the bibliographic details, the assignment of the inputs to the multipliers, the list of minimal conflicts <A1, M1, M2>
and <A1, A2, M1, M3>, the list of minimal candidates [A1], [M1], [A2, M2], [M2, M3], and the rule that an observation
which a candidate does not predict has probability 1/m, m being how many values the quantity can take. No posterior
figure is quoted from the paper: the figures here are computed. The lists are computed too, so memory is only what they
are compared with. Failure probability 0.01 for every component.

Why it fits the frame. M2 feeds both outputs: it is the path. Given its output Y, the pair M1 and A1 (which make F) and
the pair M3 and A2 (which make G) are independent: they are the leaves. Components here fail independently with a known
probability, the limit of a Beta prior with a large a + b. Values are taken modulo m = 16 and the output of a bad
component is any value alike, which makes the 1/m rule exact.
"""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

from tests.reference.brute_force import SOUND, ChipState, Marginals, marginals, marginals_poly

Parts = frozenset[str]

COMPONENTS = ("A1", "A2", "M1", "M2", "M3")
P_BAD = 0.01
VALUES = 16
X, Y, Z, F, G = 6, 6, 6, 10, 12  # what the multipliers should give; what the adders were seen to give

MINIMAL_CONFLICTS = {frozenset({"A1", "M1", "M2"}), frozenset({"A1", "A2", "M1", "M3"})}
MINIMAL_DIAGNOSES = {frozenset({"A1"}), frozenset({"M1"}), frozenset({"A2", "M2"}), frozenset({"M2", "M3"})}

EQUATIONS: dict[str, tuple[tuple[int, int, int], int]] = {
    "M1": ((1, 0, 0), X),
    "M2": ((0, 1, 0), Y),
    "M3": ((0, 0, 1), Z),
    "A1": ((1, 1, 0), F),
    "A2": ((0, 1, 1), G),
}
"""What each component, working, says of the unknown levels X, Y, Z: coefficients and their sum."""


def consistent(working: Parts, probes: dict[str, int] | None = None) -> bool:
    """Whether all these components can be working at once, given what was seen (elimination in exact fractions)."""
    rows = [[Fraction(c) for c in (*EQUATIONS[name][0], EQUATIONS[name][1])] for name in sorted(working)]
    for name, level in (probes or {}).items():
        rows.append([Fraction(name == other) for other in "XYZ"] + [Fraction(level)])
    for column in range(3):
        pivot = next((row for row in rows if row[column]), None)
        if pivot is None:
            continue
        rest = [row for row in rows if row is not pivot]
        rows = [[a - b * row[column] / pivot[column] for a, b in zip(row, pivot, strict=True)] for row in rest]
    return all(row[3] == 0 for row in rows)


def subsets() -> list[Parts]:
    """All sets of components, small ones first."""
    return [frozenset(which) for size in range(6) for which in itertools.combinations(COMPONENTS, size)]


def minimal(sets: list[Parts]) -> set[Parts]:
    """Those that contain no other."""
    return {one for one in sets if not any(other < one for other in sets)}


def minimal_conflicts(probes: dict[str, int] | None = None) -> set[Parts]:
    """Smallest sets of components that cannot all be working."""
    return minimal([parts for parts in subsets() if not consistent(parts, probes)])


def minimal_diagnoses(probes: dict[str, int] | None = None) -> set[Parts]:
    """Smallest sets of bad components that leave the others consistent with what was seen."""
    return minimal([parts for parts in subsets() if consistent(frozenset(COMPONENTS) - parts, probes)])


def posterior() -> dict[Parts, float]:
    """P(exactly these components are bad | F, G) by the paper's rule: prior times 1/m per output left unpredicted."""
    weights: dict[Parts, float] = {}
    for bad in subsets():
        weight = P_BAD ** len(bad) * (1 - P_BAD) ** (len(COMPONENTS) - len(bad))
        for makers, predicted, observed in (({"M1", "M2", "A1"}, X + Y, F), ({"M2", "M3", "A2"}, Y + Z, G)):
            if bad & makers:
                weight /= VALUES
            elif predicted != observed:
                weight = 0.0
        if not consistent(frozenset(COMPONENTS) - bad):  # the outputs taken together, as a conflict of all five shows
            weight = 0.0
        weights[bad] = weight
    total = math.fsum(weights.values())
    return {bad: weight / total for bad, weight in weights.items()}


def _leaf(other: int, y: int, observed: int) -> list[float]:
    """log likelihoods of an output for: pair sound, its multiplier bad, its adder bad, both bad."""
    fits = (other + y - observed) % VALUES == 0
    return [0.0 if fits else -math.inf] + [-math.log(VALUES)] * 3


def in_the_card_frame(exact: bool = True) -> dict[str, float]:
    """P(component is bad | F, G), with M2 as the path and the two pairs as chips of `brute_force`."""
    q = 1 - P_BAD
    paths = ["M2 sound"] + [f"M2 bad, Y = {y}" for y in range(VALUES)]
    priors = [q] + [P_BAD / VALUES] * VALUES
    levels = [Y, *range(VALUES)]
    pair = [SOUND, ChipState("multiplier", P_BAD * q), ChipState("adder", q * P_BAD), ChipState("both", P_BAD**2)]
    loglik = [[_leaf(X, y, F), _leaf(Z, y, G)] for y in levels]
    share_bad, sharpness = 1 - q**2, 1e6  # a Beta so narrow that the share of bad pairs is known
    beta = (share_bad * sharpness, (1 - share_bad) * sharpness)
    method = marginals if exact else marginals_poly
    result: Marginals = method(paths, [pair, pair], loglik, beta, priors)
    left, right = result.chip_state
    return {
        "A1": left[2] + left[3],
        "A2": right[2] + right[3],
        "M1": left[1] + left[3],
        "M2": 1 - result.path[0],
        "M3": right[1] + right[3],
    }


def main() -> None:
    """Print the example."""
    for title, sets in (("minimal conflicts", minimal_conflicts()), ("minimal diagnoses", minimal_diagnoses())):
        print(f"{title}: {', '.join('[' + ', '.join(sorted(parts)) + ']' for parts in sorted(sets, key=sorted))}")
    after = posterior()
    print("bad, and nothing else bad:")
    for parts in sorted(after, key=lambda parts: (-after[parts], sorted(parts)))[:10]:
        print(f"  {after[parts]:.6f}  [{', '.join(sorted(parts))}]")
    frame = in_the_card_frame()
    print("bad, whatever else is:            by candidates   in the card frame")
    for name in COMPONENTS:
        by_candidates = math.fsum(p for parts, p in after.items() if name in parts)
        print(f"  {name:30s}  {by_candidates:.6f}        {frame[name]:.6f}")


if __name__ == "__main__":
    main()
