"""A check's result, printed, and the exit status that goes with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tui.commands import screen

if TYPE_CHECKING:
    from decoder.findings import CheckResult

__all__ = ["report_check"]


def report_check(result: CheckResult, *, as_json: bool = False, quiet: bool = False) -> int:
    """Print the result; 1 if any read was wrong, else 0."""
    if as_json:
        screen.show_data(result.to_json().encode() + b"\n")
    else:
        from decoder.report import check_text

        screen.show(check_text(result, width=screen.width(), colour=screen.colour_wanted(), answer_only=quiet))
    return 1 if result.mismatch_total else 0
