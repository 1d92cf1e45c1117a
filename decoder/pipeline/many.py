"""Several captures of one machine as one body of evidence, with a summary of each.

Every capture is decoded and judged on its own, two at a time in processes of
their own; then all are weighed once more together (``together``).
"""

from __future__ import annotations

import multiprocessing
import os
import re
import signal
import tempfile
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from busledger.decoder.errors import BusledgerError, UsageError
from busledger.decoder.findings import CaptureSummary, CheckManyResult, Unread
from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.together import Part, Placed, decode_part, weigh_together
from busledger.decoder.progress import Progress, silent
from busledger.decoder.text import plain

__all__ = ["captures_in", "check_many"]

PROCESSES = 2
_SUFFIX = re.compile(r"\.(vcd|csv)(\.(gz|bz2|xz|zst))?$", re.IGNORECASE)


def captures_in(paths: Sequence[str]) -> list[str]:
    """The captures that ``paths`` name, folders replaced by the captures in them, by name in natural order.

    Raises
    ------
    UsageError
        a folder without captures, or standard input among several.
    """
    found: list[str] = []
    for path in paths:
        if path != "-" and os.path.isdir(path):  # noqa: PTH112 - quiet about names that no path can have
            inside = sorted((p.name for p in Path(path).iterdir() if _SUFFIX.search(p.name)), key=_natural)
            if not inside:
                raise UsageError("there is no capture in this folder", where=plain(path),
                                 expected="files ending in .vcd or .csv, plain or compressed")  # fmt: skip
            found += [str(Path(path) / name) for name in inside]
        else:
            found.append(path)
    if len(found) > 1 and "-" in found:
        raise UsageError("standard input cannot be one of several captures", expected="files or a folder")
    return found


def _natural(name: str) -> list[tuple[int, str]]:
    """Numbers by value: run2 before run10."""
    return [(int(part), "") if part.isdigit() else (-1, part.casefold()) for part in re.split(r"(\d+)", name)]


def check_many(
    request: Request, captures: Sequence[str], offsets_s: Sequence[float] = (), progress: Progress = silent
) -> CheckManyResult:
    """Check several captures of one board.

    Parameters
    ----------
    request : what holds for all of them (its ``capture`` is not used)
    captures : files, in time order unless ``offsets_s`` says otherwise
    offsets_s : starts in seconds, one each; or one value, the time from start
        to start; empty = not known, they are laid end to end

    Raises
    ------
    UsageError
        neither a board nor regions are stated, or the offsets do not fit.
    BusledgerError
        of the first capture, where not one could be read.
    """
    if request.board is None and not request.regions:
        raise UsageError("several captures need to be held against the same regions",
                         expected="--board FILE or --region NAME=4000-43FF")  # fmt: skip
    starts = _starts(len(captures), offsets_s)
    with tempfile.TemporaryDirectory(prefix="busledger-") as scratch:
        done = _decode_all([replace(request, capture=path) for path in captures], scratch, progress)
        good = [(path, part, start) for path, part, start in zip(captures, done, starts, strict=True)
                if isinstance(part, Part)]  # fmt: skip
        unread = [
            Unread(path=p, message=str(e)) for p, e in zip(captures, done, strict=True) if isinstance(e, Exception)
        ]
        if not good:
            raise next(error for error in done if isinstance(error, BusledgerError))
        placed = _laid_out(good)
        joint = weigh_together(request, placed, progress)
    summaries = tuple(_summary(one) for one in placed)
    return CheckManyResult(
        captures=summaries,
        unread=tuple(unread),
        starts_known=bool(offsets_s),
        span_s=max(s.start_s + s.duration_s for s in summaries) - summaries[0].start_s,
        cycles=sum(s.cycles for s in summaries),
        reads_compared=sum(s.reads_compared for s in summaries),
        mismatch_total=sum(s.mismatches for s in summaries),
        captures_with_mismatches=sum(s.mismatches > 0 for s in summaries),
        joint=joint,
    )


def _starts(count: int, offsets_s: Sequence[float]) -> list[float | None]:
    if not offsets_s:
        return [None] * count
    if len(offsets_s) == 1:
        return [k * offsets_s[0] for k in range(count)]
    if len(offsets_s) != count:
        raise UsageError(f"{len(offsets_s)} offsets were given for {count} captures",
                         expected="one for each, or a single one from start to start")  # fmt: skip
    return list(offsets_s)


def _decode_all(requests: Sequence[Request], scratch: str, progress: Progress) -> list[Part | BusledgerError]:
    """Each capture in a process of its own, two at a time; errors come back as values."""
    jobs = [(request, str(Path(scratch) / f"{k}.rows")) for k, request in enumerate(requests)]
    found: list[Part | BusledgerError] = []
    if len(jobs) == 1:
        return [_work(jobs[0])]
    with ProcessPoolExecutor(PROCESSES, multiprocessing.get_context("spawn"), _leave_interruptions) as pool:
        try:
            with _deaf_to_interruptions():
                parts = [pool.submit(_work, job) for job in jobs]
            for part in parts:
                found.append(part.result())
                progress("checking captures", len(found), len(jobs), "captures")
        except BrokenProcessPool as broken:
            raise BusledgerError(
                "a process that decodes was ended from outside, perhaps for want of memory",
                hint="Check fewer captures at once, or one at a time.",
            ) from broken
        except BaseException:
            for process in multiprocessing.active_children():
                process.terminate()
            raise
    return found


def _leave_interruptions() -> None:
    """In a process that decodes: a terminal's Ctrl-C comes to it too, but it is the first process that ends it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _deaf_to_interruptions() -> Iterator[None]:
    """A process started in here is deaf from its first moment: interrupted while it loads, it would print a traceback.

    It takes some hundredths of a second, in which this process does not hear Ctrl-C either.
    """
    if threading.current_thread() is not threading.main_thread():  # only there may it be changed, or be heard
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _work(job: tuple[Request, str]) -> Part | BusledgerError:
    request, rows = job
    try:
        return decode_part(request, rows)
    except BusledgerError as error:
        return error


def _laid_out(good: Sequence[tuple[str, Part, float | None]]) -> list[Placed]:
    """In time order; end to end where no starts are known."""
    placed, at = [], 0.0
    for path, part, start in good:
        placed.append(Placed(path, part, at if start is None else start))
        at += part.result.capture.duration_s
    return sorted(placed, key=lambda one: one.start_s)


def _summary(one: Placed) -> CaptureSummary:
    from busledger.decoder.diagnosis import clopper_pearson

    result = one.part.result
    compared = sum(region.reads_compared for region in result.regions)
    wrong = result.mismatch_total
    interval = clopper_pearson(wrong, compared) if compared else None
    return CaptureSummary(
        path=one.path,
        start_s=one.start_s,
        duration_s=result.capture.duration_s,
        cycles=result.cycles.total,
        reads_compared=compared,
        mismatches=wrong,
        rate=wrong / compared if compared else None,
        rate_95=(interval.low, interval.high) if interval is not None else None,
        first_suspect=result.suspects[0].summary if result.suspects else None,
        warnings=len(result.capture.warnings),
    )
