"""``busledger match``: a good capture against a bad one."""

from __future__ import annotations

from typing import Annotated

import typer

from busledger.tui.commands import options as opt
from busledger.tui.commands import screen

__all__ = ["match"]


def match(
    good: Annotated[str, typer.Argument(metavar="GOOD", help="The capture that is right.", show_default=False)],
    bad: Annotated[str, typer.Argument(metavar="BAD", help="The one to hold against it.", show_default=False)],
    board: opt.BoardOption = None,
    profile: opt.ProfileOption = None,
    wiring: opt.WiringOption = None,
    rate: opt.RateOption = None,
    raw: opt.RawOption = None,
    channels: opt.ChannelsOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """Find the first place where two captures of the same program part, and every later one by cause.

    The two may start at different moments and run at slightly different speeds. Exit status 1 means that they differ.

    \b
    busledger match good.vcd bad.vcd --board card.toml
    busledger match before.vcd after.vcd --profile z80
    """
    from busledger.decoder.pipeline import match_captures
    from busledger.decoder.report import match_text
    from busledger.tui.commands.progress_bar import progress_bar

    asked = opt.request(good, board=board, profile=profile, wiring=wiring, rate=rate, raw=raw, channels=channels)
    with progress_bar(not (quiet or no_progress)) as progress:
        result = match_captures(asked, good, bad, progress)
    if as_json:
        screen.show_data(result.model_dump_json(by_alias=True, indent=2).encode() + b"\n")
    else:
        screen.show(match_text(result, width=screen.width(), colour=screen.colour_wanted(), answer_only=quiet))
    return 1 if result.places else 0
