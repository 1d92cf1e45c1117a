"""``busledger plan``: what to clip with a small analyser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands import options as opt
from busledger.tui.commands import screen

__all__ = ["plan"]


def plan(
    board: Annotated[
        list[Path],
        typer.Option("--board", metavar="FILE", help="Board file: what is on the card.", show_default=False),
    ],
    channels: Annotated[
        int, typer.Option("--channels", metavar="N", help="Inputs of the analyser.", min=1, max=512, show_default=False)
    ],
    rate: Annotated[
        str, typer.Option("--rate", metavar="HZ", help="Its sample rate, such as 24M.", show_default=False)
    ],
    depth: Annotated[
        str | None,
        typer.Option("--depth", metavar="SAMPLES", help="Its depth in samples, such as 1M.", show_default=False),
    ] = None,
    question: Annotated[
        str | None,
        typer.Option(
            "--question",
            metavar="WHAT",
            help="A region, a select or a part of the board file, or 'repair'; everything if left out.",
            show_default=False,
        ),
    ] = None,
    before: Annotated[
        Path | None,
        typer.Option(
            "--before",
            metavar="RESULT.json",
            help="An earlier 'check --json': its suspects are what is open.",
            show_default=False,
        ),
    ] = None,
    profile: opt.ProfileOption = None,
    html: opt.HtmlOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
) -> int:
    """Say what to clip, in how many passes, to tell a board's possible faults apart with few channels.

    The lines are chosen by what they are expected to tell, in bits. Record every pass from the same start of the same
    run, join the passes with 'busledger join', and check the result.

    \b
    busledger plan --board card.toml --channels 8 --rate 24M --depth 1M
    busledger plan --board card.toml --channels 16 --rate 24M --question bank0
    busledger plan --board card.toml --channels 8 --rate 24M --html clips.html
    """
    from busledger.decoder.pipeline import plan_passes
    from busledger.decoder.planning import PlanRequest

    if as_json and html == "-":
        raise UsageError("--json and the page both go to standard output", expected="one of them")
    asked = PlanRequest(
        channels=channels,
        rate_hz=opt.parse_rate(rate),
        depth=None if depth is None else _samples(depth),
        question=question,
    )
    if html is not None:
        from busledger.decoder.report import refuse_overwriting

        refuse_overwriting(html, *board, before)
    card = opt.one("--board", board)
    assert card is not None  # the option must be given
    result = plan_passes(card, asked, profile=opt.one("--profile", profile), before=before)
    if html is not None:
        _write(html, result)
    if as_json:
        screen.show_data(result.model_dump_json(by_alias=True, indent=2).encode() + b"\n")
    elif html != "-":
        from busledger.decoder.report import plan_text

        screen.show(plan_text(result, width=screen.width(), colour=screen.colour_wanted(), answer_only=quiet))
    return 0


def _samples(text: str) -> int:
    try:
        count = round(opt.parse_rate(text))
    except UsageError:
        count = 0
    if count < 1:
        raise UsageError(f"'{text}' is not a depth", expected="samples, 1 or more, such as 1000000, 1e6 or 1M")
    return count


def _write(name: str, result: object) -> None:
    from busledger.decoder.planning import PlanResult
    from busledger.decoder.report import plan_page, whole_file

    assert isinstance(result, PlanResult)
    data = plan_page(result).encode("utf-8", "backslashreplace")
    if name == "-":
        screen.show_data(data)
        return
    with whole_file(name) as file:
        file.write(data)
