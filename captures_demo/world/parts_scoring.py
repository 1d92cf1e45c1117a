"""Whether the parts of a card are told right: all bad ones named, no other, and chances that mean what they say.

A part is *named* from a chance of 0.5 on, and *shows* if at least four reads would come out differently were it alone
mended. The state of a part that the answer calls tied with a true one is not asked for: the capture cannot tell it.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busledger.captures_demo.world.machine import Machine
from busledger.captures_demo.world.many_cases import FEWEST_SHOWN
from busledger.captures_demo.world.scoring import SuspectLike, Truth, part_named

__all__ = ["BUCKETS", "PartsMark", "mark_parts", "render_parts"]

BUCKETS = ((0, 0), (1, 1), (2, 2), (3, 4), (5, 8), (9, 16))
_NAMED = 0.5
_NOT_ON_CARD = ("clip", "machine")
_EDGES = (0.0, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 1.0)


@dataclass
class PartsMark:
    """One card: ``bad`` faults on it; ``shown`` of them show, ``named`` of these are named; ``accused``: everything
    that is named, ``innocent`` those that are sound; ``chances``: (chance given, is bad) of each part."""

    bad: int
    shown: int
    named: int
    accused: int
    innocent: list[str]
    chances: list[tuple[float, bool]]

    @property
    def all_right(self) -> bool:
        """Every bad part that shows is named, and nothing else."""
        return self.named == self.shown and not self.innocent


def mark_parts(
    machine: Machine,
    truths: Sequence[Truth],
    shows: Sequence[int],
    suspects: Sequence[SuspectLike],
    marginals: Mapping[str, float],
) -> PartsMark:
    """``marginals``: designator → chance that it is bad; parts left out have none. ``shows``: as ``shows_of``."""
    true = {truth.component for truth in truths if truth.component}
    shown = [truth for truth, often in zip(truths, shows, strict=True) if often >= FEWEST_SHOWN]
    accused = {name for name, chance in marginals.items() if chance >= _NAMED}
    nameless = [
        s for s in suspects if not s.component and s.scope not in _NOT_ON_CARD and s.probability >= _NAMED
    ]  # fmt: skip
    innocent = sorted(accused - true)
    innocent += [
        f"{s.fault}/{s.scope} {s.region or ''}" for s in nameless if not any(part_named(truth, s) for truth in truths)
    ]
    untold = _tied(truths, suspects) - true
    return PartsMark(
        bad=len(truths),
        shown=len(shown),
        named=sum(_chance(truth, suspects, marginals) >= _NAMED for truth in shown),
        accused=len(accused) + len(nameless),
        innocent=innocent,
        chances=[(marginals.get(name, 0.0), name in true) for name in _parts(machine) if name not in untold],
    )


def _chance(truth: Truth, suspects: Sequence[SuspectLike], marginals: Mapping[str, float]) -> float:
    """What the answer gives to the true part."""
    if truth.component:
        return marginals.get(truth.component, 0.0)
    return sum(s.probability for s in suspects if not s.component and part_named(truth, s))


def _tied(truths: Sequence[Truth], suspects: Sequence[SuspectLike]) -> set[str]:
    """Parts that suspects tied with one of a true part name."""
    ranks = {rank for s in suspects if any(part_named(truth, s) for truth in truths) for rank in (s.rank, *s.tied_with)}
    return {s.component for s in suspects if s.rank in ranks and s.component}


def _parts(machine: Machine) -> list[str]:
    chips = [chip.designator for region in machine.regions for chip in region.chips]
    others = [name for card in machine.cards for name in (card.buffer, card.address_buffer, card.decoder) if name]
    return [*chips, *others]


def render_parts(marks: Sequence[PartsMark]) -> str:
    """Recall, innocents, cards that are all right and Brier score by count of faults; calibration over all."""
    lines = [
        f"{'parts, by faults on the card':30}{'cards':>7}{'named':>20}{'innocent':>18}{'all right':>18}{'Brier':>9}"
    ]
    for low, high in BUCKETS:
        mine = [mark for mark in marks if low <= mark.bad <= high]
        if mine:
            lines.append(_row(str(low) if low == high else f"{low}-{high}", mine))
    lines.append(_row("all", marks))
    lines.append("calibration of the parts' chances (given, mean, bad):")
    chances = [one for mark in marks for one in mark.chances]
    for low_edge, high_edge in itertools.pairwise(_EDGES):
        held = [(p, bad) for p, bad in chances if low_edge <= p < high_edge or p == high_edge == 1.0]
        if held:
            mean = sum(p for p, _ in held) / len(held)
            shown = _share(sum(bad for _, bad in held), len(held))
            lines.append(f"  {low_edge:.2f}-{high_edge:.2f}  {mean:.3f} {shown:>18}")
    return "\n".join(lines)


def _row(name: str, marks: Sequence[PartsMark]) -> str:
    chances = [one for mark in marks for one in mark.chances]
    brier = sum((p - bad) ** 2 for p, bad in chances) / len(chances) if chances else 0.0
    return (
        f"  {name:28}{len(marks):>7}"
        f"{_share(sum(m.named for m in marks), sum(m.shown for m in marks)):>20}"
        f"{_share(sum(len(m.innocent) for m in marks), sum(m.accused for m in marks)):>18}"
        f"{_share(sum(m.all_right for m in marks), len(marks)):>18}{brier:>9.4f}"
    )


def _share(hits: int, of: int) -> str:
    return f"{hits}/{of} {100 * hits / of:5.1f} %" if of else "-"
