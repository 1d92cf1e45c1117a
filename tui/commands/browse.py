"""``busledger browse``: the terminal browser."""

from __future__ import annotations

import sys
from dataclasses import replace

from busledger.decoder.errors import UsageError
from busledger.tui.commands import options as opt

__all__ = ["browse"]


def browse(
    capture: opt.CaptureArgument,
    board: opt.BoardOption = None,
    profile: opt.ProfileOption = None,
    wiring: opt.WiringOption = None,
    region: opt.RegionOption = None,
    rate: opt.RateOption = None,
    raw: opt.RawOption = None,
    channels: opt.ChannelsOption = None,
    exact: opt.ExactOption = False,
    grade: opt.GradeOption = None,
    t_from: opt.FromOption = None,
    t_to: opt.ToOption = None,
    symbols: opt.SymbolsOption = None,
) -> int:
    """Step through the evidence in the terminal: regions, suspects, cycles, levels.

    Press ? inside for the keys. A decoded capture is kept in a cache, so the second time opens at once.

    \b
    busledger browse run.vcd --board card.toml
    busledger browse run.vcd --profile 6502
    """
    from busledger.decoder.pipeline import open_session
    from busledger.tui.app import run_browser

    asked = opt.request(
        capture,
        board=board,
        profile=profile,
        wiring=wiring,
        region=region,
        rate=rate,
        raw=raw,
        channels=channels,
        exact=exact,
        grade=grade,
        t_from=t_from,
        t_to=t_to,
        symbols=symbols,
    )
    terminal = all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout))
    if capture == "-" or not terminal:
        raise UsageError(
            "the browser needs a terminal for its keys and a file for its capture",
            hint="Save the capture in a file, or use 'busledger check'.",
        )
    return run_browser(
        lambda progress: open_session(asked, progress),
        opener=lambda path: lambda progress: open_session(replace(asked, capture=path), progress),
    )
