"""A progress bar on standard error, only where somebody can see it."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

from busledger.decoder.progress import Progress, silent

if TYPE_CHECKING:
    from rich.progress import TaskID

__all__ = ["progress_bar"]


@contextlib.contextmanager
def progress_bar(wanted: bool) -> Iterator[Progress]:
    """A ``Progress`` that draws bar, rate and time left; silent if unwanted or not on a terminal."""
    if not wanted or sys.stderr is None or not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    bar = Bar(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.fields[amount]}", markup=False),
        TimeRemainingColumn(compact=True),
        console=Console(file=sys.stderr),
        transient=True,
    )
    with bar:
        yield _Stages(bar)


class _Stages:
    """One line of the bar a stage of the work."""

    def __init__(self, bar: object) -> None:
        from rich.progress import Progress as Bar

        assert isinstance(bar, Bar)
        self._bar = bar
        self._stages: dict[str, TaskID] = {}

    def __call__(self, stage: str, done: int, total: int | None, unit: str) -> None:
        if stage not in self._stages:
            self._stages[stage] = self._bar.add_task(stage, total=total, amount="")
        task = self._stages[stage]
        speed = self._bar.tasks[task].speed
        self._bar.update(task, completed=done, total=total, amount=_amount(done, speed, unit))


def _amount(done: int, speed: float | None, unit: str) -> str:
    """``120 MB, 310 MB/s`` or ``3 suspects``."""
    if unit == "bytes":
        text = f"{done / 1e6:.0f} MB"
        return f"{text}, {speed / 1e6:.0f} MB/s" if speed else text
    text = f"{done} {unit}".strip()
    return f"{text}, {speed:.0f}/s" if speed and unit else text
