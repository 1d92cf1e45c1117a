"""A decoded capture that stays on disk, for whoever wants to step through it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Literal

from busledger.decoder.board import Board
from busledger.decoder.bus import Profile
from busledger.decoder.checks import Grounds
from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline.check import conclude
from busledger.decoder.pipeline.dividing import divide
from busledger.decoder.pipeline.doubts import checks_held, doubts_about
from busledger.decoder.pipeline.gathering import gather
from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.run import Decoded, Run, open_run
from busledger.decoder.program.following import Symbols, load_symbols
from busledger.decoder.progress import Progress, silent
from busledger.decoder.store import Store, StoreCache, StoredLine, StoredRegion, StoredRule, StoreFacts, store_key

__all__ = ["CaptureSession", "open_session", "program_version"]

_RESULT = "check.json"


@dataclass(frozen=True)
class CaptureSession:
    """One decoded capture with what was found in it; ``board`` is None where no board file was given, ``symbols``
    where no names were."""

    capture_path: str
    board_path: Path | None
    result: CheckResult
    store: Store
    board: Board | None
    symbols: Symbols | None = None


def program_version() -> str:
    """The installed version of busledger."""
    try:
        return version("busledger")
    except PackageNotFoundError:
        return "0"


def open_session(request: Request, progress: Progress = silent, cache: StoreCache | None = None) -> CaptureSession:
    """Decode, or find what was decoded before.

    The cache is keyed by everything the result depends on: content of the
    capture, board, profile, wiring, options and program version.

    Raises
    ------
    BusledgerError
        as ``run_check``; OutputError if the decoded columns cannot be written.
    """
    cache = StoreCache() if cache is None else cache
    given = request.board is not None
    if not given:
        request = _with_inferred_board(request, progress)
    run = open_run(request, progress)
    try:
        key = store_key(cache.digest(request.capture, progress), *_key_parts(run, request))
        store = cache.find(key)
        if store is None or _RESULT not in store.documents:
            store = _decode(run, cache, key, progress)
            cache.trim(keep=key)
    finally:
        run.file.close()
    result = CheckResult.model_validate_json(store.documents[_RESULT])
    board = run.board if given else None
    return CaptureSession(
        capture_path=str(request.capture),
        board_path=Path(board.path) if board is not None and board.path else None,
        result=result,
        store=store,
        board=board,
        symbols=None if request.symbols is None else load_symbols(request.symbols),
    )


def _with_inferred_board(request: Request, progress: Progress) -> Request:
    run = open_run(request, progress)
    try:
        if run.board is not None:
            return replace(request, board=run.board, regions=(), ignored=(), devices=())
        gathered = gather(run)
        gathered.log.close()
        return replace(request, board=gathered.board, ignored=(), devices=())
    finally:
        run.file.close()


def _key_parts(run: Run, request: Request) -> list[str]:
    board = run.board
    return [
        ""
        if board is None
        else repr((board.name, board.bus, board.regions, board.decoders, board.buffers, board.tested)),
        run.profile.file.model_dump_json(),
        repr(sorted(run.wiring.lines.items())),
        repr((request.rate_hz, request.t_from, request.t_to, request.grade, request.exact, request.raw)),
        "" if request.symbols is None else repr(load_symbols(request.symbols).names),
        program_version(),
    ]


def _decode(run: Run, cache: StoreCache, key: str, progress: Progress) -> Store:
    with cache.writer(key) as writer:

        def keep(block: Decoded) -> None:
            writer.add_capture(block.levels)
            writer.add_cycles(block.cycles)
            writer.add_compared(block.compared)

        gathered = gather(run, keep, time_everything=True)
        try:
            gathered = divide(gathered)
            result = conclude(gathered, progress)
        finally:
            gathered.log.close()
        writer.add_document(_RESULT, result.to_json())
        assert gathered.checks is not None  # gather() always looks
        held = checks_held(gathered.checks, doubts_about(result, gathered), Grounds(gathered.board, run.profile))
        for name in ("selects", "buffers", "timing"):
            table = getattr(held, name)
            if table is not None:
                writer.add_document(f"{name}.json", run.marks.said(table).to_json())
        return writer.finish(_facts(run))


def _facts(run: Run) -> StoreFacts:
    profile = run.profile
    return StoreFacts(
        tick_fs=run.tick_fs,
        lines=tuple(_line(run, name) for name in run.layout.names),
        regions=tuple(StoredRegion(name=r.name, start=r.start, end=r.end, kind=r.kind) for r in run.region_map.regions),
        rules=tuple(_rule(profile, k, run.tick_fs) for k in range(len(profile.rules))),
        address_bits=profile.address_bits,
        data_bits=profile.data_bits,
        profile=profile.name,
        program=program_version(),
        gaps=tuple(run.gaps),
    )


def _line(run: Run, name: str) -> StoredLine:
    line = run.profile.lines.get(name)
    role: Literal["address", "data", "control", "select", "other"] = "other"
    if line is not None:
        role = "address" if line.role == "address" else "data" if line.role == "data" else "control"
    elif run.board is not None and any(region.select == name for region in run.board.regions):
        role = "select"
    return StoredLine(name=name, role=role, active_low=name in run.marks.low)


def _rule(profile: Profile, rule: int, tick_fs: int) -> StoredRule:
    """The window around the sampling edge that the browser draws: of the rule's strobe, any grade's figures."""
    entry = profile.rules[rule]
    strobe = next(s for s in profile.strobes if s.name == entry.strobe)
    window = strobe.end if strobe.sample == "end" else strobe.begin
    return StoredRule(
        name=entry.kind,
        setup_ticks=_ticks(profile, window.setup, tick_fs),
        hold_ticks=_ticks(profile, window.hold, tick_fs),
    )


def _ticks(profile: Profile, reference: float | str, tick_fs: int) -> int:
    """A figure of a window in ticks, rounded up; a symbol takes the smallest that any grade gives."""
    if isinstance(reference, str):
        given = [limit.min for limit in profile.limits() if limit.symbol == reference and limit.min is not None]
        if not given:
            return 0
        reference = min(given)
    return math.ceil(reference * 1e6 / tick_fs)
