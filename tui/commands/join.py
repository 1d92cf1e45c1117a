"""``busledger join``: one capture out of several passes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from busledger.tui.commands import options as opt
from busledger.tui.commands import screen

__all__ = ["join"]


def join(
    captures: Annotated[
        list[str], typer.Argument(metavar="CAPTURE", help="Two or more passes of the same run.", show_default=False)
    ],
    out: Annotated[
        str, typer.Option("--out", metavar="FILE", help="The joined capture, a VCD file.", show_default=False)
    ],
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
    """Join passes of a repeatable run, each with other lines clipped, into one capture.

    Every pass must carry the bus's strobes; the cycles of the passes are paired by what they share. What cannot be
    paired is left out, never invented. The first pass gives the time. Channels that no board names yet are kept too.

    \b
    busledger join low.vcd high.vcd --out whole.vcd --board card.toml
    """
    from busledger.decoder.pipeline import join_captures
    from busledger.decoder.report import join_text, refuse_overwriting, whole_file
    from busledger.tui.commands.progress_bar import progress_bar

    refuse_overwriting(out, *captures, *(board or ()), *(wiring or ()))
    asked = opt.request(captures[0], board=board, profile=profile, wiring=wiring, rate=rate, raw=raw, channels=channels)
    with progress_bar(not (quiet or no_progress)) as progress, whole_file(Path(out)) as file:
        result = join_captures(asked, captures, out, file.write, progress)
    if as_json:
        screen.show_data(result.model_dump_json(by_alias=True, indent=2).encode() + b"\n")
    elif not quiet:
        screen.show(join_text(result, width=screen.width(), colour=screen.colour_wanted()))
    return 0
