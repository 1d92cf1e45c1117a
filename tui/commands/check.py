"""``busledger check``: the main job."""

from __future__ import annotations

from tui.commands import options as opt

__all__ = ["check"]


def check(
    capture: opt.CaptureArgument,
    board: opt.BoardOption = None,
    profile: opt.ProfileOption = None,
    wiring: opt.WiringOption = None,
    region: opt.RegionOption = None,
    rate: opt.RateOption = None,
    grade: opt.GradeOption = None,
    t_from: opt.FromOption = None,
    t_to: opt.ToOption = None,
    html: opt.HtmlOption = None,
    markdown: opt.MarkdownOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """Find the failing part: compare every read with what was written there.

    The first line of the answer names the part, or says that no fault was seen. Exit status 1 means
    that at least one read was wrong.

    \b
    busledger check run.vcd --board card.toml
    busledger check run.vcd.xz --profile z80 --region ram=4000-43FF
    busledger check run.vcd --board card.toml --html report.html
    zcat run.vcd.gz | busledger check - --profile 6502 --json
    """
    from decoder.pipeline import run_check
    from tui.commands.outcome import Outputs, report_check
    from tui.commands.progress_bar import progress_bar

    outputs = Outputs(html, markdown)
    outputs.refuse_overwriting(capture, board, wiring, as_json=as_json)
    asked = opt.request(
        capture,
        board=board,
        profile=profile,
        wiring=wiring,
        region=region,
        rate=rate,
        grade=grade,
        t_from=t_from,
        t_to=t_to,
    )
    with progress_bar(not (quiet or no_progress)) as progress:
        result = run_check(asked, progress)
    return report_check(result, outputs, asked, as_json=as_json, quiet=quiet)
