"""How long work tells its caller how far it has come. The engine never prints."""

from __future__ import annotations

from typing import Protocol

__all__ = ["Progress", "silent"]


class Progress(Protocol):
    """Called every few megabytes; raising from it stops the work (KeyboardInterrupt does)."""

    def __call__(self, stage: str, done: int, total: int | None, unit: str) -> None:
        """``done`` of ``total`` ``unit`` ("bytes", "cycles", "suspects"); total None if unknown."""


def silent(stage: str, done: int, total: int | None, unit: str) -> None:
    """A progress that says nothing."""
