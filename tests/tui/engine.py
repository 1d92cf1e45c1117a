"""A stand-in for the engine, so that the commands are tested for what they do themselves."""

from __future__ import annotations

import sys
import types
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger.columns import Compared, Verdict
from tests.report.results import result

TICK_FS = 10**6


@dataclass(frozen=True)
class Request:
    """Takes whatever the commands fill in."""

    capture: Any
    board: Any = None
    profile: Any = None
    wiring: Any = None
    regions: tuple[str, ...] = ()
    ignored: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()
    good: tuple[str, ...] = ()
    bad: tuple[str, ...] = ()
    replaced: tuple[str, ...] = ()
    rate_hz: float | None = None
    t_from: int | None = None
    t_to: int | None = None
    grade: str | None = None
    stdin: Any = None
    exact: bool = False


@dataclass
class Engine:
    """``answer`` is called for every check; ``blocks`` are what every run decodes to."""

    asked: list[Request] = field(default_factory=list)
    answer: Callable[[Request], Any] = lambda _request: result()
    blocks: list[tuple[Cycles, Compared]] = field(default_factory=list)
    region_names: tuple[str, ...] = ("bank0",)
    closed: int = 0

    def run_check(self, request: Request, progress: Any = None, see: Any = None) -> Any:
        self.asked.append(request)
        return self.answer(request)

    def open_run(self, request: Request, progress: Any = None) -> _Run:
        self.asked.append(request)
        return _Run(self)


class _Run:
    tick_fs = TICK_FS
    profile = types.SimpleNamespace(address_bits=16, data_bits=8)

    def __init__(self, engine: Engine) -> None:
        self.region_names = engine.region_names
        self.file = types.SimpleNamespace(close=self._close)
        self._engine = engine

    def _close(self) -> None:
        self._engine.closed += 1

    def blocks(self) -> Iterator[Any]:
        for cycles, compared in self._engine.blocks:
            yield types.SimpleNamespace(cycles=cycles, compared=compared)


def traffic(n: int, *, wrong_every: int = 0) -> tuple[Cycles, Compared]:
    """``n`` reads of one region at 1 µs, every third cycle idle, a mismatch on D4 now and then."""
    cycles, compared = Cycles.empty(n), Compared.empty(n)
    cycles.time[:] = 1000 * np.arange(1, n + 1)
    cycles.kind[2::3] = Kind.IDLE
    cycles.address[:] = 0x4000 + np.arange(n) % 0x400
    cycles.region[:] = 0
    compared.verdict[:] = Verdict.AGREES
    compared.known[:] = 0xFF
    compared.verdict[2::3] = Verdict.NOT_TAKEN
    if wrong_every:
        compared.verdict[::wrong_every] = Verdict.MISMATCH
        compared.mismatch[::wrong_every] = 0x10
        compared.expected[::wrong_every] = 0x10
    return cycles, compared


@pytest.fixture
def engine(monkeypatch: pytest.MonkeyPatch) -> Engine:
    """The stand-in, in the place of ``busledger.decoder.pipeline``."""
    made = Engine()
    door = types.ModuleType("busledger.decoder.pipeline")
    door.Request = Request  # type: ignore[attr-defined]
    door.run_check = made.run_check  # type: ignore[attr-defined]
    door.open_run = made.open_run  # type: ignore[attr-defined]
    door.bus_and_board = lambda _request: (None, None)  # type: ignore[attr-defined]  # no board file is read
    door.captures_in = list  # type: ignore[attr-defined]  # every name stands for itself
    monkeypatch.setitem(sys.modules, "busledger.decoder.pipeline", door)
    return made
