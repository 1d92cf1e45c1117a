"""The watch itself: bytes as they come, through the same floors as ``check``, told and saved as it goes."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from busledger.decoder.capture import (
    NOTHING_YET,
    Capture,
    LiveCapture,
    LivePlace,
    LiveSource,
    beginning,
    sample_grid,
    without_delays,
)
from busledger.decoder.errors import BusledgerError, CaptureError, OutputError
from busledger.decoder.ledger import Verdict
from busledger.decoder.pipeline import Beside, Decoded, Gathering, Request, Run
from busledger.decoder.report import verdict as verdict_of
from busledger.decoder.watching.accesses import KeptAccesses
from busledger.decoder.watching.bound import Binding
from busledger.decoder.watching.clock import DayClock
from busledger.decoder.watching.ending import Rules, settled_by
from busledger.decoder.watching.failures import MOST_IN_A_BLOCK, Failure, failures_in, line_text
from busledger.decoder.watching.journal import LIMIT_BYTES, Journal
from busledger.decoder.watching.keeping import Keeper
from busledger.decoder.watching.saving import Saved, load_saved, lock_folder, save
from busledger.decoder.watching.sources import SETTLED_S, Coming, Source, open_watched
from busledger.decoder.watching.status import Counts, Status, WatchFinding, WatchResult
from busledger.decoder.watching.timeline import Timeline, days_of
from busledger.decoder.watching.weighing import Weigher, result_of

__all__ = ["Watch", "WatchRequest"]

_LOOK = 1 << 16  # rows that tell what a capture is like, as ``capture.beginning`` has it
_EVENTS = 6
_PACE_S = 20.0


@dataclass(frozen=True)
class WatchRequest:
    """What the user asked for.

    ``request.capture`` is the source; ``out`` the folder for all that is kept; ``keep_fs`` the length of kept signals
    (0 = none); ``room`` bytes that accesses, and ``kept_room`` that signals may take on the disk, ``spool_room``
    bytes of a pipe that may wait; ``drop``: leave blocks of a pipe out where the bus is faster, else the pipe waits;
    ``before``: an earlier result whose repair is to be proved.
    """

    request: Request
    out: Path
    rules: Rules = field(default_factory=Rules)
    keep_fs: int = 2 * 10**12
    room: int = 4 << 30
    kept_room: int = 256 << 20
    spool_room: int = 512 << 20
    drop: bool = True
    resume: bool = False
    save_s: float = 5.0
    silence_s: float = 60.0
    settled_s: float = SETTLED_S
    before: Mapping[str, Any] | None = None


class _Stop(Exception):  # noqa: N818 - no error
    """Enough has been seen."""


class Watch:
    """``run`` watches until it has seen enough, or nothing more can come; then ``result`` is the answer.

    Parameters
    ----------
    tell : called with every line that is told (``event`` says what it is), after it is in the journal
    show : called a few times a second with the state of things

    Raises
    ------
    UsageError
        the folder holds an earlier watch that is not to go on, or one that cannot.
    """

    def __init__(
        self,
        asked: WatchRequest,
        tell: Callable[[dict[str, Any]], None],
        show: Callable[[Status], None] = lambda status: None,
        clock: DayClock | None = None,
    ) -> None:
        self.asked, self._tell, self._show = asked, tell, show
        self.binding = Binding(asked.request)
        self._exit = ExitStack()
        try:
            self._begin(clock)
        except BaseException:
            self._exit.close()
            raise

    def _begin(self, clock: DayClock | None) -> None:
        asked = self.asked
        lock_folder(asked.out, self._exit)
        self._saved: Saved | None = load_saved(asked.out, self.binding.fingerprint(), resume=asked.resume)
        self.counts = self._saved.counts if self._saved is not None else Counts()
        self._journal = Journal(asked.out / "failures.jsonl", fresh=not asked.resume)
        self._exit.callback(self._journal.close)
        self._clock = clock or DayClock(self._saved.day_s if self._saved is not None else 0.0)
        self._log = KeptAccesses(asked.out / "accesses", asked.room // 100)
        self._weigher = Weigher()
        self._source: Source = open_watched(
            str(asked.request.capture), asked.out / "spool", asked.spool_room, asked.request.raw,
            asked.request.stdin, None if self._saved is None else self._saved.source, asked.settled_s,
        )  # fmt: skip
        self._exit.callback(self._source.close)
        self._run: Run | None = None
        self._timeline: Timeline | None = None
        self._gathering: Gathering | None = None
        self._keeper: Keeper | None = None
        self._live: LiveCapture | None = None
        self._declared = b""
        self._name = ""
        self._held: list[Capture] = []
        self._begun = False
        self._dropping = False
        self._stopped = ""
        self._interrupted = self.closing = False
        self._since = time.monotonic()
        self._elapsed_before = self.counts.elapsed_s
        self._last_save = self._last_show = self._since
        self._save_failed = False
        self._quiet_told = False
        self._told_verdict = ""
        self._events: list[str] = []
        self._pace: list[tuple[float, float, int]] = []
        self._state_bytes = b""

    # -- the loop -----------------------------------------------------------
    def run(self) -> WatchResult:
        """Watch; the result of all that came.

        Raises
        ------
        CaptureError
            nothing came that could be decoded.
        """
        with self._exit, Beside("checks") as checking, Beside("accounts") as accounting:
            self._checking, self._accounting = checking, accounting
            self._event("resumed" if self._saved is not None else "started", self._words_of_start())
            try:
                self._captures()
            except (_Stop, KeyboardInterrupt) as stop:
                self._stopped = self._stopped or ("interrupted" if isinstance(stop, KeyboardInterrupt) else "stopped")
            return self._end()

    def interrupt(self) -> None:
        """End after the block under way, as if it had been asked for."""
        self._interrupted = True

    def _words_of_start(self) -> str:
        return f"watching {self.asked.request.capture}" + (
            f", going on after {self.counts.failures} failures" if self._saved is not None else ""
        )

    def _captures(self) -> None:
        while True:
            if self.closing:
                self._stopped = "the source is silent"
                return
            coming = self._source.next()
            self._tick()
            if coming is None:
                if self._source.over:
                    self._stopped = {"gone": "the source is gone"}.get(self._source.over, "the source has ended")
                    return
                continue
            try:
                self._capture(coming)
                self._source.done()
            except (BusledgerError, OSError) as error:
                if isinstance(error, OutputError):
                    raise
                self._source.done()
                self.counts.refused += 1
                self._event("capture-refused", str(error), coming.name)
                if self._source.live:
                    self._stopped = "what came could not be read"
                    return

    def _capture(self, coming: Coming) -> None:
        """One capture, from where it is to its end."""
        live = self._live = self._opened(coming)
        self._name = coming.name
        if self._run is None:
            self._bind(live)
        assert self._run is not None and self._timeline is not None
        if self._declared != b"" and coming.torn:
            self._event("lost", "bytes were lost while nobody watched: what was known is stale", coming.name)
        if not coming.resumed:
            day_s = self._clock.now() if coming.day_s is None else coming.day_s
            self._timeline.begin_capture(live.header.tick_fs, day_s, coming.stamp, coming.name)
            self.counts.captures += 1
        select = self.binding.select(live.header, self._run.layout, coming.name)
        told = len(live.notes)
        self._run.file.notes += [note for note in live.notes if note not in self._run.file.notes]
        for block in live.blocks(select):
            self._declared = self._declared or live.place().declarations
            self._took(block)
            self._tick(between_blocks=True)
        self._run.file.notes += [note for note in live.notes[told:] if note not in self._run.file.notes]
        self._timeline.end_capture(live.end_time)
        self._live = None
        self._decode_held()

    def _opened(self, coming: Coming) -> LiveCapture:
        source: LiveSource = _Ticked(coming.bytes, self)
        request, place = self.asked.request, coming.place
        if coming.torn and self._declared:
            skipping = _Skipped(source)
            source, place = skipping, LivePlace("vcd", self._declared, offset=skipping.skipped)
        return LiveCapture(source, rate_hz=request.rate_hz, raw=request.raw, place=place)

    def _bind(self, live: LiveCapture) -> None:
        """The first capture says which lines there are."""
        saved = self._saved
        header = live.header if saved is None else saved.header
        run = self._run = self.binding.run(header, [] if saved is None else saved.notes)
        names = [header.signals[index].name for index in run.layout.select]
        self._timeline = Timeline(header.tick_fs, self.binding.unknown(run.layout))
        self._keeper = Keeper(
            self.asked.out / "kept", names, header.tick_fs, self.asked.keep_fs // header.tick_fs, self.asked.kept_room
        )
        self._digits = -(-run.profile.address_bits // 4), -(-run.profile.data_bits // 4)
        if saved is None:
            self._gathering = Gathering(run, log=self._log)
            return
        self._log.go_on(saved.log)
        state = saved.unpack(run, self._log)
        run.go_on(state["decoding"])
        self._gathering = state["gathering"]
        self._keeper.go_on(saved.keeper)
        self._timeline.go_on(saved.timeline)
        self._declared, self._begun = saved.declared, True
        self._state_bytes = saved.data

    # -- blocks ---------------------------------------------------------------
    def _took(self, block: Capture) -> None:
        assert self._timeline is not None
        if not len(block):
            return
        if self._begun and self._must_drop():
            since = self._timeline.end
            rows, seconds = self._timeline.lose(block, "left out: the bus is faster than the decoding")
            if rows and since >= 0:
                self.counts.dropped_blocks += 1
                self.counts.dropped_rows += rows
                self.counts.dropped_s += seconds
            return
        placed = self._timeline.place(block)
        if self._begun:
            self._decode(placed)
            return
        self._held.append(placed)
        if sum(map(len, self._held)) >= _LOOK:
            self._decode_held()

    def _decode_held(self) -> None:
        """The first rows tell the analyser's grid; then they are decoded."""
        if self._begun or not self._held or self._run is None:
            return
        shown, blocks = beginning(iter(self._held))
        stamps = np.concatenate([block.time for block in self._held])
        exact = self.asked.request.exact or without_delays(stamps, self._run.tick_fs)
        self._run.begin(None if exact else sample_grid(stamps), exact, shown)
        self._held, self._begun = [], True
        for block in blocks:
            self._decode(block)

    def _decode(self, block: Capture) -> None:
        run, keeper, timeline = self._run, self._keeper, self._timeline
        assert run is not None and keeper is not None and timeline is not None and self._gathering is not None
        keeper.feed(block)
        decoded = run.step(block)
        self._gathering.take(decoded, self._checking, self._accounting)
        self.counts.bus_s = (int(block.time[-1]) - int(run.first_tick or 0)) * run.tick_s
        self._look_at(decoded)
        keeper.look(decoded)
        keeper.settle()
        if self.asked.rules.failures is not None and self.counts.failures >= self.asked.rules.failures:
            self._stop(f"{self.counts.failures} failures")

    def _look_at(self, decoded: Decoded) -> None:
        """Count a block's reads, and tell the wrong ones."""
        run, timeline = self._run, self._timeline
        assert run is not None and timeline is not None
        verdict = decoded.compared.verdict
        wrong = int(np.count_nonzero(verdict == Verdict.MISMATCH))
        right = int(np.count_nonzero(verdict == Verdict.AGREES))
        day0, before = timeline.day0_s, self.counts.failures
        if wrong or right:
            last_s = int(decoded.cycles.time[-1]) * run.tick_s
            self.counts.count(int((day0 + last_s) // 60), wrong, wrong + right)
        if not wrong:
            return
        most = MOST_IN_A_BLOCK if self._journal.size < LIMIT_BYTES else 0
        common = (before, self.binding.board, self._digits, run.tick_s, day0, self._name, most)
        for one in failures_in(decoded, *common):
            self._failed(one)

    def _failed(self, one: Any) -> None:
        keeper = self._keeper
        assert keeper is not None
        if isinstance(one, Failure):
            line = one.line(self._so_far(), None)
            region = next(k for k, r in enumerate(self.binding.board.regions) if r.name == one.region)
            line["kept"] = keeper.failed(one, region, line_text(line))
        else:
            line = one.line()
        if line["tick"] <= self._journal.told or self._journal.size > 2 * LIMIT_BYTES:
            return
        self._journal.add(line)
        first = not self.counts.alarmed
        self.counts.alarmed = True
        self._tell({**line, "first": first} if first else line)
        self._remember(line_text(line))

    def _so_far(self) -> str:
        result = self._weigher.result
        if result is None or not result.suspects or not result.judged:
            return ""
        first = result.suspects[0]
        return f"{first.component or first.region or first.fault} {first.probability:.0%}"

    # -- slower than the bus ----------------------------------------------------
    def _must_drop(self) -> bool:
        """A pipe fills up, and less than a second of bus is decoded in a second: its sampler would lose data."""
        if not self.asked.drop or not self._source.live:
            return False
        waiting = self._source.waiting()
        if self._dropping:
            if waiting < self.asked.spool_room // 2:
                self._dropping = False
                self._event("caught-up", f"{self.counts.dropped_blocks} blocks ({self.counts.dropped_s:.3g} s of the "
                            "bus) were left out so far; all is decoded again")  # fmt: skip
        elif waiting > 0.9 * self.asked.spool_room and (self.pace() or 1.0) < 1.0:
            self._dropping = True
            self._event("behind", "the bus is faster than the decoding: whole blocks are left out now, and what was "
                        "known is stale after each")  # fmt: skip
        return self._dropping

    def pace(self) -> float | None:
        """Seconds of bus in a second, lately; None until that can be said."""
        now = time.monotonic()
        if not self._pace or now - self._pace[-1][0] > 0.25:
            self._pace.append((now, self.counts.bus_s, self.counts.bytes))
            while len(self._pace) > 2 and now - self._pace[0][0] > _PACE_S:
                self._pace.pop(0)
        then, bus_s, _ = self._pace[0]
        return (self.counts.bus_s - bus_s) / (now - then) if now - then > 1.0 else None

    # -- from time to time --------------------------------------------------
    def tick(self) -> None:
        """While the source has nothing."""
        self._tick()

    def _tick(self, *, between_blocks: bool = False) -> None:
        now = time.monotonic()
        self.counts.elapsed_s = self._elapsed_before + now - self._since
        if self._interrupted:
            self._stop("interrupted")
        rules = self.asked.rules
        if rules.for_s is not None and self.counts.elapsed_s >= rules.for_s:
            self._stop("the time is over")
        if between_blocks and now - self._last_save >= self.asked.save_s:
            self._save()
        if now - self._last_show < 0.25:
            return
        self._last_show = now
        for event, text in self._source.news():
            self._event(event, text)
        step = self._clock.look()
        if step is not None:
            self._event("clock-set", f"the machine's clock was set by {step:+.0f} s; times of day here go on unchanged")
        self._look_at_silence()
        self._look_at_verdict()
        self._show(self.status())

    def _look_at_silence(self) -> None:
        quiet = 0.0 if self._source.waiting() else self._source.quiet_s()
        if quiet < self.asked.silence_s:
            if self._quiet_told:
                self._event("heard", "the source speaks again")
            self._quiet_told = False
            return
        if not self._quiet_told:
            self._quiet_told = True
            self._event("silent", f"nothing has come for {quiet:.0f} s")
        if self.asked.rules.silent and not self.closing:
            self._save(last=True)  # as it is before the end is taken for one, so that it can go on
            self.closing = True

    def _look_at_verdict(self) -> None:
        result = self._weigher.result
        if result is None:
            return
        verdict = verdict_of(result)
        if verdict != self._told_verdict:
            self._told_verdict = verdict
            self._event("verdict", verdict)
        if self.asked.rules.settled:
            why = settled_by(result, self.asked.before)
            if why:
                self._stop(f"settled: {why}")

    def _stop(self, why: str) -> None:
        if not self._stopped:
            self._stopped = why
            raise _Stop

    def _event(self, event: str, text: str, capture: str | None = None) -> None:
        line: dict[str, Any] = {"event": event, "day": _iso(self._clock.now()), "text": text}
        if capture is not None:
            line["capture"] = capture
        self._journal.add(line)
        self._tell(line)
        self._remember(text)

    def _remember(self, text: str) -> None:
        self._events = [*self._events, text][-_EVENTS:]

    def status(self) -> Status:
        """How things stand."""
        result, pace = self._weigher.result, self.pace()
        first, then = (self._pace[0], self._pace[-1]) if self._pace else ((0.0, 0.0, 0), (0.0, 0.0, 0))
        steps = result.next_steps if result is not None else ()
        suspects = result.suspects if result is not None and result.judged else ()
        return Status(
            source=str(self.asked.request.capture),
            counts=self.counts,
            elapsed_s=self.counts.elapsed_s,
            pace=pace,
            rate_mb_s=(then[2] - first[2]) / 1e6 / max(then[0] - first[0], 1e-9),
            waiting=self._source.waiting(),
            quiet_s=self._source.quiet_s(),
            dropping=self._dropping,
            verdict=verdict_of(result) if result is not None else "",
            probability=suspects[0].probability if suspects else None,
            would_settle=steps[0].text if steps else "",
            events=tuple(self._events),
            kept=len(self._keeper.files) if self._keeper is not None else 0,
            saved_s_ago=time.monotonic() - self._last_save if self._state_bytes else None,
        )

    # -- what is on the disk ----------------------------------------------------
    def _save(self, *, last: bool = False) -> None:
        """Put everything away, whole; where the disk is full, say so once, and go on."""
        self._last_save = time.monotonic()
        if not self._begun or self._run is None or self._keeper is None or self._timeline is None:
            return
        self._settle()
        live = self._live
        place = live.place() if live is not None else None
        source = self._source.state(place)
        log = self._log.state()
        self._state_bytes = Saved.pack(self._run, self._gathering, self._log)
        saved = Saved(
            self.binding.fingerprint(), self._run.file.header, list(self._run.file.notes), self._state_bytes,
            self._keeper.state(), self._timeline.state(), log, source, self.counts, self._declared, self._clock.now(),
        )  # fmt: skip
        try:
            save(self.asked.out, saved)
            if self._save_failed:
                self._event("saved", "what is known is on the disk again")
            self._save_failed = False
        except OutputError as error:
            if not self._save_failed:
                self._event("not-saved", f"{error} The watch goes on; what comes now would be lost with it.")
            self._save_failed = True
        self._source.saved(source)
        self._log.saved()
        if not last and self._weigher.wants and (self.counts.failures or self.asked.rules.settled):
            self._weigh(log)

    def _settle(self) -> None:
        self._checking.settle()
        self._accounting.settle()

    def _weigh(self, log: dict[str, Any]) -> None:
        data, run = self._state_bytes, self._fresh_run()
        view = self._log.view(log)
        self._weigher.begin(lambda: result_of(data, run, view))

    def _fresh_run(self) -> Run:
        assert self._run is not None
        return self.binding.run(self._run.file.header, list(self._run.file.notes))

    def _end(self) -> WatchResult:
        """Save, so that it can go on; then weigh all that came."""
        self._decode_held()
        if self._run is None or not self._begun:
            raise CaptureError("nothing came that could be decoded", where=str(self.asked.request.capture),
                               hint="Is the sampler running, and writing there?")  # fmt: skip
        assert self._keeper is not None
        if not self.closing:
            self._save(last=True)
        self._settle()
        data = Saved.pack(self._run, self._gathering, self._log)
        self._weigher.wait()
        result = result_of(data, self._fresh_run(), self._log.view(self._log.state()), self._look_at)
        self._keeper.settle(ended=True)
        made = WatchResult.of(result, self._finding())
        self._event("ended", f"{self._stopped}: {verdict_of(result)}")
        return made

    def _finding(self) -> WatchFinding:
        counts, keeper, timeline = self.counts, self._keeper, self._timeline
        assert keeper is not None and timeline is not None
        return WatchFinding(
            source=str(self.asked.request.capture),
            ended=self._stopped,
            elapsed_s=counts.elapsed_s,
            bus_s=counts.bus_s,
            captures=counts.captures,
            refused=counts.refused,
            resumed=counts.resumed,
            failures=counts.failures,
            reads_compared=counts.compared,
            dropped_blocks=counts.dropped_blocks,
            dropped_s=counts.dropped_s,
            accesses=len(self._log),
            weighed=self._log.kept_rows,
            kept=keeper.files,
            days=tuple(days_of(timeline.anchors)),
            minutes=tuple((minute, wrong, compared) for minute, (wrong, compared) in counts.minutes.items()),
        )


class _Ticked:
    """A source that lets the watch do what is due while nothing comes."""

    def __init__(self, source: LiveSource, watch: Watch) -> None:
        self.where, self._source, self._watch = source.where, source, watch

    def readinto(self, buffer: memoryview) -> int:
        got = self._source.readinto(buffer)
        if got != NOTHING_YET:
            self._watch.counts.bytes += got
            return got
        self._watch.tick()
        return 0 if self._watch.closing else NOTHING_YET

    def cut(self) -> bool:
        return self._source.cut()


class _Skipped:
    """A dump's body from its next time stamp on: what stands before it is the rest of a change that was lost."""

    def __init__(self, source: LiveSource) -> None:
        self.where, self._source = source.where, source
        self._held, self.skipped = bytearray(), 0
        piece = bytearray(1 << 16)
        while True:
            at = self._held.find(b"\n#")
            if at >= 0:
                del self._held[: at + 1]
                self.skipped += at + 1
                return
            self.skipped += max(0, len(self._held) - 1)
            del self._held[: max(0, len(self._held) - 1)]
            with memoryview(piece) as view:
                got = source.readinto(view)
            if got == 0:
                return
            self._held += piece[: max(got, 0)]

    def readinto(self, buffer: memoryview) -> int:
        if not self._held:
            return self._source.readinto(buffer)
        count = min(len(buffer), len(self._held))
        buffer[:count] = self._held[:count]
        del self._held[:count]
        return count

    def cut(self) -> bool:
        return self._source.cut()


def _iso(day_s: float) -> str:
    return datetime.fromtimestamp(day_s).astimezone().isoformat(timespec="milliseconds")
