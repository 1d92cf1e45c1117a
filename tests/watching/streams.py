"""Buses to watch: a made-up memory card whose bank1 fails in bursts, through pipes, files and folders."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from busledger.decoder.pipeline import Request
from busledger.decoder.watching import Watch, WatchRequest, WatchResult
from tests.benchmarks.long_capture import DIGITS, FIRST_NS, Traffic, _code, _spelled, board_text

__all__ = ["Pipe", "Told", "board_in", "header", "periods", "stream", "watch"]

_spelled_once = cache(_spelled)


def header(begin: int | None = 0) -> bytes:
    """The declarations, and every level 0 a moment before period ``begin``; None gives the declarations alone."""
    lines = Traffic().lines
    text = "$timescale 1 ns $end\n$scope module bus $end\n"
    text += "".join(f"$var wire 1 {_code(n)} {name} $end\n" for n, name in enumerate(lines))
    text += "$upscope $end\n$enddefinitions $end\n"
    if begin is not None:
        span = _spelled_once(Traffic(wrong=0))[3]
        text += f"#{FIRST_NS + begin * span - 1000} " + " ".join(f"0{_code(n)}" for n in range(len(lines))) + "\n"
    return text.encode()


def periods(count: int, bursts: Mapping[int, int], begin: int = 0) -> Iterator[bytes]:
    """``count`` periods of a memory test (9.2 ms of a 1 MHz bus each); period k sees ``bursts[k]`` wrong reads."""
    powers = 10 ** np.arange(DIGITS - 1, -1, -1, dtype=np.int64)
    for k in range(begin, begin + count):
        body, places, offsets, span = _spelled_once(Traffic(wrong=bursts.get(k, 0)))
        stamps = (FIRST_NS + k * span + offsets)[:, None] // powers % 10 + 48
        made = body.copy()
        made[places[:, None] + np.arange(DIGITS)] = stamps.astype(np.uint8)
        yield made.tobytes()


def stream(count: int, bursts: Mapping[int, int]) -> bytes:
    """A whole capture."""
    return header() + b"".join(periods(count, bursts))


def board_in(folder: Path) -> Path:
    """The board file that belongs to all of them."""
    path = folder / "card.toml"
    path.write_text(board_text(Traffic()), encoding="utf-8")
    return path


class Pipe:
    """A pipe that outlives whoever reads it, with a thread that writes ``data`` into it."""

    def __init__(self, data: bytes, step: int = 1 << 16) -> None:
        self._read, self._write = os.pipe()
        self._data, self._step = data, step
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            for at in range(0, len(self._data), self._step):
                rest = memoryview(self._data)[at : at + self._step]
                while rest:
                    rest = rest[os.write(self._write, rest) :]
        except OSError:
            pass
        finally:
            os.close(self._write)

    def descriptor(self) -> int:
        """A descriptor of its own for a reader."""
        return os.dup(self._read)

    def reader(self) -> Any:
        """A file object as ``sys.stdin.buffer`` is one."""
        return os.fdopen(self.descriptor(), "rb", buffering=0)

    def close(self) -> None:
        """Nobody reads any more: the writer ends."""
        os.close(self._read)
        self._thread.join()


class Told:
    """Keeps the lines that a watch tells; ``on``: what to do at the first line of a kind."""

    def __init__(self, **on: Callable[[], object]) -> None:
        self.lines: list[dict[str, Any]] = []
        self._on = on

    def __call__(self, line: dict[str, Any]) -> None:
        self.lines.append(line)
        self._on.pop(line["event"], lambda: None)()

    def of(self, *events: str) -> list[dict[str, Any]]:
        """Those of some kinds."""
        return [line for line in self.lines if line["event"] in events]

    @property
    def events(self) -> list[str]:
        return [line["event"] for line in self.lines]


def watch(source: str, board: Path, out: Path, told: Any, *, stdin: Any = None, **asked: Any) -> WatchResult:
    """One watch, with short waits."""
    request = WatchRequest(request=Request(source, board=board, stdin=stdin), out=out, **asked)
    if "settled_s" not in asked:
        request = replace(request, settled_s=0.2)
    return Watch(request, told).run()
