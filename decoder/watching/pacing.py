"""How fast a watch is beside the bus, and when it must leave blocks out."""

from __future__ import annotations

import time
from collections.abc import Callable

__all__ = ["Pace"]

_SPAN_S = 20.0
_FULL, _AGAIN = 0.9, 0.5  # of the room for bytes that wait: blocks are left out from the one down to the other


class Pace:
    """Seconds of bus, and bytes, that pass in a second; from samples of the last twenty seconds."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._seen: list[tuple[float, float, int]] = []
        self.dropping = False

    def see(self, bus_s: float, taken: int) -> None:
        """``bus_s`` seconds of bus and ``taken`` bytes have passed in all."""
        now = self._now()
        if self._seen and now - self._seen[-1][0] < 0.2:
            return
        self._seen.append((now, bus_s, taken))
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

    def _rate(self, column: int) -> float | None:
        if len(self._seen) < 2 or self._seen[-1][0] - self._seen[0][0] < 1.0:
            return None
        first, last = self._seen[0], self._seen[-1]
        return (last[column] - first[column]) / (last[0] - first[0])

    def look(self, waiting: int, room: int) -> str:
        """ "behind" as blocks must be left out from now on, "caught-up" as no longer, else "".

        A source that is full and gives less than a second of bus in a second would lose data by itself, unseen. One
        that is full and faster than that is a recording: it can wait.
        """
        if self.dropping and waiting < _AGAIN * room:
            self.dropping = False
            return "caught-up"
        if not self.dropping and waiting > _FULL * room and (self.bus or 1.0) < 1.0:
            self.dropping = True
            return "behind"
        return ""
