"""Several wired sets in one capture: each is run as if it were alone, then each two are held together.

A wired set is a bus with its own clock or strobes, its own wiring, its own
cycles, ledger and verdict: the two sides of a bus driver, two processors, a
device that takes the bus. The capture is read once for every set.
"""

from __future__ import annotations

import re
import shutil
import stat
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel

from busledger.decoder.bus import carried_address, data_channels
from busledger.decoder.checks import BetweenResult, SetEntry, SetSide, SetsResult, Transfers, hold_together
from busledger.decoder.errors import BusledgerError, CaptureError, OutputError
from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.run import Run, open_run
from busledger.decoder.progress import Progress, silent

__all__ = ["WiredSet", "each_set", "from_start", "run_sets", "set_aside", "wired_sets"]

R = TypeVar("R", bound=BaseModel)
T = TypeVar("T")


@dataclass(frozen=True)
class WiredSet:
    """One set: ``name`` as printed, ``slug`` for file names, both unlike those of the other sets; its request.

    ``data`` names the channels of each data bit, ``address`` is the mask of address bits that channels give,
    ``tick_s`` seconds a tick of the capture, ``pipe`` the file in which a piped capture was set aside.
    """

    name: str
    slug: str
    profile: str
    board: str | None
    data: tuple[frozenset[int], ...]
    address: int
    tick_s: float
    request: Request
    pipe: Path | None

    @property
    def wiring(self) -> str | None:
        """The wiring file as it was given."""
        return None if self.request.wiring is None else str(self.request.wiring)

    @contextmanager
    def reading(self) -> Iterator[Request]:
        """The request for one more reading of the capture from its beginning."""
        with from_start(self.request, self.pipe) as request:
            yield request

    def entry(self, result: R | None, message: str | None = None) -> SetEntry[R]:
        """What the joint result holds of this set."""
        return SetEntry(
            name=self.name,
            profile=self.profile,
            board=self.board,
            wiring=self.wiring,
            message=message,
            result=result,
        )


@contextmanager
def wired_sets(requests: Sequence[Request]) -> Iterator[tuple[WiredSet, ...]]:
    """Each request as a set, bound and named before any is decoded, so that a mistake shows at once.

    A pipe is set aside in a temporary file while the sets are in use, because each of them reads it.

    Raises
    ------
    BusledgerError
        as ``open_run``, beginning with the set's number; OutputError where there is no room for a pipe.
    """
    with set_aside(requests[0]) as pipe:
        found: list[WiredSet] = []
        for number, request in enumerate(requests, 1):
            with _telling(f"set {number}"), from_start(request, pipe) as readable:
                run = open_run(readable)
                run.file.close()
            found.append(_named(run, request if pipe is None else replace(request, capture="-"), pipe, found))
        yield tuple(found)


def _named(run: Run, request: Request, pipe: Path | None, before: Sequence[WiredSet]) -> WiredSet:
    """Named by the board or the bus; a number tells sets of one name apart."""
    board = run.board.name if run.board is not None and run.board.name else None
    base = board or run.profile.name
    taken = {one.slug.casefold() for one in before}
    name, number = base, 1
    while (slug := _slug(name)).casefold() in taken:
        number += 1
        name = f"{base} ({number})"
    return WiredSet(
        name=name,
        slug=slug,
        profile=run.profile.name,
        board=board,
        data=data_channels(run.profile, run.layout),
        address=carried_address(run.profile, run.layout),
        tick_s=run.tick_s,
        request=request,
        pipe=pipe,
    )


def _slug(name: str) -> str:
    """``name`` for use inside a file name."""
    return re.sub(r"\W+", "-", name)[:60].strip("-") or "set"


def run_sets(
    command: str,
    sets: Sequence[WiredSet],
    run: Callable[[Request, Progress], R],
    progress: Progress = silent,
    *,
    compare: bool = False,
) -> SetsResult[R]:
    """Run every set on its own; with ``compare`` hold each two of them together.

    A set in which nothing can be decoded is told of, beside the results of the others.

    Raises
    ------
    BusledgerError
        as ``run``; CaptureError of the first set where not one could be judged.
    """
    kept = [Transfers(one.request.board is not None) for one in sets] if compare else []

    def watched(k: int, request: Request, told: Progress) -> R:
        return run(replace(request, watch=kept[k].append) if compare else request, told)

    try:
        outcomes = each_set(sets, watched, progress)
        between = _between(sets, kept) if compare else ()
    finally:
        for transfers in kept:
            transfers.close()
    entries = tuple(
        one.entry(None, str(found)) if isinstance(found, CaptureError) else one.entry(found)
        for one, found in zip(sets, outcomes, strict=True)
    )
    errors = [found for found in outcomes if isinstance(found, CaptureError)]
    if len(errors) == len(sets):
        raise errors[0]
    return SetsResult(command=command, capture=str(sets[0].request.capture), sets=entries, between=between)


def each_set(
    sets: Sequence[WiredSet], run: Callable[[int, Request, Progress], T], progress: Progress = silent
) -> list[T | CaptureError]:
    """What ``run`` gives for each set, called with the set's index; a capture that cannot be decoded comes as a value.

    Raises
    ------
    BusledgerError
        as ``run``, CaptureError excepted, beginning with the set's number and name.
    """
    found: list[T | CaptureError] = []
    for k, one in enumerate(sets):
        try:
            with _telling(f"set {k + 1} ({one.name})"), one.reading() as request:
                found.append(run(k, request, _staged(progress, one.name)))
        except CaptureError as error:
            found.append(error)
    return found


def _between(sets: Sequence[WiredSet], kept: Sequence[Transfers]) -> tuple[BetweenResult, ...]:
    sides = [SetSide(one.name, one.data, one.address, transfers) for one, transfers in zip(sets, kept, strict=True)]
    return tuple(hold_together(first, second, sets[0].tick_s) for first, second in combinations(sides, 2))


def _staged(progress: Progress, name: str) -> Progress:
    """Each set has stages of its own."""

    def told(stage: str, done: int, total: int | None, unit: str) -> None:
        progress(f"{name}: {stage}", done, total, unit)

    return told


@contextmanager
def _telling(which: str) -> Iterator[None]:
    """An error that passes says which set it is of."""
    try:
        yield
    except BusledgerError as error:
        error.what = f"{which}: {error.what}"
        raise


@contextmanager
def from_start(request: Request, pipe: Path | None) -> Iterator[Request]:
    """``request`` such that its capture begins at its first byte."""
    if pipe is None:
        yield request
        return
    with pipe.open("rb") as file:
        yield replace(request, capture="-", stdin=file)


@contextmanager
def set_aside(request: Request) -> Iterator[Path | None]:
    """The bytes of a pipe in a file that goes with this block; None for a file, which can be opened again."""
    capture = str(request.capture)
    if capture != "-" and not _is_pipe(capture):
        yield None
        return
    with tempfile.TemporaryDirectory(prefix="busledger-") as folder:
        kept = Path(folder) / "capture"
        try:
            with kept.open("wb") as file:
                if capture == "-":
                    shutil.copyfileobj(request.stdin if request.stdin is not None else sys.stdin.buffer, file)
                else:
                    with Path(capture).open("rb") as pipe:
                        shutil.copyfileobj(pipe, file)
        except OSError as error:
            raise OutputError(
                f"the piped capture could not be set aside for several sets: {error.strerror or error}",
                where=tempfile.gettempdir(),
                expected="room for all of it, as it comes",
                hint="Save it in a file and name that, or set TMPDIR to a folder on a larger disk.",
            ) from error
        yield kept


def _is_pipe(capture: str) -> bool:
    """Whether this path gives its bytes only once; one that cannot be looked at is complained of when it is opened."""
    try:
        mode = Path(capture).stat().st_mode
    except (OSError, ValueError):
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))
