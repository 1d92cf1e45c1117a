"""``busledger check``: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands import options as opt
from busledger.tui.commands.saved import saved_result

if TYPE_CHECKING:
    from busledger.decoder.pipeline import Request
    from busledger.tui.commands.outcome import Outputs

__all__ = ["check"]


def check(
    capture: Annotated[
        list[str],
        typer.Argument(
            metavar="CAPTURE",
            help="VCD or CSV file, plain or .gz .bz2 .xz .zst; '-' reads standard input. Several, or a folder, in time "
            "order, are one body of evidence.",
            show_default=False,
        ),
    ],
    board: opt.BoardOption = None,
    profile: opt.ProfileOption = None,
    wiring: opt.WiringOption = None,
    region: opt.RegionOption = None,
    ignore: opt.IgnoreOption = None,
    device: opt.DeviceOption = None,
    good: opt.GoodOption = None,
    bad: opt.BadOption = None,
    replaced: opt.ReplacedOption = None,
    rate: opt.RateOption = None,
    raw: opt.RawOption = None,
    channels: opt.ChannelsOption = None,
    exact: opt.ExactOption = False,
    grade: opt.GradeOption = None,
    t_from: opt.FromOption = None,
    t_to: opt.ToOption = None,
    before: Annotated[
        Path | None,
        typer.Option(
            "--before",
            metavar="RESULT.json",
            help="An earlier answer, as --json printed it: says what became of each part that it names.",
            show_default=False,
        ),
    ] = None,
    offset: Annotated[
        list[str] | None,
        typer.Option(
            "--offset",
            metavar="TIME",
            help="Start of each of several captures; one alone is the time from start to start.",
            show_default=False,
        ),
    ] = None,
    symbols: opt.SymbolsOption = None,
    html: opt.HtmlOption = None,
    markdown: opt.MarkdownOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """Find the failing part: compare every read with what was written there.

    The first line of the answer names the part, or says that no fault was seen. Exit status 1 means
    that at least one read was wrong.

    Several buses in one capture (both sides of a driver, two processors, a device that takes the bus): give --profile
    and --wiring, or --board, once for each. Each is checked on its own; sides of one bus are also compared.

    \b
    busledger check run.vcd --board card.toml
    busledger check run.vcd.xz --profile z80 --region ram=4000-43FF
    busledger check run.vcd --profile 6502 --device 9000-903F
    busledger check run.vcd --board card.toml --html report.html
    busledger check run.vcd --board card.toml --good U5-U8 --bad U3 --replaced U12
    busledger check again.vcd --board card.toml --before before.json --replaced U7,U12
    zcat run.vcd.gz | busledger check - --profile 6502 --json
    busledger check night/ --board card.toml --offset 600s
    busledger check run.vcd --profile z80 --wiring cpu.toml --profile sram --wiring card.toml
    """
    from busledger.decoder.pipeline import captures_in
    from busledger.tui.commands.outcome import Outputs, check_sets, checked, report_check
    from busledger.tui.commands.progress_bar import progress_bar

    captures = captures_in(capture)
    earlier = None if before is None else saved_result(before)
    outputs = Outputs(html, markdown)
    outputs.refuse_overwriting(*captures, *(board or ()), *(wiring or ()), before, as_json=as_json)
    asked = opt.requests(
        captures[0],
        board=board,
        profile=profile,
        wiring=wiring,
        region=region,
        ignore=ignore,
        device=device,
        good=good,
        bad=bad,
        replaced=replaced,
        rate=rate,
        raw=raw,
        channels=channels,
        exact=exact,
        grade=grade,
        t_from=t_from,
        t_to=t_to,
        symbols=symbols,
    )
    if len(asked) > 1 and (len(captures) > 1 or offset):
        raise UsageError(
            f"{len(captures)} captures were given for {len(asked)} wired sets",
            expected="several captures of one set, or one capture with several sets",
            hint="Run 'busledger check' once for each capture, or once for each set.",
        )
    if before is not None and (len(asked) > 1 or len(captures) > 1 or offset):
        raise UsageError("--before is held against one capture of one wired set", expected="one capture")
    if len(asked) > 1:
        return check_sets(asked, outputs, as_json=as_json, quiet=quiet, show_progress=not (quiet or no_progress))
    if len(captures) > 1 or offset:
        return _several(asked[0], captures, offset or [], outputs, as_json, quiet, not (quiet or no_progress))
    material = outputs.material()
    with progress_bar(not (quiet or no_progress)) as progress:
        result = checked(asked[0], progress, material)
    if earlier is not None:
        from busledger.decoder.planning import since

        result = since(earlier, result)
    return report_check(result, outputs, asked[0], material, as_json=as_json, quiet=quiet)


def _several(
    asked: Request,
    captures: list[str],
    offset: list[str],
    outputs: Outputs,
    as_json: bool,
    quiet: bool,
    show_progress: bool,
) -> int:
    """All captures as one body of evidence; 1 if any read was wrong, else 2 if any could not be read, else 3 if they
    cannot be judged, else 0."""
    from busledger.decoder.durations import parse_duration
    from busledger.decoder.pipeline import check_many
    from busledger.decoder.report import many_text
    from busledger.tui.commands import screen
    from busledger.tui.commands.outcome import status
    from busledger.tui.commands.progress_bar import progress_bar

    offsets = [parse_duration(text) * 1e-15 for text in offset]
    with progress_bar(show_progress) as progress:
        result = check_many(asked, captures, offsets, progress)
    if as_json:
        screen.show_data(result.to_json().encode() + b"\n")
    elif not outputs.on_screen:
        screen.show(many_text(result, width=screen.width(), colour=screen.colour_wanted(), answer_only=quiet))
    outputs.write(result.joint, asked, several=result)
    told = status(result.joint)
    if told == 1 or (result.mismatch_total and told == 0):
        return 1
    return 2 if result.unread else told
