"""What is told: into the journal first, then to whoever listens."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from busledger.decoder.board import Board
from busledger.decoder.pipeline import Decoded
from busledger.decoder.watching.clock import DayClock
from busledger.decoder.watching.failures import MOST_IN_A_BLOCK, Failure, failures_in, line_text
from busledger.decoder.watching.journal import LIMIT_BYTES, Journal
from busledger.decoder.watching.keeping import Keeper
from busledger.decoder.watching.status import Counts

__all__ = ["Telling"]

_EVENTS = 6


class Telling:
    """The journal of a watch, and its listener.

    Attributes
    ----------
    recent : the last lines, for people
    so_far : the part that the latest verdict names first
    """

    def __init__(
        self,
        path: Path,
        tell: Callable[[dict[str, Any]], None],
        clock: DayClock,
        counts: Counts,
        board: Board,
        *,
        fresh: bool,
    ) -> None:
        self._journal = Journal(path, fresh=fresh)
        self._tell, self._clock, self._counts, self._board = tell, clock, counts, board
        counts.alarmed = counts.alarmed or self._journal.told >= 0  # told, though killed before it was saved
        self.recent: tuple[str, ...] = ()
        self.so_far = ""

    def event(self, event: str, text: str, capture: str | None = None) -> None:
        """Something happened to the watch."""
        day = datetime.fromtimestamp(self._clock.now()).astimezone().isoformat(timespec="milliseconds")
        line: dict[str, Any] = {"event": event, "day": day, "text": text}
        if capture is not None:
            line["capture"] = capture
        self._journal.add(line)
        self._tell(line)
        self._remember(text)

    def failures(
        self,
        block: Decoded,
        before: int,
        keeper: Keeper,
        digits: tuple[int, int],
        tick_s: float,
        day0_s: float,
        capture: str,
    ) -> None:
        """The wrong reads of a block, numbered on from ``before``; those that were told before a restart are only
        shown to ``keeper``."""
        most = MOST_IN_A_BLOCK if self._journal.size < LIMIT_BYTES else 0
        for one in failures_in(block, before, self._board, digits, tick_s, day0_s, capture, most):
            if isinstance(one, Failure):
                line = one.line(self.so_far, None)
                region = next(k for k, r in enumerate(self._board.regions) if r.name == one.region)
                line["kept"] = keeper.failed(one, region, line_text(line))
            else:
                line = one.line()
            if line["tick"] <= self._journal.told or self._journal.size > 2 * LIMIT_BYTES:
                continue
            self._journal.add(line)
            first = not self._counts.alarmed
            self._counts.alarmed = True
            self._tell({**line, "first": True} if first else line)
            self._remember(line_text(line))

    def close(self) -> None:
        """Nothing more is told."""
        self._journal.close()

    def _remember(self, text: str) -> None:
        self.recent = (*self.recent, text)[-_EVENTS:]
