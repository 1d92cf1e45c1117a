"""Set-up and hold windows in ticks: where a settled level is read, and where movement is a fault.

An event-driven capture knows every edge to a tick. An analyser's samples know it to one sample, and
each channel lags by up to one more: two edges that look simultaneous are within two samples of each
other. A level is therefore read more than a sample clear of the edge where the window has room for
it, and only movement that two samples of doubt cannot excuse counts as unsettled.

Where no speed grade is given, a level is read as clear as the slowest grade allows, and only what
every grade forbids is flagged. Only published limits are enforced: a doubtful one, and a bare number in
a profile, say where to read and nothing more.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from busledger.decoder.bus.profile import Profile
from busledger.decoder.bus.schema import LatchEntry, Limit, Reference, StrobeEntry, Window

__all__ = ["Offsets", "Windows"]

_FS_A_NS = 1_000_000
_DOUBT = 2.0  # samples between what two channels show and what the lines did
_CLEAR = 1.5  # samples: strictly more than one before the sample that shows the edge
_SURELY_THREE = 3.0  # samples: a window so long shows the true level in two of them at least
_LONGEST_MIDDLE_NS = 20_000.0
_ENDLESS = 1 << 40


class Offsets(NamedTuple):
    """Ticks added to an edge: where the level is read; movement strictly between low and high is a fault."""

    value: int
    low: int
    high: int


NO_EYES: Mapping[str, Offsets] = MappingProxyType({})


class Windows:
    """The windows of a profile for one tick, sample interval (ticks, None = event-driven) and grade (None = any).

    exact : the dump of a simulation without delays, in which what an edge causes stands at the edge's own stamp.
    A level is read one tick before the edge, or on it where the lines stay through the strobe; no movement is a fault.
    eyes : strobe → what to do at its end, where the bus was seen to stand still longer than the sheet promises.
    """

    def __init__(
        self,
        profile: Profile,
        tick_fs: int,
        grid_ticks: float | None,
        grade: str | None = None,
        exact: bool = False,
        eyes: Mapping[str, Offsets] = NO_EYES,
    ) -> None:
        self.profile, self.tick_fs, self.grid, self.exact = profile, tick_fs, grid_ticks, exact
        self.eyes = eyes
        self.grades = profile.grades if grade is None else (profile.grade(grade),)

    def ticks(self, ns: float) -> int:
        """Nanoseconds as whole ticks."""
        return round(ns * _FS_A_NS / self.tick_fs)

    def _limits(self, symbol: str) -> list[Limit]:
        return [limit for grade in self.grades for limit in grade.limits if limit.symbol == symbol]

    def _values(self, reference: Reference, firm: bool) -> list[float]:
        """What the grades say, ns; ``firm`` leaves out what is doubtful and what is a bare number."""
        if not isinstance(reference, str):
            return [] if firm else [float(reference)]
        found = [limit for limit in self._limits(reference) if not (firm and limit.doubtful)]
        return [value for limit in found if (value := limit.min if limit.min is not None else limit.max) is not None]

    def roomy(self, reference: Reference) -> float:
        """The widest figure any grade gives, ns; 0 when none does."""
        return max(self._values(reference, False), default=0.0)

    def strict(self, reference: Reference) -> float | None:
        """The narrowest figure, doubtful ones left out, ns; None when there is none."""
        return min(self._values(reference, True), default=None)

    def width_min(self, strobe: StrobeEntry) -> int:
        """Shortest span in ticks that is not flagged, sampling doubt taken off; 0 = no limit."""
        shortest = None if strobe.width_min is None or self.exact else self.strict(strobe.width_min)
        if shortest is None:
            return 0
        return max(0, self.ticks(shortest) - self.inset())

    def inset(self) -> int:
        """How far inside a span's ends other lines may still look as if they moved, ticks."""
        return 0 if self.grid is None else round(_DOUBT * self.grid)

    def false_sample(self) -> int:
        """Ticks up to which a span or a pause may be one false sample; 0 in an event-driven capture."""
        return 0 if self.grid is None else round(_CLEAR * self.grid)

    def longest_middle(self) -> int:
        """The middle of a span is at most this far from its begin, ticks."""
        return max(self.ticks(_LONGEST_MIDDLE_NS), self.inset() * 4, 4)

    def begin(self, strobe: StrobeEntry) -> Offsets:
        """Around the begin edge."""
        return self._around(strobe.begin)

    def end(self, strobe: StrobeEntry) -> Offsets:
        """Around the end edge."""
        return self.eyes[strobe.name] if strobe.name in self.eyes else self._around(strobe.end)

    def latch(self, latch: LatchEntry) -> Offsets:
        """Around a latch's edge."""
        return self._around(Window(setup=latch.setup, hold=latch.hold))

    def _around(self, window: Window) -> Offsets:
        through = window.hold == "strobe"
        if self.exact:
            return Offsets(0 if through else -1, 0, 0)
        setup = self.ticks(self.roomy(window.setup))
        hold = _ENDLESS if through else self.ticks(self.roomy(window.hold))
        clear = self.ticks(window.clear)
        firm_setup, firm_hold = self.strict(window.setup), None if through else self.strict(window.hold)
        low = 0 if firm_setup is None else self.inset() - self.ticks(firm_setup)
        high = (-clear if clear else self.ticks(firm_hold or 0.0)) - self.inset()
        if self.grid is None:
            value = 0 if through and not setup else -max(1, min(clear, setup // 2))
            return Offsets(value, min(low, high), high)
        value = self._sample(setup, hold, clear)
        if low >= high and 0 < setup < _DOUBT * self.grid and value < 0:
            # No sample is sure to lie inside the window: a level that moves here may be the old or the new one.
            low, high = round(-_CLEAR * self.grid), round((1.5 if setup < self.grid else 0.5) * self.grid)
        return Offsets(value, min(low, high), high)

    def _sample(self, setup: int, hold: int, clear: int) -> int:
        """Where to read around an edge that sample 0 is the first to show, in ticks.

        Sample j of another channel was taken between (j - 1) and (j + 2) samples after the edge. Where
        lines are held, the sample that lies deepest inside the window is read; where they are not, the last
        one that is surely before the edge, or, if the set-up time is shorter than a sample, the last before it.
        """
        assert self.grid is not None
        grid = self.grid
        if hold >= grid:
            best = max((-2, -1, 0, 1), key=lambda j: min(setup + (j - 1) * grid, hold - (j + 2) * grid))
            return round((best + 0.5) * grid)
        if setup < grid:
            return -max(1, round(0.5 * grid))
        return -round(max(_CLEAR * grid, min(clear, setup / 2)))

    def narrow_ends(self) -> list[str]:
        """Strobes whose published set-up time is too short for a sample that is sure to lie inside it."""
        if self.grid is None or self.exact:
            return []
        found = []
        for strobe in self.profile.strobes:
            if strobe.sample == "end" and strobe.end.hold != "strobe":
                setup, hold = self.ticks(self.roomy(strobe.end.setup)), self.ticks(self.roomy(strobe.end.hold))
                if 0 < setup < _DOUBT * self.grid and hold < self.grid:
                    found.append(strobe.name)
        return found

    def late_ends(self) -> list[str]:
        """Strobes read where the slowest grade is sure to have its data there, and a quicker one is not: by the
        published limits data may settle after that sample, and no movement would be called a fault."""
        if self.grid is None or self.exact:
            return []
        found = []
        for strobe in self.profile.strobes:
            if strobe.sample != "end" or strobe.end.hold == "strobe":
                continue
            least, roomy = self.strict(strobe.end.setup), self.ticks(self.roomy(strobe.end.setup))
            released = self.ticks(self.roomy(strobe.end.hold)) < self.grid
            sure = _DOUBT * self.grid
            if released and roomy >= sure and least is not None and self.ticks(least) < sure:
                found.append(strobe.name)
        return found

    def late(self, strobe: StrobeEntry) -> Offsets:
        """The same sample read as without an eye; what moves in the one after it, the last before the edge, is
        unsettled."""
        assert self.grid is not None
        value = self._around(strobe.end).value
        return Offsets(value, value, max(value, -round((_CLEAR - 1.0) * self.grid)))

    def moved_eyes(self) -> dict[str, Offsets]:
        """The eyes by which a level is read elsewhere than the published window says."""
        own = {strobe.name: self._around(strobe.end).value for strobe in self.profile.strobes}
        return {name: eye for name, eye in self.eyes.items() if eye.value != own[name]}

    def room(self, window: Window) -> tuple[int, int]:
        """Ticks from the edge, strictly between which a line that means what it shows is steady.

        As the narrowest window of all grades has it, a sample taken off at either end. (0, 0) where the window is
        too short to hold three samples for sure: there a level of one sample may be the true one. A hold through the
        strobe ends with the strobe, whenever that is. Always (0, 0) where ``narrow_ends`` are: an eye is two samples
        long, so what moves in it is unsettled and nothing is turned back.
        """
        if self.grid is None or self.exact:
            return 0, 0
        setup = self.ticks(min(self._values(window.setup, False), default=0.0))
        through = window.hold == "strobe"
        hold = _ENDLESS if through else self.ticks(min(self._values(window.hold, False), default=0.0))
        if setup + hold < _SURELY_THREE * self.grid:
            return 0, 0
        sample = round(self.grid)
        return sample - setup, hold if through else hold - sample

    def latch_room(self, latch: LatchEntry) -> tuple[int, int]:
        """``room`` around a latch's edge."""
        return self.room(Window(setup=latch.setup, hold=latch.hold))

    def _offsets(self) -> list[Offsets]:
        ends = [o for s in self.profile.strobes for o in (self.begin(s), self.end(s))]
        return ends + [self.latch(item) for item in self.profile.latches]

    def _rooms(self) -> list[tuple[int, int]]:
        rooms = [self.room(w) for s in self.profile.strobes for w in (s.begin, s.end)]
        return rooms + [self.latch_room(item) for item in self.profile.latches]

    def look_ahead(self) -> int:
        """Ticks after an edge that must have been seen before its cycle can be told."""
        # One false sample shows only when the next one has been seen.
        seen = [max(o.value + self.false_sample(), o.high) for o in self._offsets()]
        return max([1, *seen, *(high for _, high in self._rooms() if high < _ENDLESS)])

    def look_back(self) -> int:
        """Ticks before an edge that must still be at hand."""
        seen = [self.false_sample() + 1 - o.value for o in self._offsets()]
        return max([1, *seen, *(-o.low for o in self._offsets()), *(-low for low, _ in self._rooms())])

    def narrowest(self) -> tuple[str, float] | None:
        """(strobe, ns) of the narrowest window in which data is sure, as published; None where nothing is."""
        found, moved = [], self.moved_eyes()
        for strobe in self.profile.strobes:
            if strobe.name in moved:
                continue
            window = strobe.begin if strobe.sample == "begin" else strobe.end
            setup = self.roomy(window.setup)
            if setup > 0 and isinstance(window.setup, str):
                found.append((strobe.name, setup + (0.0 if window.hold == "strobe" else self.roomy(window.hold))))
        return min(found, key=lambda item: item[1], default=None)
