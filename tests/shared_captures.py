"""Where the captures of independently written CPU cores lie, beside the repository.

They are too large to bundle. Tests that need them run over what is there, and
skip with a reason where nothing is (``each_shared``); a small cut of each core
is bundled so that something always runs.
"""

from __future__ import annotations

import csv
import json
import lzma
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

SHARED = Path(os.environ.get("BUSLEDGER_SHARED", Path(__file__).resolve().parents[2] / "shared"))
FOLDER, FOREIGN = SHARED / "captures", SHARED / "foreign"


@dataclass(frozen=True)
class SharedCapture:
    """One file of one run, with the truth that the memory model logged."""

    folder: Path
    file: str

    @property
    def path(self) -> Path:
        return self.folder / self.file

    @property
    def board(self) -> Path:
        return self.folder / "board.toml"

    @property
    def fault(self) -> dict:
        return json.loads((self.folder / "truth_fault.json").read_text())

    def truth(self) -> list[tuple[float, str, int, int]]:
        """(seconds, kind, address, data) of every access that the memory model served."""
        with (self.folder / "truth_cycles.csv").open(newline="") as lines:
            return [
                (float(row["time_s"]), row["kind"], int(row["address"], 16), int(row["data"], 16))
                for row in csv.DictReader(lines)
            ]

    def text(self) -> bytes:
        return lzma.decompress(self.path.read_bytes())

    def __str__(self) -> str:
        return f"{self.folder.name}-{self.file.split('.')[0]}"


def shared_captures(folder: Path = FOLDER) -> list[SharedCapture]:
    """Every capture that is there, sorted; empty where the folder is not."""
    folders = sorted(p.parent for p in folder.glob("*/board.toml")) if folder.is_dir() else []
    return [SharedCapture(f, c) for f in folders for c in ("capture_events.vcd.xz", "capture_sampled.vcd.xz")]


def or_skip(found: Iterable[Any]) -> list[Any]:
    """The parameters of a test over files beside the repository: one that is skipped, and says why, where none is."""
    missing = pytest.mark.skip(reason=f"no captures of independent cores in {FOLDER}")
    return list(found) or [pytest.param(None, id="none there", marks=missing)]


def each_shared(wanted: Callable[[SharedCapture], bool] = lambda _: True) -> list[Any]:
    """The captures that are ``wanted``, as the parameters of a test."""
    return or_skip(pytest.param(capture, id=str(capture)) for capture in shared_captures() if wanted(capture))
