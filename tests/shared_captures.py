"""Where the captures of independently written CPU cores lie, beside the repository.

They are too large to bundle. Tests that need them run over what is there; a
small cut of one of them is bundled so that something always runs.
"""

from __future__ import annotations

import csv
import json
import lzma
import os
from dataclasses import dataclass
from pathlib import Path

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
