"""The blocks of all captures of a watch through the floors of ``check``, on one clock, with one ledger."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from busledger.decoder.capture import Capture, Header, beginning, late_start, sample_grid, without_delays
from busledger.decoder.ledger import Verdict
from busledger.decoder.pipeline import Beside, Decoded, Gathering
from busledger.decoder.watching.accesses import KeptAccesses
from busledger.decoder.watching.bound import Binding
from busledger.decoder.watching.keeping import Keeper
from busledger.decoder.watching.request import WatchRequest
from busledger.decoder.watching.saving import Saved
from busledger.decoder.watching.status import Counts
from busledger.decoder.watching.telling import Telling
from busledger.decoder.watching.timeline import Timeline

__all__ = ["Decoding"]

_LOOK = 1 << 16  # rows that tell what a capture is like, as ``capture.beginning`` has it
WHY_LOST = "left out: the bus is faster than the decoding"


@dataclass(frozen=True)
class _Around:
    """What stays the same for all captures."""

    binding: Binding
    asked: WatchRequest
    log: KeptAccesses
    telling: Telling
    counts: Counts


class Decoding:
    """Takes the blocks of one capture after another.

    Parameters
    ----------
    header : of the first capture, also where ``saved`` goes on
    checking, accounting : threads beside this one, as ``Gathering`` has them

    Attributes
    ----------
    run, timeline, gathering, keeper : whose state is saved
    begun : enough rows have come to know the analyser's grid
    capture : the name of the capture at hand
    """

    def __init__(
        self,
        around: tuple[Binding, WatchRequest, KeptAccesses, Telling, Counts],
        header: Header,
        saved: Saved | None,
        checking: Beside,
        accounting: Beside,
    ) -> None:
        self._around = _Around(*around)
        self._checking, self._accounting = checking, accounting
        asked, log = self._around.asked, self._around.log
        run = self.run = self._around.binding.run(header, [] if saved is None else saved.notes)
        names = [header.signals[index].name for index in run.layout.select]
        self.timeline = Timeline(header.tick_fs, self._around.binding.unknown(run.layout))
        self.keeper = Keeper(
            asked.out / "kept", names, header.tick_fs, asked.keep_fs // header.tick_fs, asked.kept_room
        )
        self._digits = -(-run.profile.address_bits // 4), -(-run.profile.data_bits // 4)
        self._held: list[Capture] = []
        self.begun, self.capture = False, ""
        if saved is None:
            self.gathering = Gathering(run, log=log)
            return
        log.go_on(saved.log)
        state = saved.unpack(run, log)
        run.go_on(state["decoding"])
        self.gathering = state["gathering"]
        self.keeper.go_on(saved.keeper)
        self.timeline.go_on(saved.timeline)
        self.begun = True

    def take(self, block: Capture, *, drop: bool) -> None:
        """The next block of the capture at hand; with ``drop`` it is only counted, and what comes next is stale."""
        if not len(block):
            return
        if drop and self.begun:
            counts = self._around.counts
            rows, seconds = self.timeline.lose(block, WHY_LOST)
            counts.dropped_blocks += 1
            counts.dropped_rows += rows
            counts.dropped_s += seconds
            return
        placed = self.timeline.place(block)
        if not self.begun and not self._held and self.timeline.captures == 1:
            note = late_start(-self.timeline.shift, self.run.tick_fs)
            self.run.file.notes += [note] if note is not None else []
        if self.begun:
            self._decode(placed)
            return
        self._held.append(placed)
        if sum(map(len, self._held)) >= _LOOK:
            self.decode_held()

    def decode_held(self) -> None:
        """The first rows tell the analyser's grid; then they are decoded."""
        if self.begun or not self._held:
            return
        shown, blocks = beginning(iter(self._held))
        step = self.timeline.step  # the capture's own ticks show its samples
        stamps = np.concatenate([block.time for block in self._held]) // step
        exact = self._around.asked.request.exact or without_delays(stamps, self.run.tick_fs * step)
        grid = None if exact else sample_grid(stamps)
        self.run.begin(None if grid is None else grid * step, exact, shown)
        self._held, self.begun = [], True
        for block in blocks:
            self._decode(block)

    def end_capture(self, end_time: int) -> None:
        """A capture has ended, at its own tick ``end_time``."""
        self.timeline.end_capture(end_time)
        self.decode_held()

    def _decode(self, block: Capture) -> None:
        self.keeper.feed(block)
        decoded = self.run.step(block)
        self.gathering.take(decoded, self._checking, self._accounting)
        counts = self._around.counts
        counts.bus_s = (int(block.time[-1]) - int(self.run.first_tick or 0)) * self.run.tick_s
        self.look_at(decoded)
        self.keeper.look(decoded)
        self.keeper.settle()

    def look_at(self, decoded: Decoded) -> None:
        """Count a block's reads, and tell the wrong ones."""
        verdict = decoded.compared.verdict
        wrong = int(np.count_nonzero(verdict == Verdict.MISMATCH))
        right = int(np.count_nonzero(verdict == Verdict.AGREES))
        day0, counts = self.timeline.day0_s, self._around.counts
        before = counts.failures
        if wrong or right:
            last_s = int(decoded.cycles.time[-1]) * self.run.tick_s
            counts.count(int((day0 + last_s) // 60), wrong, wrong + right)
        if wrong:
            tick_s, told = self.run.tick_s, self._around.telling
            told.failures(decoded, before, self.keeper, self._digits, tick_s, day0, self.capture)

    def packed(self) -> bytes:
        """What decoding has come to, for ``result_of``; waits for the threads."""
        self._checking.settle()
        self._accounting.settle()
        return Saved.pack(self.run, self.gathering, self._around.log)

    def saved(self, data: bytes, source: dict[str, Any], declared: bytes, day_s: float) -> Saved:
        """Everything that a later process needs; ``data`` as ``packed`` gave it."""
        around, file = self._around, self.run.file
        return Saved(
            fingerprint=around.binding.fingerprint(),
            header=file.header,
            notes=list(file.notes),
            data=data,
            keeper=self.keeper.state(),
            timeline=self.timeline.state(),
            log=around.log.state(),
            source=source,
            counts=around.counts,
            declared=declared,
            day_s=day_s,
        )
