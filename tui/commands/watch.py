"""``busledger watch``: a stream, a growing file or a folder, for hours."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands import options as opt
from busledger.tui.commands import screen

if TYPE_CHECKING:
    from busledger.decoder.pipeline import Request
    from busledger.decoder.watching import Watch, WatchResult

__all__ = ["watch"]

_SIZES = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9, "t": 10**12}


def watch(
    source: Annotated[
        str,
        typer.Argument(
            metavar="SOURCE",
            help="'-', a named pipe, a file that grows, or a folder into which captures are dropped.",
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
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where everything is kept; one folder for each watch.")
    ] = Path("busledger-watch"),
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with the watch in --out, where it was when it ended or was killed.")
    ] = False,
    keep: Annotated[
        str, typer.Option("--keep", metavar="TIME", help="Signals kept around each failure; 0s keeps none.")
    ] = "2ms",
    until: Annotated[
        list[str] | None,
        typer.Option(
            "--until",
            metavar="WHAT",
            help="End at '10 failures', when 'settled', or when the source is 'silent'; repeatable.",
            show_default=False,
        ),
    ] = None,
    how_long: Annotated[
        str | None, typer.Option("--for", metavar="TIME", help="End after 8h, 90min, 30s.", show_default=False)
    ] = None,
    run: Annotated[
        str | None,
        typer.Option(
            "--run",
            metavar="COMMAND",
            help="Start this at the first failure (no shell; the failure's JSON is its last argument).",
            show_default=False,
        ),
    ] = None,
    before: Annotated[
        Path | None,
        typer.Option(
            "--before",
            metavar="RESULT.json",
            help="With --until settled: an earlier answer, whose repair a clean run is to prove.",
            show_default=False,
        ),
    ] = None,
    silence: Annotated[
        str, typer.Option("--silence", metavar="TIME", help="Say so when nothing has come for this long.")
    ] = "60s",
    room: Annotated[
        str,
        typer.Option("--room", metavar="BYTES", help="Disk for the accesses that are weighed, at most 90 bytes each."),
    ] = "256M",
    waiting: Annotated[
        str, typer.Option("--waiting", metavar="BYTES", help="Bytes of a pipe that may wait to be decoded.")
    ] = "512M",
    never_drop: Annotated[
        bool, typer.Option("--never-drop", help="Hold a pipe up rather than leave blocks out when it is too fast.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="JSON lines, also on a terminal.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Tell failures and the end only.")] = False,
) -> int:
    """Watch a bus for hours and tell each wrong read as it happens.

    What is known is saved every few seconds: killed at any moment, the same command with --resume goes on. In --out
    are failures.jsonl (every line told), kept/ (signals around failures and around right reads of the same cells),
    and at the end result.json and report.html. Ctrl-C ends the watch with its answer.

    \b
    sampler | busledger watch - --board card.toml --until settled
    busledger watch /tmp/bus.fifo --board card.toml --out night --for 8h
    busledger watch /tmp/bus.fifo --board card.toml --out night --resume
    busledger watch captures/ --board card.toml --until '10 failures' --run 'notify-send failure'
    sampler | busledger watch - --board card.toml --raw 32 --rate 24M --channels names.txt
    """
    from busledger.decoder.durations import parse_duration
    from busledger.decoder.watching import Watch, WatchRequest, parse_long_time, parse_until
    from busledger.tui.commands.saved import saved_result
    from busledger.tui.commands.watch_lines import Teller

    asked = opt.request(
        source,
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
    )
    span = parse_duration(keep)
    if span < 0:
        raise UsageError(f"--keep {keep} is less than nothing", expected="a time such as 2ms, or 0s")
    request = WatchRequest(
        request=asked,
        out=out,
        rules=parse_until(until or (), None if how_long is None else parse_long_time(how_long)),
        keep_fs=span,
        room=_bytes("--room", room),
        spool_room=_bytes("--waiting", waiting),
        drop=not never_drop,
        resume=resume,
        silence_s=parse_long_time(silence),
        before=None if before is None else saved_result(before),
    )
    with Teller(as_json=as_json, quiet=quiet, run=run) as teller:
        watching = Watch(request, teller.tell, teller.show)
        with _listening(watching):
            result = watching.run()
    return _report(result, asked, out, lines=teller.lines, quiet=quiet)


@contextmanager
def _listening(watching: Watch) -> Iterator[None]:
    """In here the first Ctrl-C (or a polite kill) ends the watch with its answer, the second at once."""

    def end(number: int, frame: Any) -> None:
        watching.interrupt()
        signal.signal(signal.SIGINT, signal.default_int_handler)

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _report(result: WatchResult, asked: Request, out: Path, *, lines: bool, quiet: bool) -> int:
    """Print the answer, and save it as JSON and page."""
    import json

    from busledger.decoder.report import check_text, html_page, night_pictures, whole_file
    from busledger.tui.commands.outcome import board_of, settings_of, status

    told = status(result)
    files = [out / "result.json", out / "report.html"]
    if lines:
        line = {"event": "result", "status": told, "json": str(files[0]), "page": str(files[1])}
        screen.show_data(json.dumps(line).encode() + b"\n")
    else:
        width, colour = screen.width(), screen.colour_wanted()
        screen.show(check_text(result, board=board_of(asked), width=width, colour=colour, answer_only=quiet))
    night = night_pictures(result.watch.minutes, result.watch.days)
    page = html_page(result, board=board_of(asked), settings=settings_of(asked), night=night)
    for path, text in zip(files, (result.to_json() + "\n", page), strict=True):
        with whole_file(path) as file:
            file.write(text.encode("utf-8", "backslashreplace"))
    if not lines and not quiet:
        screen.show_paragraphs([f"Written: {files[0]}, {files[1]}, and the signals in {out / 'kept'}"])
    return told


def _bytes(option: str, text: str) -> int:
    """``4G``, ``512M``, ``1000000``."""
    shown = text.strip().lower().removesuffix("b")
    unit = shown[-1:] if shown[-1:] in _SIZES and not shown[-1:].isdigit() else ""
    try:
        size = float(shown.removesuffix(unit)) * _SIZES[unit]
    except (ValueError, KeyError):
        size = 0.0
    if not 1 <= size < 1e18:
        raise UsageError(f"{option} {text} is no number of bytes", expected="a number such as 512M or 4G")
    return int(size)
