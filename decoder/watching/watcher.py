"""The watch itself: bytes as they come, decoded, told and saved as it goes."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import replace
from typing import Any

from busledger.decoder.capture import Header, LiveCapture, LivePlace
from busledger.decoder.durations import format_duration
from busledger.decoder.errors import BusledgerError, CaptureError, OutputError
from busledger.decoder.figures import percent
from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline import Beside
from busledger.decoder.report import verdict as verdict_of
from busledger.decoder.watching.accesses import KeptAccesses
from busledger.decoder.watching.bound import Binding
from busledger.decoder.watching.clock import DayClock
from busledger.decoder.watching.coming import Coming, Source
from busledger.decoder.watching.decoding import Decoding
from busledger.decoder.watching.ending import settled_by
from busledger.decoder.watching.opening import joint_header, opened_capture
from busledger.decoder.watching.pacing import Pace
from busledger.decoder.watching.passing import Ticked
from busledger.decoder.watching.request import WatchRequest
from busledger.decoder.watching.row_packing import ROW_BYTES
from busledger.decoder.watching.saving import load_saved, lock_folder, save
from busledger.decoder.watching.sources import open_watched
from busledger.decoder.watching.status import Counts, Status, WatchFinding, WatchResult
from busledger.decoder.watching.telling import Telling
from busledger.decoder.watching.timeline import days_of
from busledger.decoder.watching.weighing import Weigher, result_of

__all__ = ["Watch"]

_SHOW_S = 0.25
_SAVE_SHARE = 50  # saving may take one part in so many of the time, on a slow or a busy machine too
_OVER = {
    "gone": "the source is gone",
    "closed": "the source has ended",
    "packed": "the rest of a packed stream cannot be read: its beginning, which it needs, is no longer there",
}


class _Stop(Exception):  # noqa: N818 - no error
    """Enough has been seen."""


class Watch:
    """``run`` watches until it has seen enough, or nothing more can come.

    Parameters
    ----------
    tell : called with every line that is told (``event`` says what it is), after it is in the journal
    show : called a few times a second with the state of things

    Attributes
    ----------
    closing : the source is taken to have ended, though it does not say so

    Raises
    ------
    UsageError
        the folder holds an earlier watch that is not to go on, or one that cannot.
    BusledgerError
        the board file, the source or the folder is not as it should be.
    """

    def __init__(
        self,
        asked: WatchRequest,
        tell: Callable[[dict[str, Any]], None],
        show: Callable[[Status], None] = lambda status: None,
        clock: DayClock | None = None,
    ) -> None:
        self.asked, self._show = asked, show
        self._binding = Binding(asked.request)
        self._exit = ExitStack()
        try:
            self._open(tell, clock)
        except BaseException:
            self._exit.close()
            raise
        self._decoding: Decoding | None = None
        self._live: LiveCapture | None = None
        self._stopped = self._packing = ""
        self._interrupted = self.closing = False
        self._save_failed = self._quiet_told = False
        self._accused: object = None
        self._refusal: BusledgerError | OSError | None = None
        self._since = self._last_save = self._last_show = time.monotonic()
        self._elapsed_before = self.counts.elapsed_s
        self._has_saved = self._has_read = False
        self._save_took = 0.0
        self._weigher, self._pace = Weigher(), Pace()

    def _open(self, tell: Callable[[dict[str, Any]], None], clock: DayClock | None) -> None:
        asked = self.asked
        lock_folder(asked.out, self._exit)
        saved = self._saved = load_saved(asked.out, self._binding.fingerprint(), resume=asked.resume)
        self._declared = b"" if saved is None else saved.declared
        self.counts = saved.counts if saved is not None else Counts()
        self._clock = clock or DayClock(saved.day_s if saved is not None else 0.0)
        self._telling = Telling(
            asked.out / "failures.jsonl", tell, self._clock, self.counts, self._binding.board, fresh=not asked.resume
        )
        self._exit.callback(self._telling.close)
        self._event = self._telling.event
        self._log = KeptAccesses(asked.out / "accesses", asked.room // ROW_BYTES)
        self._source: Source = open_watched(
            str(asked.request.capture), asked.out / "spool", asked.spool_room, asked.request.raw,
            asked.request.stdin, None if saved is None else saved.source, asked.settled_s, self._declared,
        )  # fmt: skip
        self._exit.callback(self._source.close)

    # -- the loop -----------------------------------------------------------
    def run(self) -> WatchResult:
        """Watch; the result of all that came.

        Raises
        ------
        CaptureError
            nothing came that could be decoded.
        """
        with self._exit, Beside("checks") as checking, Beside("accounts") as accounting:
            self._beside = checking, accounting
            source = str(self.asked.request.capture)
            text = f"watching {'standard input' if source == '-' else source}"
            if self._saved is not None:
                text += f", going on after {self.counts.failures} wrong reads"
                self._decoding = self._decoding_of(self._saved.header)
            self._event("resumed" if self._saved is not None else "started", text)
            with suppress(_Stop):
                self._captures()
            return self._end()

    def interrupt(self) -> None:
        """End after the block under way, as if it had been asked for."""
        self._interrupted = True

    def _captures(self) -> None:
        while not self.closing:
            coming = self._source.next()
            self._tick()
            if coming is None:
                if self._source.over:
                    self._stopped = _OVER[self._source.over]
                    return
                continue
            try:
                self._capture(coming)
            except OutputError:
                raise
            except (BusledgerError, OSError) as error:
                self.counts.refused += 1
                self._live, self._refusal = None, error
                self._event("capture-refused", str(error), coming.name)
                if self._source.live:  # where its next capture begins, nobody can tell
                    self._stopped = "what came could not be read"
                    return
            self._source.done()
        self._stopped = "the source is silent"

    def _capture(self, coming: Coming) -> None:
        """One capture, from where it is to its end."""
        live = self._opened(coming)
        decoding = self._decoding = self._decoding or self._decoding_of(joint_header(live.header, self._source.many))
        decoding.capture = coming.name
        select = self._binding.select(live.header, decoding.run.layout, coming.name)
        if coming.torn and self._declared:
            self._event("lost", "bytes were lost while nobody watched: what was known is stale", coming.name)
        if not coming.resumed:
            day_s = self._clock.now() if coming.day_s is None else coming.day_s
            if decoding.timeline.begin_capture(live.header.tick_fs, day_s, coming.stamp):
                text = f"its times are finer than {format_duration(decoding.timeline.tick_fs)}, and are rounded to that"
                self._event("rounded", text, coming.name)
            self.counts.captures += 1
        self._live, self._has_read = live, True
        notes = decoding.run.file.notes
        for block in live.blocks(select):
            self._declared = self._declared or self._place(live).declarations
            if len(block):
                self._heard()
            decoding.take(block, drop=len(block) > 0 and self._must_drop())
            self._tick(between_blocks=True)
        notes += [note for note in live.notes if note not in notes]
        self._live = None
        decoding.end_capture(live.end_time)

    def _decoding_of(self, header: Header) -> Decoding:
        around = (self._binding, self.asked, self._log, self._telling, self.counts)
        return Decoding(around, header, self._saved, *self._beside)

    def _opened(self, coming: Coming) -> LiveCapture:
        opened = opened_capture(Ticked(coming.bytes, self), coming, self.asked.request, self._declared)
        self._packing = opened.packing
        return opened.live

    def _place(self, live: LiveCapture) -> LivePlace:
        return replace(live.place(), packing=self._packing)

    def _must_drop(self) -> bool:
        """Whether the block at hand is left out: a pipe fills up, and its sampler would lose data."""
        if not self.asked.drop or not self._source.live:
            return False
        turn = self._pace.look(self._source.waiting(), self.asked.spool_room)
        if turn == "caught-up":
            lost = f"{self.counts.dropped_blocks} blocks, {self.counts.dropped_s:.3g} s of the bus"
            self._event(turn, f"all is decoded again; {lost} were left out so far")
        elif turn:
            text = "the bus is faster than the decoding: whole blocks are left out now, and what was known is stale"
            self._event(turn, text)
        return self._pace.dropping

    # -- from time to time --------------------------------------------------
    def tick(self) -> None:
        """While the source has nothing."""
        self._tick()

    def took(self, count: int) -> None:
        """Bytes have come."""
        self.counts.bytes += count

    def _tick(self, *, between_blocks: bool = False) -> None:
        now = time.monotonic()
        self.counts.elapsed_s = self._elapsed_before + now - self._since
        self._pace.see(self.counts.bus_s, self.counts.bytes, self._source.waiting() if self._source.live else 0)
        rules = self.asked.rules
        if self._interrupted:
            self._stop("interrupted")
        if rules.for_s is not None and self.counts.elapsed_s >= rules.for_s:
            self._stop("the time is over")
        if rules.failures is not None and self.counts.failures >= rules.failures:
            self._stop(f"{self.counts.failures} wrong reads")
        if between_blocks and now - self._last_save >= max(self.asked.save_s, self._save_took * _SAVE_SHARE):
            self._save()
        if now - self._last_show < _SHOW_S:
            return
        self._last_show = now
        for event, text in self._source.news():
            self._event(event, text)
        step = self._clock.look()
        if step is not None:
            self._event("clock-set", f"the machine's clock was set by {step:+.0f} s; times of day here go on unchanged")
        if not between_blocks:  # at work is not silent, however slow the machine
            self._look_at_silence()
        self._look_at_verdict()
        self._show(self.status())

    def _look_at_silence(self) -> None:
        quiet = 0.0 if self._source.waiting() else self._source.quiet_s()
        if quiet < self.asked.silence_s:
            self._heard()
            return
        if not self._quiet_told:
            self._quiet_told = True
            self._event("silent", f"nothing has come for {quiet:.0f} s")
        if self.asked.rules.silent and not self.closing:
            self._save(last=True)  # as it is before the end is taken for one, so that it can go on
            self.closing = True

    def _heard(self) -> None:
        """Something came: told if the silence was."""
        if self._quiet_told:
            self._quiet_told = False
            self._event("heard", "the source speaks again")

    def _look_at_verdict(self) -> None:
        result = self._weigher.result
        if result is None:
            return
        self._telling.so_far = _named_first(result)
        first = result.suspects[0] if result.suspects and result.judged else None
        accused = (result.judged, first and (first.component, first.fault, first.region, first.lanes))
        if accused != self._accused:  # not for every figure that moves
            self._accused = accused
            self._event("verdict", verdict_of(result))
        if self.asked.rules.settled:
            why = settled_by(result, self.asked.before)
            if why:
                self._stop(f"settled: {why}")

    def _stop(self, why: str) -> None:
        self._stopped = why
        raise _Stop

    def status(self) -> Status:
        """How things stand."""
        result = self._weigher.result
        steps = result.next_steps if result is not None else ()
        suspects = result.suspects if result is not None and result.judged else ()
        return Status(
            source=str(self.asked.request.capture),
            counts=self.counts,
            elapsed_s=self.counts.elapsed_s,
            pace=self._pace.bus,
            rate_mb_s=self._pace.bytes / 1e6,
            waiting=self._source.waiting(),
            quiet_s=self._source.quiet_s(),
            dropping=self._pace.dropping,
            verdict=verdict_of(result) if result is not None else "",
            probability=suspects[0].probability if suspects else None,
            would_settle=steps[0].text if steps else "",
            events=self._telling.recent,
            kept=len(self._decoding.keeper.files) if self._decoding is not None else 0,
            saved_s_ago=time.monotonic() - self._last_save if self._has_saved else None,
        )

    # -- what is on the disk ------------------------------------------------
    def _save(self, *, last: bool = False) -> None:
        """Put everything away, whole; where the disk is full, say so once, and go on."""
        decoding = self._decoding
        began = self._last_save = time.monotonic()
        if decoding is None or not decoding.begun or not self._has_read:  # else what is on the disk is right
            return
        source = self._source.state(self._place(self._live) if self._live is not None else None)
        data = decoding.packed()
        saved = decoding.saved(data, source, self._declared, self._clock.now())
        try:
            save(self.asked.out, saved)
            if self._save_failed:
                self._event("saved", "what is known is on the disk again")
            self._save_failed, self._has_saved = False, True
        except OutputError as error:
            if not self._save_failed:
                self._event("not-saved", f"{error} The watch goes on; what comes now would be lost with it.")
            self._save_failed = True
        self._source.saved(source)
        self._log.saved()
        self._save_took = min(time.monotonic() - began, 30.0 / _SAVE_SHARE)
        if not last and self._weigher.wants and (self.counts.failures or self.asked.rules.settled):
            run, view = self._fresh_run(decoding), self._log.view(saved.log)
            self._weigher.begin(lambda: result_of(data, run, view))

    def _fresh_run(self, decoding: Decoding) -> Any:
        file = decoding.run.file
        return self._binding.run(file.header, list(file.notes))

    def _end(self) -> WatchResult:
        """Save, so that it can go on; then weigh all that came."""
        decoding = self._decoding
        if decoding is not None:
            decoding.decode_held()
        if decoding is None or not decoding.begun:
            if self._refusal is not None:
                raise self._refusal
            raise CaptureError(
                "nothing came that could be decoded",
                where=str(self.asked.request.capture),
                hint="Is the sampler running, and writing there?",
            )
        if not self.closing:
            self._save(last=True)
        self._show(self.status())
        data = decoding.packed()
        view, run = self._log.view(self._log.state()), self._fresh_run(decoding)
        result = self._weigher.last(lambda: result_of(data, run, view, decoding.look_at))
        decoding.keeper.settle(ended=True)
        self._event("ended", f"{self._stopped}: {verdict_of(result)}")
        return WatchResult.of(result, self._finding(decoding))

    def _finding(self, decoding: Decoding) -> WatchFinding:
        counts = self.counts
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
            kept=decoding.keeper.files,
            days=tuple(days_of(decoding.timeline.anchors)),
            minutes=tuple((minute, wrong, compared) for minute, (wrong, compared) in counts.minutes.items()),
        )


def _named_first(result: CheckResult) -> str:
    """``U6 93 %``, as a failure's line has it."""
    if not result.suspects or not result.judged:
        return ""
    first = result.suspects[0]
    return f"{first.component or first.region or first.fault} {percent(first.probability)}"
