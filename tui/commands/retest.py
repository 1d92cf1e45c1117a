"""``busledger retest``: is the repair proved?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from busledger.decoder.errors import UsageError
from busledger.decoder.text import plain
from busledger.tui.commands import options as opt
from busledger.tui.commands import screen

__all__ = ["retest"]

_LARGEST = 64 << 20  # bytes: a result is some kilobytes; what is larger is something else


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

    old = _read(before)
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
        why = checked.not_judged_because or checked.suspects[0].summary
        if not as_json:
            screen.show_paragraphs([f"Cannot judge the run: {plain(why, 400)}"])
        return 3
    return 0 if result.proved else 1


def _read(path: Path) -> dict[str, Any]:
    where = plain(str(path))
    expected = "what 'busledger check --json' printed before the repair"
    try:
        if path.stat().st_size > _LARGEST:
            raise UsageError("this file is too large for a result", where=where, expected=expected)
        found = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(f"cannot read it: {error.strerror or error}", where=where, expected=expected) from error
    except (ValueError, RecursionError) as error:
        raise UsageError(f"this is no JSON ({plain(str(error))})", where=where, expected=expected) from error
    if not isinstance(found, dict):
        raise UsageError("this is no result", where=where, expected=expected)
    return found
