"""``busledger retest``: is the repair proved?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from busledger.tui.commands import options as opt
from busledger.tui.commands import screen
from busledger.tui.commands.saved import saved_result

__all__ = ["retest"]


def retest(
    capture: opt.CaptureArgument,
    before: Annotated[
        Path,
        typer.Option(
            "--before",
            metavar="RESULT.json",
            help="What 'busledger check --json' gave before the repair.",
            show_default=False,
        ),
    ],
    board: opt.BoardOption = None,
    profile: opt.ProfileOption = None,
    wiring: opt.WiringOption = None,
    region: opt.RegionOption = None,
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
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """Judge a run after a repair: does it prove the fault gone, and if not, how long must it run?

    Exit status 0 means proved at 95 % or better, 1 not proved yet or still failing, 3 that the run cannot be judged.

    \b
    busledger check bad.vcd --board card.toml --json > before.json
    busledger retest repaired.vcd --board card.toml --before before.json --replaced U7,U12
    """
    from busledger.decoder.pipeline import run_check
    from busledger.decoder.planning import judge_repair
    from busledger.decoder.report import retest_text
    from busledger.tui.commands.outcome import set_aside
    from busledger.tui.commands.progress_bar import progress_bar

    old = saved_result(before)
    asked = opt.request(
        capture,
        board=board,
        profile=profile,
        wiring=wiring,
        region=region,
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
    )
    with progress_bar(not (quiet or no_progress)) as progress:
        checked = run_check(asked, progress)
        result = judge_repair(old, checked)
    if as_json:
        screen.show_data(result.to_json().encode() + b"\n")
    else:
        screen.show(retest_text(result, width=screen.width(), colour=screen.colour_wanted(), answer_only=quiet))
    if set_aside(checked):
        from busledger.decoder.text import plain

        why = checked.not_judged_because or checked.suspects[0].summary
        if not as_json:
            screen.show_paragraphs([f"Cannot judge the run: {plain(why, 400)}"])
        return 3
    return 0 if result.proved else 1
