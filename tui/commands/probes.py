"""``busledger probes``: the health of every channel."""

from __future__ import annotations

from busledger.tui.commands import options as opt
from busledger.tui.commands.checking import run_and_show

__all__ = ["probes"]


def probes(
    capture: opt.CaptureArgument,
    board: opt.BoardOption = None,
    profile: opt.ProfileOption = None,
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
    """Look at every channel before anything is believed: still, shorted, glitching, loose ground, clock, rate.

    Needs no board file and no bus; either one names the lines and sharpens the words. Exit status 1
    means that something makes the capture doubtful.

    \b
    busledger probes run.vcd
    busledger probes run.vcd --profile 6502
    """
    from busledger.decoder.pipeline import run_probes
    from busledger.decoder.report import probes_text

    asked = opt.request(
        capture,
        board=board,
        profile=profile,
        wiring=wiring,
        rate=rate,
        raw=raw,
        channels=channels,
        exact=exact,
        t_from=t_from,
        t_to=t_to,
    )
    return run_and_show(
        "probes",
        run_probes,
        probes_text,
        (asked,),
        counts="doubt",
        as_json=as_json,
        quiet=quiet,
        no_progress=no_progress,
    )
