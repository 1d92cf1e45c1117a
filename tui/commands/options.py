"""The options that commands share, spelled once, and the request they add up to."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands.completing import bus_names

if TYPE_CHECKING:
    from busledger.decoder.capture import RawFormat
    from busledger.decoder.pipeline import Request

T = TypeVar("T")

__all__ = [
    "BadOption",
    "BoardOption",
    "CaptureArgument",
    "ChannelsOption",
    "DeviceOption",
    "ExactOption",
    "FromOption",
    "GoodOption",
    "GradeOption",
    "HtmlOption",
    "IgnoreOption",
    "JsonOption",
    "MarkdownOption",
    "NoProgressOption",
    "ProfileOption",
    "QuietOption",
    "RateOption",
    "RawOption",
    "RegionOption",
    "ReplacedOption",
    "SymbolsOption",
    "ToOption",
    "WiringOption",
    "need_board",
    "one",
    "parse_rate",
    "raw_format",
    "request",
    "requests",
]

CaptureArgument = Annotated[
    str,
    typer.Argument(
        metavar="CAPTURE",
        help="VCD or CSV file, plain or .gz .bz2 .xz .zst; '-' reads standard input.",
        show_default=False,
    ),
]
# --board, --profile, --wiring and --grade may stand several times: once for each wired set of the capture.
BoardOption = Annotated[
    list[Path] | None,
    typer.Option("--board", metavar="FILE", help="Board file: which chips answer where.", show_default=False),
]
ProfileOption = Annotated[
    list[str] | None,
    typer.Option(
        "--profile",
        autocompletion=bus_names,
        metavar="NAME",
        help="Bus, if no board file names it: see 'busledger profiles'.",
        show_default=False,
    ),
]
WiringOption = Annotated[
    list[Path] | None,
    typer.Option(
        "--wiring", metavar="FILE", help='TOML whose [wiring] table says line = "channel".', show_default=False
    ),
]
IgnoreOption = Annotated[
    list[str] | None,
    typer.Option(
        "--ignore",
        metavar="9000-903F",
        help="Without a board file: addresses to list and not compare; repeatable.",
        show_default=False,
    ),
]
DeviceOption = Annotated[
    list[str] | None,
    typer.Option(
        "--device",
        metavar="9000-903F",
        help="Without a board file: a device's registers, to list and not compare; repeatable.",
        show_default=False,
    ),
]
_PARTS = "U1-U8"
GoodOption = Annotated[
    list[str] | None,
    typer.Option(
        "--good", metavar=_PARTS, help="Parts that a tester passed, or that worked elsewhere; repeatable.",
        show_default=False,
    ),
]  # fmt: skip
BadOption = Annotated[
    list[str] | None,
    typer.Option("--bad", metavar=_PARTS, help="Parts that a tester failed; repeatable.", show_default=False),
]
ReplacedOption = Annotated[
    list[str] | None,
    typer.Option(
        "--replaced", metavar=_PARTS, help="Parts replaced before this capture; repeatable.", show_default=False
    ),
]
RegionOption = Annotated[
    list[str] | None,
    typer.Option(
        "--region", metavar="NAME=4000-43FF", help="A region, both ends included; repeatable.", show_default=False
    ),
]
RateOption = Annotated[
    str | None,
    typer.Option(
        "--rate",
        metavar="HZ",
        help="Sample rate of raw samples, or of a CSV without a time column, such as 24M.",
        show_default=False,
    ),
]
RawOption = Annotated[
    int | None,
    typer.Option(
        "--raw",
        metavar="BITS",
        help="The capture holds raw samples: little-endian words of 8, 16, 32 or 64 bits.",
        show_default=False,
    ),
]
ChannelsOption = Annotated[
    Path | None,
    typer.Option(
        "--channels", metavar="FILE", help="With --raw: the channels' names, a line each, bit 0 first.",
        show_default=False,
    ),
]  # fmt: skip
GradeOption = Annotated[
    list[str] | None,
    typer.Option(
        "--grade", metavar="NAME", help="Speed grade of the processor, for its timing windows.", show_default=False
    ),
]
ExactOption = Annotated[
    bool, typer.Option("--exact", help="A simulation without delays: a change at an edge's own time is after it.")
]
FromOption = Annotated[
    str | None,
    typer.Option(
        "--from", metavar="TIME", help="Begin here: 1.25ms, 300us, 2s from the capture's start.", show_default=False
    ),
]
ToOption = Annotated[str | None, typer.Option("--to", metavar="TIME", help="End here.", show_default=False)]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON, and nothing else.")]
HtmlOption = Annotated[
    str | None,
    typer.Option("--html", metavar="FILE", help="Write a page to keep or print; '-' prints it.", show_default=False),
]
MarkdownOption = Annotated[
    str | None,
    typer.Option("--markdown", metavar="FILE", help="Write the report as markdown; '-' prints it.", show_default=False),
]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Print only the answer's first line, no progress.")]
NoProgressOption = Annotated[bool, typer.Option("--no-progress", help="Draw no progress bar.")]

NOTHING = "none"
"""What stands for an option in a wired set that needs none, where another set has one."""

_RATE = re.compile(r"([0-9.]+(?:e[+-]?[0-9]+)?) *([kmg]?)(?:hz)?", re.IGNORECASE | re.ASCII)
_PREFIX = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}


def parse_rate(text: str) -> float:
    """Hertz in ``24000000``, ``24e6``, ``24M`` or ``24 MHz``."""
    match = _RATE.fullmatch(text.strip())
    try:
        rate = float(match[1]) * _PREFIX[match[2].lower()] if match else math.nan
    except ValueError:
        rate = math.nan
    if not (0 < rate < math.inf):
        raise UsageError(f"'{text}' is not a sample rate", expected="hertz above 0, such as 24000000, 24e6 or 24M")
    return rate


def raw_format(raw: int | None, rate: str | None, channels: Path | None) -> RawFormat | None:
    """What ``--raw``, ``--rate`` and ``--channels`` say together; None without ``--raw``.

    Raises
    ------
    UsageError
        One of them is missing, or cannot be.
    """
    if raw is None and channels is None:
        return None
    given = {"--raw": raw, "--rate": rate, "--channels": channels}
    missing = next((name for name, it in given.items() if it is None), "")
    if raw is None or rate is None or channels is None:
        raise UsageError(
            f"raw samples say nothing of themselves, and {missing} was not given",
            expected="--raw BITS, --rate HZ and --channels FILE together",
        )
    from busledger.decoder.capture import RawFormat, channel_names

    return RawFormat(raw, parse_rate(rate), channel_names(channels))


SymbolsOption = Annotated[
    Path | None,
    typer.Option(
        "--symbols",
        metavar="FILE",
        help="Names of the program's routines: a name and an address a line.",
        show_default=False,
    ),
]


def need_board(board: Sequence[Path] | None, why: str) -> None:
    """Raise UsageError if no board file was given to a command that cannot do without."""
    if not board:
        raise UsageError(
            "no board file was given",
            expected=f"--board FILE: {why}",
            hint="'busledger board new FILE' asks what is on the card and writes one.",
        )


def one(option: str, given: Sequence[T] | None) -> T | None:
    """What was given for an option of a command that looks at one wired set.

    Raises
    ------
    UsageError
        It was given more than once.
    """
    if given and len(given) > 1:
        raise UsageError(
            f"{option} was given {len(given)} times, but this command looks at one wired set",
            expected=f"{option} once",
            hint="Run it once for each set; check, cycles, timing, selects and buffers take several.",
        )
    return given[0] if given else None


def request(
    capture: str,
    *,
    board: Sequence[Path] | None = None,
    profile: Sequence[str] | None = None,
    wiring: Sequence[Path] | None = None,
    grade: Sequence[str] | None = None,
    **rest: Any,
) -> Request:
    """The engine's request out of the options as they were typed; ``rest`` as in ``requests``.

    Raises
    ------
    UsageError
        As ``requests``, or more than one wired set.
    """
    for option, given in (("--board", board), ("--profile", profile), ("--wiring", wiring), ("--grade", grade)):
        one(option, given)
    return requests(capture, board=board, profile=profile, wiring=wiring, grade=grade, **rest)[0]


def requests(
    capture: str,
    *,
    board: Sequence[Path] | None = None,
    profile: Sequence[str] | None = None,
    wiring: Sequence[Path] | None = None,
    grade: Sequence[str] | None = None,
    region: list[str] | None = None,
    ignore: list[str] | None = None,
    device: list[str] | None = None,
    good: list[str] | None = None,
    bad: list[str] | None = None,
    replaced: list[str] | None = None,
    rate: str | None = None,
    t_from: str | None = None,
    t_to: str | None = None,
    exact: bool = False,
    raw: int | None = None,
    channels: Path | None = None,
    symbols: Path | None = None,
) -> tuple[Request, ...]:
    """A request for each wired set: the k-th board, profile, wiring and grade belong together.

    Raises
    ------
    UsageError
        A time or rate that cannot be read, an empty span, nothing to read on standard input, options that were not
        given as often as each other, regions for several sets.
    """
    from busledger.decoder.pipeline import Request

    begin, end = _time("--from", t_from), _time("--to", t_to)
    if begin is not None and end is not None and begin >= end:
        raise UsageError(f"the span from {t_from} to {t_to} is empty", expected="--from before --to")
    form = raw_format(raw, rate, channels)
    told = {"good": good, "bad": bad, "replaced": replaced}
    given: dict[str, Any] = {name: tuple(parts) for name, parts in told.items() if parts}
    if form is not None:
        given["raw"] = form
    if symbols is not None:
        given["symbols"] = symbols
    if capture == "-":
        if sys.stdin is None or sys.stdin.isatty():
            raise UsageError(
                "the capture is '-', but nothing is piped into standard input",
                hint="Pipe a file in, or name one.",
            )
        given["stdin"] = sys.stdin.buffer
    sets = _sets({"--board": board, "--profile": profile, "--wiring": wiring, "--grade": grade})
    stated = next(
        (option for option, named in (("--region", region), ("--ignore", ignore), ("--device", device)) if named), None
    )
    if len(sets) > 1 and any(told.values()):
        raise UsageError(
            f"--{next(name for name in told if told[name])} was given for {len(sets)} wired sets",
            expected="parts that were tested in the board file of their set",
            hint='There it is a [[tested]] table: designator = "U3", result = "bad".',
        )
    if len(sets) > 1 and stated:
        raise UsageError(
            f"{stated} was given for {len(sets)} wired sets",
            expected="a board file for each set whose regions are to be stated",
            hint="Without one, regions are inferred from the traffic of each set.",
        )
    return tuple(
        Request(
            capture=capture,
            board=one_set["--board"],
            profile=one_set["--profile"],
            wiring=one_set["--wiring"],
            grade=one_set["--grade"],
            regions=tuple(region or ()),
            ignored=tuple(ignore or ()),
            devices=tuple(device or ()),
            rate_hz=None if rate is None else parse_rate(rate),
            t_from=begin,
            t_to=end,
            exact=exact,
            **given,
        )
        for one_set in sets
    )


def _sets(given: Mapping[str, Sequence[Any] | None]) -> list[dict[str, Any]]:
    """Option → value of each set; None where it was not given, or, with several sets, given as NOTHING."""
    times = {option: len(values) for option, values in given.items() if values}
    many = max(times.values(), default=1)
    for option, number in times.items():
        if number != many:
            most = next(other for other in times if times[other] == many)
            raise UsageError(
                f"{option} was given {_times(number)} and {most} {_times(many)}",
                expected=f"one {option} for each wired set, in the same order, or none at all",
                hint=f"Write '{option} {NOTHING}' for a set that needs none.",
            )
    empty: Any = (None,) * many
    return [
        {
            option: None if many > 1 and str((values or empty)[k]) == NOTHING else (values or empty)[k]
            for option, values in given.items()
        }
        for k in range(many)
    ]


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def _time(option: str, text: str | None) -> int | None:
    """Femtoseconds from the capture's start."""
    if text is None:
        return None
    from busledger.decoder.durations import parse_duration

    moment = parse_duration(text)
    if moment < 0:
        raise UsageError(
            f"{option} {text} lies before the capture", expected="a time from the capture's start, 0s or later"
        )
    return moment
