"""Accesses that a driver may not have had to serve, and lanes that may have no memory behind them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from busledger.decoder.board import Board, Buffer
from busledger.decoder.bus import Layout, Profile, unwired_address
from busledger.decoder.checks.results import CheckFinding, LanePath
from busledger.decoder.ledger import inside_mask

__all__ = ["WHOLE", "Doubtful"]

WHOLE = ("never-toward-cpu", "never-toward-card", "no-transfer")
"""What is said where most lanes fail together."""
# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
_MOST = 0.95
"""Of what a driver serves, where it fails in all of it: a stray sample in one of twenty is generous (judged)."""
_OF_CONTROL = ("direction-away", "direction-toward", "enable-missing")


@dataclass(frozen=True, slots=True)
class Doubtful:
    """What of a driver's cycles is not known.

    Attributes
    ----------
    lines : address lines that are not clipped and no select tells: what looks like the driver's regions may be others'
    bare : the lanes behind which the board file names no chip in any region that the driver serves;
        ``width`` how many lanes it has
    """

    lines: tuple[str, ...] = ()
    bare: frozenset[str] = frozenset()
    width: int = 0

    @classmethod
    def of(cls, buffer: Buffer, board: Board, profile: Profile, layout: Layout) -> Doubtful:
        """Of one data driver."""
        served = [region for region in board.regions if region.name in buffer.serves]
        unwired, missing = unwired_address(profile, layout), 0
        selects = [region.select for region in board.regions]
        for region in served:
            told = region.select is not None and layout.wired(region.select) and selects.count(region.select) == 1
            missing |= 0 if told else unwired & ~inside_mask(region.start, region.end)
        chips = {lane for region in served for chip in region.chips for lane in chip.lanes}
        return cls(
            tuple(f"A{bit}" for bit in range(profile.address_bits) if missing >> bit & 1),
            frozenset(f"D{lane}" for lane in buffer.lanes if lane not in chips),
            len(buffer.lanes),
        )

    def weigh(self, found: CheckFinding, lanes: Collection[LanePath]) -> CheckFinding:
        """The finding, as a doubt where what it rests on may be no business of the driver's."""
        if self.lines and self._elsewhere(found, lanes):
            lines = ", ".join(self.lines)
            other = f"{lines} not clipped: the accesses that differ may be those of other addresses"
            return found.model_copy(update={"weight": "doubt", "other": (*found.other, other)})
        if found.code == "undriven-reads" and self._narrow(frozenset(found.lanes)):
            other = f"no chip is stated for {', '.join(found.lanes)}: the memory may be narrower than the bus"
            return found.model_copy(update={"weight": "doubt", "other": (*found.other, other)})
        return found

    def _narrow(self, lanes: frozenset[str]) -> bool:
        """Whether memory narrower than the bus leaves these lanes; one alone, of lanes for which nothing is stated, is
        rather a fault."""
        stated = len(self.bare) < self.width
        return lanes <= self.bare and len(lanes) < self.width and (stated or len(lanes) > 1)

    @staticmethod
    def _elsewhere(found: CheckFinding, lanes: Collection[LanePath]) -> bool:
        """Whether the driver did as it should in a part of the accesses, or another drove the bus in the rest."""
        if found.weight != "fault":
            return False
        if found.code in _OF_CONTROL:
            return found.count < _MOST * found.of
        # Lanes that nobody drives keep a level, or are pulled to one; these took both.
        return found.code in WHOLE and any(lane.verdict == "differs" for lane in lanes)
