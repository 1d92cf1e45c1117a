"""``busledger buffers``: the bus drivers' direction, lanes and contention."""

from __future__ import annotations

from busledger.tui.commands import options as opt
from busledger.tui.commands.checking import run_and_show

__all__ = ["buffers"]


def buffers(
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
    """Watch the bus drivers: direction and enable in every cycle, and every lane from side to side.

    Lanes are compared where the board file's far_side lines are clipped. With several boards, each one a
    side of the driver, the cycles that both sides saw are compared. Exit status 1 means that a driver was seen doing
    something wrong, 3 that the recording does not bear it out (a clip is off, say).

    \b
    busledger buffers run.vcd --board card.toml
    busledger buffers run.vcd --board card.toml --json
    busledger buffers run.vcd --board near.toml --board far.toml
    """
    from busledger.decoder.pipeline import run_buffers
    from busledger.decoder.report import buffers_text

    opt.need_board(board, "it says which drivers there are")
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
        "buffers",
        run_buffers,
        buffers_text,
        asked,
        compare=True,
        as_json=as_json,
        quiet=quiet,
        no_progress=no_progress,
    )
