"""What the user asked for, and which bus and board that means."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from busledger.decoder.board import Board, Region, bus_of_board, load_board
from busledger.decoder.bus import Cycles, Profile, load_profile
from busledger.decoder.capture import RawFormat
from busledger.decoder.errors import ProfileError, UsageError
from busledger.decoder.ledger import RegionMap
from busledger.decoder.marks import Marks
from busledger.decoder.pipeline.stated import left_out, parse_regions
from busledger.decoder.pipeline.tested import with_tested
from busledger.decoder.text import plain

__all__ = ["Request", "bus_and_board", "marks_of", "region_map_of"]


@dataclass(frozen=True)
class Request:
    """What the user asked for; ``board`` or ``profile`` must be given.

    ``t_from`` and ``t_to`` are femtoseconds from the capture's start,
    ``rate_hz`` the sample rate of a CSV without a time column, ``regions``
    texts such as ``bank0=4000-43FF``, ``ignored`` and ``devices`` texts such as
    ``9000-903F`` of what is listed and not compared; ``good``, ``bad`` and ``replaced``
    name parts (``U3``, ``U1-U8``) as ``with_tested`` reads them. With ``any_subset`` a capture without a
    single address or data line will do. ``watch`` is called with every block
    of cycles as it is decoded, whatever they are decoded for. ``exact``: the
    capture is the dump of a simulation without delays (also found from its stamps). ``raw``: it is
    samples of this form and nothing else. ``symbols``: a file with names of the program's addresses.
    """

    capture: str | Path
    board: str | Path | Board | None = None
    profile: str | None = None
    wiring: str | Path | None = None
    regions: tuple[str, ...] = ()
    ignored: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()
    good: tuple[str, ...] = ()
    bad: tuple[str, ...] = ()
    replaced: tuple[str, ...] = ()
    rate_hz: float | None = None
    t_from: int | None = None
    t_to: int | None = None
    grade: str | None = None
    stdin: IO[bytes] | None = None
    any_subset: bool = False
    watch: Callable[[Cycles], None] | None = None
    exact: bool = False
    raw: RawFormat | None = None
    symbols: str | Path | None = None

    @property
    def opening(self) -> dict[str, Any]:
        """What ``open_capture`` is to be told."""
        return {"path": self.capture, "rate_hz": self.rate_hz, "stdin": self.stdin, "raw": self.raw}


def region_map_of(regions: Sequence[Region], profile: Profile) -> RegionMap:
    """The regions of a board on a bus: which of the bus's rules address which space, and which are compared."""
    rules = range(len(profile.rules))
    return RegionMap(
        regions,
        [profile.space(rule) for rule in rules],
        profile.data_bits,
        rule_compares=[profile.compares(rule) for rule in rules],
        even_byte=profile.even_byte,
    )


def marks_of(profile: Profile | None, board: Board | None) -> Marks:
    """The active-low lines of a bus and a card, as people read them."""
    of_bus = profile.marked if profile is not None else ()
    return Marks((*of_bus, *(board.active_low() if board is not None else ())))


def bus_and_board(request: Request) -> tuple[Profile, Board | None]:
    """The bus and the card that ``request`` names, each checked against the other."""
    if request.board is None and request.profile is None:
        raise UsageError(
            "neither a board file nor a bus was given",
            expected="--board FILE or --profile NAME",
            hint="'busledger profiles' lists the buses.",
        )
    if request.board is None or isinstance(request.board, Board):
        board, path = request.board, request.board.path if request.board is not None else ""
        named = board.bus if board is not None else ""
    else:
        board, path, named = None, str(request.board), bus_of_board(request.board)
    profile = _bus_of(request, named, path)
    if board is None and path:
        board = load_board(
            path,
            data_bits=profile.data_bits,
            address_bits=profile.address_bits,
            lines=profile.spellings,
            driven=profile.driven,
        )
    stated = parse_regions(request.regions)
    if left_out(request.ignored, request.devices) and board is not None:
        raise UsageError(
            f"{'--ignore' if request.ignored else '--device'} and --board were both given",
            expected="one of them",
            hint='A board file says it itself: a [[region]] of kind = "io" for a device, or shared = true.',
        )
    if stated:
        if board is not None:
            raise UsageError(
                "--region and --board were both given",
                expected="one of them",
                hint="A board file states its regions itself; add the region there.",
            )
        board = Board.from_regions("", [*stated, *left_out(request.ignored, request.devices)], bus=profile.name)
    return profile, _told(board, request)


def _bus_of(request: Request, named: str, path: str) -> Profile:
    """The bus that is asked for, or else the one that the board file at ``path`` names."""
    if request.profile is not None:
        return load_profile(_bus_path(request.profile, path))
    try:
        return load_profile(_bus_path(named, path))
    except ProfileError as error:
        if error.where or not path:
            raise
        where = f"{plain(path)}, [board], bus"
        raise ProfileError(error.what, where=where, expected=error.expected, hint=error.hint) from error


def _told(board: Board | None, request: Request) -> Board | None:
    """The board with what was found at the bench."""
    options = {"good": request.good, "bad": request.bad, "replaced": request.replaced}
    given = next((name for name, texts in options.items() if texts), None)
    if given is None:
        return board
    if board is None or not any(region.chips for region in board.regions):
        raise UsageError(
            f"--{given} names parts, but no board file says which are on the card",
            expected="--board FILE with a [[region]] that has chips",
            hint="'busledger board new FILE' asks what is on the card and writes one.",
        )
    return with_tested(board, **options)


def _bus_path(bus: str, board: str) -> str:
    """A bus given as a path in a board file is meant beside that file."""
    if board and (bus.endswith(".toml") or "/" in bus):
        return str(Path(board).parent / bus)
    return bus
