"""What ``selects``, ``buffers``, ``timing`` and ``probes`` have in common: run, show, and the exit status."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Protocol, TypeVar

from tui.commands import screen

if TYPE_CHECKING:
    from decoder.pipeline import Request

__all__ = ["run_and_show"]


class _Weighed(Protocol):
    @property
    def weight(self) -> str: ...


class _Result(Protocol):
    @property
    def findings(self) -> Sequence[_Weighed]: ...
    def to_json(self) -> str: ...


R = TypeVar("R", bound=_Result)


def run_and_show(
    run: Callable[..., R],
    text: Callable[..., str],
    asked: Request,
    *,
    counts: str = "fault",
    as_json: bool,
    quiet: bool,
    no_progress: bool,
) -> int:
    """Run one check with progress and show its result; 1 where a finding of weight ``counts`` is among them."""
    from tui.commands.progress_bar import progress_bar

    with progress_bar(not (quiet or no_progress)) as progress:
        result = run(asked, progress)
    if as_json:
        screen.show_data(result.to_json().encode() + b"\n")
    else:
        screen.show(text(result, width=screen.width(), colour=screen.colour_wanted(), answer_only=quiet))
    return 1 if any(finding.weight == counts for finding in result.findings) else 0
