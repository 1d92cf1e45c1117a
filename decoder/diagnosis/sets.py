"""Sets of shared faults put together anew, each judged on what those before it leave."""

from __future__ import annotations

from collections.abc import Sequence

from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.out_of_view import beside, blind_to
from busledger.decoder.diagnosis.path import Path
from busledger.decoder.diagnosis.paths import judged_again, propose_paths

__all__ = ["rebuilt", "with_path"]


def with_path(card: Card, state: CardState, path: Path) -> CardState | None:
    """One more fault in the set, judged on what that leaves; None where it leaves it no part."""
    again = judged_again(path, card.study, state.rows, state.paths)
    return None if again is None else card.weigh((*state.paths, again))


def rebuilt(card: Card, paths: Sequence[Path], *, anew: bool = False) -> CardState | None:
    """These faults as a set of their own, each judged on what those before it leave. ``anew``: one that this leaves no
    part, as chips that are bad hide it where they are looked at, may be judged without them."""
    state: CardState | None = card.weigh(())
    for path in paths:
        before, state = state, None if state is None else with_path(card, state, path)
        if state is None and before is not None and anew:
            proposed = propose_paths(
                card.study, before.rows, before.paths, blind_to(card, before), beside(card, before)
            )
            same = [card.weigh((*before.paths, p)) for p in proposed if p.key == path.key]
            state = max(same, key=lambda s: s.log_total, default=None)
    return state
