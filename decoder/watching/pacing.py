"""How fast a watch is beside the bus, and when it must leave blocks out."""

from __future__ import annotations

import time
from collections.abc import Callable

__all__ = ["Pace"]

_SPAN_S = 20.0
_FULL, _AGAIN = 0.9, 0.5  # of the room for bytes that wait: blocks are left out from the one down to the other
_RECORDED = 1.25  # no live bus gives so many seconds of itself in a second


class Pace:
    """Seconds of bus, and bytes, that pass in a second; from samples of the last twenty seconds.

    Attributes
    ----------
    dropping : blocks are left out
    recorded : the source came faster than any live bus before it was ever held up: it can wait
    """

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._seen: list[tuple[float, float, int, int]] = []
        self._was_full = False
        self.dropping = self.recorded = False

    def see(self, bus_s: float, taken: int, waiting: int) -> None:
        """``bus_s`` seconds of bus and ``taken`` bytes have passed in all; ``waiting`` more have come."""
        now = self._now()
        if self._seen and now - self._seen[-1][0] < 0.2:
            return
        self._seen.append((now, bus_s, taken, taken + waiting))
        while len(self._seen) > 2 and now - self._seen[0][0] > _SPAN_S:
            self._seen.pop(0)

    @property
    def bus(self) -> float | None:
        """Seconds of bus a second; None until a second has passed."""
        return self._rate(1)

    @property
    def bytes(self) -> float:
        """Bytes a second; 0 until that can be said."""
        return self._rate(2) or 0.0

    @property
    def arriving(self) -> float | None:
        """Seconds of bus that come in a second, decoded or not; None until that can be said."""
        came, (_, bus_s, taken, _) = self._rate(3), self._seen[-1] if self._seen else (0.0, 0.0, 0, 0)
        return None if came is None or not taken or not bus_s else came * bus_s / taken

    def _rate(self, column: int) -> float | None:
        if len(self._seen) < 2 or self._seen[-1][0] - self._seen[0][0] < 1.0:
            return None
        first, last = self._seen[0], self._seen[-1]
        return (last[column] - first[column]) / (last[0] - first[0])

    def look(self, waiting: int, room: int) -> str:
        """ "behind" as blocks must be left out from now on, "caught-up" as no longer, else "".

        A live bus that fills the room would lose data by itself, unseen. A recording, which comes faster than any live
        bus, can wait; so can what is decoded faster than a bus runs.
        """
        if not self._was_full and (self.arriving or 0.0) > _RECORDED:
            self.recorded = True
        self._was_full = self._was_full or waiting > _FULL * room
        if self.dropping and waiting < _AGAIN * room:
            self.dropping = False
            return "caught-up"
        if not self.dropping and not self.recorded and waiting > _FULL * room and (self.bus or 1.0) < 1.0:
            self.dropping = True
            return "behind"
        return ""
