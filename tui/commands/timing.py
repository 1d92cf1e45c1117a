"""``busledger timing``: set-up, hold, access and widths against published limits."""

from __future__ import annotations

from busledger.tui.commands import options as opt
from busledger.tui.commands.checking import run_and_show

__all__ = ["timing"]


def timing(
    capture: opt.CaptureArgument,
    board: opt.BoardOption = None,
    profile: opt.ProfileOption = None,
    wiring: opt.WiringOption = None,
    rate: opt.RateOption = None,
    raw: opt.RawOption = None,
    channels: opt.ChannelsOption = None,
    exact: opt.ExactOption = False,
    grade: opt.GradeOption = None,
    t_from: opt.FromOption = None,
    t_to: opt.ToOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """Measure set-up, hold, access and widths, and hold them against a grade's published limits.

    Without --grade the slowest grade that the clock fits is taken. What the sample rate cannot resolve
    is said, with the rate that could. Exit status 1 means that a limit was violated beyond that doubt,
    3 that the recording does not bear it out (a clip is off, say).

    \b
    busledger timing run.vcd --profile z80 --grade Z80A
    busledger timing run.vcd --board card.toml --json
    busledger timing run.vcd --profile 6502 --wiring main.toml --profile z80 --wiring io.toml
    """
    from busledger.decoder.pipeline import run_timing
    from busledger.decoder.report import timing_text

    asked = opt.requests(
        capture,
        board=board,
        profile=profile,
        wiring=wiring,
        rate=rate,
        raw=raw,
        channels=channels,
        exact=exact,
        grade=grade,
        t_from=t_from,
        t_to=t_to,
    )
    return run_and_show(
        "timing",
        run_timing,
        timing_text,
        asked,
        as_json=as_json,
        quiet=quiet,
        no_progress=no_progress,
    )
