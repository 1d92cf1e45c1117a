"""``busledger errors``: the answer from what a memory test printed, without a capture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands import options as opt

__all__ = ["errors"]

_MOST_PASSES = 1_000_000_000


def errors(
    listed: Annotated[
        str,
        typer.Argument(
            metavar="FILE",
            help="The lines that the memory test printed, as text; '-' reads standard input.",
            show_default=False,
        ),
    ],
    board: opt.BoardOption = None,
    tested: Annotated[
        list[str] | None,
        typer.Option(
            "--tested",
            metavar="4000-4FFF",
            help="What the test went over, both ends included: what is not listed came back right; repeatable.",
            show_default=False,
        ),
    ] = None,
    passes: Annotated[
        int | None,
        typer.Option(
            "--passes", min=1, max=_MOST_PASSES, metavar="N", help="How often it went over it.", show_default=False
        ),
    ] = None,
    cut: Annotated[
        bool, typer.Option("--cut", help="The list is not whole: part of it scrolled away, or was not copied.")
    ] = False,
    order: Annotated[
        str | None,
        typer.Option(
            "--order",
            metavar="FIELDS",
            help="Order of a line's figures, such as address,wrote,read, with 'skip' for others; else it is found.",
            show_default=False,
        ),
    ] = None,
    decimal: Annotated[bool, typer.Option("--decimal", help="The figures are decimal, not hexadecimal.")] = False,
    html: opt.HtmlOption = None,
    markdown: opt.MarkdownOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """Find the failing part from a memory test's own list of errors: no analyser needed.

    Each line of the list holds an address, what was written and what was read, in hexadecimal, with anything between
    and around them. The answer is that of 'check', with what a list cannot tell. Exit status 1: errors were listed.

    \b
    busledger errors screen.txt --board card.toml --tested 4000-4FFF
    busledger errors screen.txt --board card.toml --tested 4000-4FFF --passes 10 --cut
    busledger errors - --board card.toml --order skip,address,read,wrote < screen.txt
    """
    import sys

    from busledger.decoder.errors_list import parse_order, parse_tested
    from busledger.decoder.pipeline import ErrorsRequest, Request, check_errors
    from busledger.tui.commands import screen
    from busledger.tui.commands.outcome import Outputs, report_check
    from busledger.tui.commands.progress_bar import progress_bar

    opt.need_board(board, "it says which chips answer where")
    card = opt.one("--board", board)
    assert card is not None
    outputs = Outputs(html, markdown)
    outputs.refuse_overwriting(Path(listed), card, as_json=as_json)
    if listed == "-" and (sys.stdin is None or sys.stdin.isatty()):
        raise UsageError(
            "the list is '-', but nothing is piped into standard input", hint="Pipe it in, or name a file."
        )
    asked = ErrorsRequest(
        listed,
        card,
        tested=parse_tested(tested or ()),
        passes=passes,
        cut=cut,
        order=None if order is None else parse_order(order),
        decimal=decimal,
        stdin=sys.stdin.buffer if listed == "-" else None,
    )
    with progress_bar(not (quiet or no_progress)) as progress:
        result = check_errors(asked, progress)
    status = report_check(result, outputs, Request(listed, board=card), as_json=as_json, quiet=quiet)
    if not (as_json or quiet or outputs.on_screen):
        told = result.coverage["from_list"]
        screen.show_paragraphs(told["taken"])
        screen.show("\n")
        screen.show_paragraphs(
            ["What a list cannot tell", *told["cannot_tell"], result.next_steps[-1].text], title=True
        )
    return status
