"""Making and writing cases."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from . import kinds_clip, kinds_machine, kinds_real
from .scene import build, emit
from .truth import UnsuitableError

PLANS = {**kinds_clip.PLANS, **kinds_machine.PLANS, **kinds_real.PLANS}
KINDS: tuple[str, ...] = tuple(PLANS)
TRIES = 40


@dataclass(frozen=True)
class Case:
    """One capture with its truth."""

    seed: int
    kind: str
    vcd: bytes
    board: str | None
    image: bytes | None
    truth: dict[str, Any]

    @property
    def profile(self) -> str:
        """The profile to name where there is no board file."""
        return str(self.truth["profile"])


def make(seed: int, kind: str) -> Case:
    """Draw a case; the same seed and kind give the same case."""
    plan = PLANS[kind]
    for attempt in range(TRIES):
        try:
            scene = build(seed + attempt * 1_000_003, kind, plan)
        except UnsuitableError:
            continue
        vcd, board = emit(scene)
        truth = scene.truth
        truth["seed"] = seed
        truth.setdefault("variant", "")
        truth["profile"] = scene.bus_name
        truth["machine"] = {
            "bus": scene.timing.bus, "period_ns": scene.timing.period, "grade": scene.timing.grade,
            "rate_mhz": scene.rate, "cycles": len(scene.ops()["op"]), "regions": len(scene.layout.ram),
            "clips": len(scene.lines),
        }  # fmt: skip
        return Case(seed, kind, vcd, board, scene.image if board else None, truth)
    raise RuntimeError(f"no draw of {kind} from seed {seed} shows what it should")


def write(case: Case, folder: Path | str) -> Path:
    """Put a case into a folder: capture.vcd, board.toml, monitor.bin, truth.json."""
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    (place / "capture.vcd").write_bytes(case.vcd)
    if case.board is not None:
        (place / "board.toml").write_text(case.board, encoding="utf-8")
    if case.image is not None:
        (place / "monitor.bin").write_bytes(case.image)
    (place / "truth.json").write_text(json.dumps(case.truth, indent=1) + "\n", encoding="utf-8")
    return place
