"""``busledger selects``: decoder outputs against their truth tables."""

from __future__ import annotations

from busledger.tui.commands import options as opt
from busledger.tui.commands.checking import run_and_show

__all__ = ["selects"]


def selects(
    capture: opt.CaptureArgument,
    board: opt.BoardOption = None,
    wiring: opt.WiringOption = None,
    rate: opt.RateOption = None,
    raw: opt.RawOption = None,
    channels: opt.ChannelsOption = None,
    exact: opt.ExactOption = False,
    t_from: opt.FromOption = None,
    t_to: opt.ToOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """Hold every decoder output and region select against what the board file says.

    Inputs must be clipped as far as they can be; what an unclipped one could be is left open, so it is
    never accused. Exit status 1 means that an output or a select was seen wrong, 3 that the
    recording does not bear it out (a clip is off, say).

    \b
    busledger selects run.vcd --board card.toml
    busledger selects run.vcd --board card.toml --json
    busledger selects run.vcd --board main.toml --board io.toml
    """
    from busledger.decoder.pipeline import run_selects
    from busledger.decoder.report import selects_text

    opt.need_board(board, "it says which decoder makes which select")
    asked = opt.requests(
        capture,
        board=board,
        wiring=wiring,
        rate=rate,
        raw=raw,
        channels=channels,
        exact=exact,
        t_from=t_from,
        t_to=t_to,
    )
    return run_and_show(
        "selects",
        run_selects,
        selects_text,
        asked,
        as_json=as_json,
        quiet=quiet,
        no_progress=no_progress,
    )
