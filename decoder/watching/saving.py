"""The folder of a watch: whose it is, what it knows, and whether an earlier one may go on there."""

from __future__ import annotations

import fcntl
import os
import shutil
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from pickle import UnpicklingError
from typing import Any

from busledger.decoder.capture import Header, Note
from busledger.decoder.errors import OutputError, UsageError
from busledger.decoder.pipeline import Gathering, Run
from busledger.decoder.watching.accesses import KeptAccesses
from busledger.decoder.watching.state import load_state, packed_state, save_state, unpacked_state
from busledger.decoder.watching.status import Counts
from busledger.decoder.watching.weighing import shared_by

__all__ = ["Saved", "load_saved", "lock_folder", "save"]

_STATE = "state"


@dataclass
class Saved:
    """Everything that a later process needs; ``data`` is for ``result_of`` too."""

    fingerprint: str
    header: Header
    notes: list[Note]
    data: bytes
    keeper: dict[str, Any]
    timeline: dict[str, Any]
    log: dict[str, Any]
    source: dict[str, Any]
    counts: Counts
    declared: bytes
    day_s: float

    @staticmethod
    def pack(run: Run, gathering: Gathering | None, log: KeptAccesses) -> bytes:
        """What decoding has come to, without what every process has anyway."""
        return packed_state({"decoding": run.decoding(), "gathering": gathering}, shared_by(run, log))

    def unpack(self, run: Run, log: KeptAccesses) -> dict[str, Any]:
        """What ``pack`` was given, for another ``run`` bound alike."""
        state: dict[str, Any] = unpacked_state(self.data, shared_by(run, log))
        return state


def lock_folder(out: Path, until: ExitStack) -> None:
    """Make the folder, and keep other watches out of it.

    Raises
    ------
    OutputError
        it cannot be made or written to.
    UsageError
        another watch is at work in it.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        fd = os.open(out / "lock", os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise OutputError(f"no folder for the watch: {error.strerror}", where=str(out)) from error
    until.callback(os.close, fd)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise UsageError("another watch is at work in this folder", where=str(out),
                         hint="Give this one another --out.") from error  # fmt: skip


def load_saved(out: Path, fingerprint: str, *, resume: bool) -> Saved | None:
    """What an earlier watch left in ``out``; None where there is nothing to go on with, or it was killed before its
    first save (then what it took from a pipe is still there).

    Raises
    ------
    UsageError
        there is one, but nobody said that it is to go on; or it cannot.
    """
    state, begun = out / _STATE, (out / "failures.jsonl").exists()
    if not resume:
        if state.exists():
            raise UsageError(
                "this folder holds an earlier watch",
                where=str(out),
                expected="--resume to go on with it, or --out with another folder",
            )
        for name in ("spool", "accesses", "kept"):
            shutil.rmtree(out / name, ignore_errors=True)
        return None
    if not state.exists():
        if not begun:
            raise UsageError("there is no watch to go on with", where=str(out), hint="Leave --resume out.")
        return None
    try:
        saved = unpacked_state(load_state(state), {})
    except (UnpicklingError, AttributeError, TypeError, ImportError, EOFError) as error:
        raise UsageError("the state of the watch cannot be read", where=str(state),
                         hint="Begin a new watch.") from error  # fmt: skip
    if not isinstance(saved, Saved):
        raise UsageError("this is not the state of a watch", where=str(state), hint="Begin a new watch.")
    if saved.fingerprint != fingerprint:
        raise UsageError(
            "the board file, the bus or an option was changed since this watch began",
            where=str(out),
            hint="Go on with what it began with, or begin a new watch with another --out.",
        )
    saved.counts.resumed += 1
    return saved


def save(out: Path, saved: Saved) -> None:
    """Write ``saved`` whole.

    Raises
    ------
    OutputError
        the disk is full; what was saved before is whole then.
    """
    save_state(out / _STATE, packed_state(saved, {}))
