"""Which channel is clipped to which line: spellings, matching, wiring tables, proposals from behaviour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from busledger.decoder.wiring.binding import LineNeed, Wiring, bind, load_wiring
from busledger.decoder.wiring.names import canonical, ranges_text

if TYPE_CHECKING:
    from busledger.decoder.wiring.proposal import Guess, Proposal, Wanted, propose

__all__ = [
    "Guess",
    "LineNeed",
    "Proposal",
    "Wanted",
    "Wiring",
    "bind",
    "canonical",
    "load_wiring",
    "propose",
    "ranges_text",
]


def __getattr__(name: str) -> Any:
    """Proposals bring numpy: looked up when first used."""
    if name in ("Guess", "Proposal", "Wanted", "propose"):
        from busledger.decoder.wiring import proposal

        return getattr(proposal, name)
    raise AttributeError(name)
