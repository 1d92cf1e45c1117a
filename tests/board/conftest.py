"""How a test writes a board file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def board_file(tmp_path: Path) -> Callable[[str], Path]:
    """Writes text as ``card/board.toml`` and gives its path."""

    def write(text: str) -> Path:
        path = tmp_path / "card" / "board.toml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    return write
