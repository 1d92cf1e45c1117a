"""What ``selects``, ``buffers``, ``timing`` and ``probes`` have in common: run, show, and the exit status."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Protocol, TypeVar

from busledger.tui.commands import screen

if TYPE_CHECKING:
    from busledger.decoder.pipeline import Request

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
    command: str,
    run: Callable[..., R],
    text: Callable[..., str],
    asked: Sequence[Request],
    *,
    counts: str = "fault",
    compare: bool = False,
    as_json: bool,
    quiet: bool,
    no_progress: bool,
) -> int:
    """Run one check with progress and show its result; 1 where a finding of weight ``counts`` is among them, else 3
    where the recording could not be judged.

    ``asked`` holds a request for each wired set; with ``compare`` several are held together too.
    """
    from busledger.tui.commands.progress_bar import progress_bar

    def wrong(result: R) -> bool:
        return any(finding.weight == counts for finding in result.findings)

    if len(asked) > 1:
        from busledger.tui.commands.wired_sets import run_sets_of, show_sets, status_of

        together = run_sets_of(command, run, asked, compare=compare, show_progress=not (quiet or no_progress))
        show_sets(together, text, as_json=as_json, quiet=quiet)
        return status_of(together, wrong, _set_aside)
    with progress_bar(not (quiet or no_progress)) as progress:
        result = run(asked[0], progress)
    if as_json:
        screen.show_data(result.to_json().encode() + b"\n")
    else:
        screen.show(text(result, width=screen.width(), colour=screen.colour_wanted(), answer_only=quiet))
    return 1 if wrong(result) else 3 if _set_aside(result) else 0


def _set_aside(result: object) -> bool:
    """Whether the recording could not be judged; the channels' own check judges nothing else."""
    return not getattr(result, "judged", True)
