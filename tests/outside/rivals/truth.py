"""What an answer about a case may say."""

from __future__ import annotations

from typing import Any

from .cycles import FETCH, READ, WRITE
from .scene import Scene

Pair = tuple[str, str]

CLIP: dict[str, list[Pair]] = {
    "clip-off": [("clip-off", "clip")],
    "clip-noisy": [("clip-noisy", "clip")],
    "clips-exchanged": [("clips-exchanged", "clip")],
    "too-slow": [("too-slow", "clip")],
}
ANY_RIVAL: list[Pair] = [("*", "machine"), ("*", "clip")]


class UnsuitableError(Exception):
    """The draw does not show what the kind is about; draw again."""


def mismatches(scene: Scene) -> int:
    """Reads of the listed memory that differ from what was written (or from the image), on the true bus."""
    ops = scene.ops()
    held: dict[int, int] = {}
    for region in scene.layout.regions:
        if region.listed and region.kind == "rom" and scene.image is not None:
            held.update({region.start + i: value for i, value in enumerate(scene.image)})
    roms = {a for r in scene.layout.regions if r.kind == "rom" for a in range(r.start, r.end + 1)}
    wrong = 0
    for op, address, data in zip(ops["op"].tolist(), ops["address"].tolist(), ops["data"].tolist(), strict=True):
        if op == WRITE and address not in roms and scene.world.where[address] >= 0:
            held[address] = data
        elif op in (FETCH, READ) and address in held and held[address] != data:
            wrong += 1
    return wrong


def need(scene: Scene, least: int) -> None:
    """Give up on a draw in which the thing hardly shows."""
    if mismatches(scene) < least:
        raise UnsuitableError(f"{scene.kind}: too few wrong reads")


def healthy(scene: Scene, exits: tuple[int, ...] = (0,), judge: bool = True, **more: Any) -> None:
    """The card is good and the capture good enough."""
    scene.truth.update(
        innocent=True, rival=None, where=more.pop("where", {}), expected_exit=list(exits), accept_first=[],
        never_accuse=True, expect="healthy", must_judge=judge, **more,
    )  # fmt: skip


def rival(
    scene: Scene, name: str, accept: list[Pair], exits: tuple[int, ...] = (3,), expect: str = "rival", **more: Any
) -> None:
    """The card is good; something else is unusual.

    `expect`: "rival" (it must be named first), "rival-if-mismatch" (an answer without wrong reads is as good),
    "tolerate" (no accusation is enough).
    """
    scene.truth.update(
        innocent=True, rival=name, where=more.pop("where", {}), expected_exit=list(exits),
        accept_first=[list(pair) for pair in accept], never_accuse=True, expect=expect, must_judge=False, **more,
    )  # fmt: skip


def fault(scene: Scene, accept: list[Pair], components: list[str], **more: Any) -> None:
    """The card is bad, and an answer must say so."""
    scene.truth.update(
        innocent=False, rival=None, where=more.pop("where", {}), expected_exit=[1],
        accept_first=[list(pair) for pair in accept], never_accuse=False, expect="fault", must_judge=True,
        components=components, **more,
    )  # fmt: skip
