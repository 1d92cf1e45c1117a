"""``busledger selects``: decoder outputs against their truth tables."""

from __future__ import annotations

from tui.commands import options as opt
from tui.commands import screen

__all__ = ["selects"]


def selects(
    capture: opt.CaptureArgument,
    board: opt.BoardOption = None,
    wiring: opt.WiringOption = None,
    rate: opt.RateOption = None,
    t_from: opt.FromOption = None,
    t_to: opt.ToOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """Hold every decoder output and region select against what the board file says.

    Inputs must be clipped as far as they can be; what an unclipped one could be is left open, so it is
    never accused. Exit status 1 means that an output or a select was seen wrong.

    \b
    busledger selects run.vcd --board card.toml
    busledger selects run.vcd --board card.toml --json
    """
    from decoder.pipeline import run_selects
    from decoder.report import selects_text
    from tui.commands.progress_bar import progress_bar

    opt.need_board(board, "it says which decoder makes which select")
    asked = opt.request(
        capture,
        board=board,
        wiring=wiring,
        rate=rate,
        t_from=t_from,
        t_to=t_to,
    )
    with progress_bar(not (quiet or no_progress)) as progress:
        result = run_selects(asked, progress)
    if as_json:
        screen.show_data(result.to_json().encode() + b"\n")
    else:
        screen.show(selects_text(result, width=screen.width(), colour=screen.colour_wanted(), answer_only=quiet))
    return 1 if any(finding.weight == "fault" for finding in result.findings) else 0
