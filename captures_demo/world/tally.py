"""The benchmark's table, from outcomes as plain dictionaries."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

__all__ = ["calibration", "found", "render"]


def _share(hits: int, of: int) -> str:
    return f"{hits}/{of} {100 * hits / of:5.1f} %" if of else "-"


def found(outcome: dict[str, Any], within: int) -> bool:
    """All true parts of a card among the first ``within`` (two faults: both in the first three count as first)."""
    need = within if len(outcome["places"]) == 1 else max(3, within)
    return all(1 <= place <= need for place in outcome["places"])


def calibration(
    outcomes: Sequence[dict[str, Any]], chance_key: str = "probability", right_key: str = "right"
) -> tuple[list[tuple[int, int, float]], float | None]:
    """Ten bins of (answers, right ones, mean probability), and the Brier score."""
    bins = [[0, 0, 0.0] for _ in range(10)]
    squares = []
    for outcome in outcomes:
        if outcome[chance_key] is None:
            continue
        chance, right = float(outcome[chance_key]), bool(outcome[right_key])
        slot = bins[min(9, int(10 * chance))]
        slot[0] += 1
        slot[1] += right
        slot[2] += chance
        squares.append((chance - right) ** 2)
    table = [(int(n), int(right), total / n if n else 0.0) for n, right, total in bins]
    return table, sum(squares) / len(squares) if squares else None


def render(outcomes: Sequence[dict[str, Any]]) -> str:
    """The whole report as text."""
    lines = [f"{'':34}{'part first':>18}{'in first three':>18}{'fault named':>18}"]
    for category in ("hard", "intermittent", "double"):
        group = [o for o in outcomes if o["category"] == category]
        if not group:
            continue
        lines.append(_row(category.upper(), group))
        kinds = sorted({o["kinds"][0] for o in group}) if category != "double" else []
        lines += [_row(f"  {kind}", [o for o in group if o["kinds"][0] == kind]) for kind in kinds]
    healthy = [o for o in outcomes if o["category"] == "healthy"]
    lines.append(f"healthy cards accused: {_share(sum(o['accused'] for o in healthy), len(healthy))}")
    ties = [o for o in outcomes if any(o["tied"])]
    false_ties = sum(o["false_tie"] for o in outcomes)
    lines.append(f"found as one of several listed as tied: {len(ties)}; ties that the world can part: {false_ties}")
    disagree = [o["seed"] for o in outcomes if not o["ledger_agrees"]]
    lines.append(f"cards whose mismatch count differs from the world's own: {len(disagree)} {disagree[:5] or ''}")
    lines += _calibration_lines("the first place, tied parts together", *calibration(outcomes))
    lines += _calibration_lines("the part named first alone", *calibration(outcomes, "alone", "alone_right"))
    seconds = [o["seconds"] for o in outcomes]
    if seconds:
        ordered = sorted(seconds)
        lines.append(
            f"seconds a card: mean {sum(seconds) / len(seconds):.3f}, median {ordered[len(ordered) // 2]:.3f}, "
            f"longest {ordered[-1]:.3f}"
        )
    return "\n".join(lines)


def _calibration_lines(name: str, bins: list[tuple[int, int, float]], brier: float | None) -> list[str]:
    lines = [f"calibration of {name} (given, mean, right):"]
    for low, (answers, right, mean) in enumerate(bins):
        if answers:
            lines.append(f"  {low / 10:.1f}-{low / 10 + 0.1:.1f}  {mean:.3f} {_share(right, answers):>18}")
    lines.append(f"  Brier score: {brier:.4f}" if brier is not None else "  Brier score: -")
    return lines


def _row(name: str, group: Sequence[dict[str, Any]]) -> str:
    n = len(group)
    first = _share(sum(found(o, 1) for o in group), n)
    three = _share(sum(found(o, 3) for o in group), n)
    named = _share(sum(all(o["named"]) for o in group), n)
    return f"{name:34}{first:>18}{three:>18}{named:>18}"
