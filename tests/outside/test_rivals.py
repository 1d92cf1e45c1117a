"""A few captures of sound cards under unusual circumstances: no command says that a part is bad."""

from __future__ import annotations

from pathlib import Path

import pytest

from .rivals.run import one, verdicts_of

COMMANDS = ["check", "timing", "buffers", "selects"]


def judged(seed: int, kind: str, folder: Path, commands: list[str]) -> tuple[list[str], dict[str, str]]:
    """What is wrong with the answer of ``check``, and how the other commands did."""
    record = one(seed, kind, str(folder), "busledger.tui.start:main", commands, text=False, grade=False)
    checks, others = verdicts_of([record])
    return checks[0].why, {command: outcome for command, ((_, outcome),) in others.items()}


@pytest.mark.parametrize(
    ("kind", "seed"),
    [("healthy-plain", 500), ("healthy-stray", 501), ("healthy-unwired", 501), ("healthy-dropout", 500)],
)
def test_a_sound_card_is_accused_of_nothing_by_any_command(kind: str, seed: int, tmp_path: Path) -> None:
    wrong, others = judged(seed, kind, tmp_path, COMMANDS)
    assert wrong == [] and "timing" in others and set(others.values()) == {"ok"}
