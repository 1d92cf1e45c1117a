"""What the captures of a watch are bound to: the bus, the card, and the lines of the first capture."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board
from busledger.decoder.bus import Layout, Profile, line_needs
from busledger.decoder.capture import CaptureFile, Header, Note
from busledger.decoder.errors import CaptureError, UsageError
from busledger.decoder.pipeline import Request, Run, bound_run, bus_and_board, program_version
from busledger.decoder.wiring import bind, load_wiring

__all__ = ["Binding", "WatchedFile"]


@dataclass
class WatchedFile:
    """Stands where an opened capture does in a ``Run``: the header of the first capture, and all captures' notes."""

    path: str
    header: Header
    notes: list[Note]
    end_time: int = 0

    def close(self) -> None:
        """Nothing is open."""


class Binding:
    """Bus and card of a watch, loaded once.

    Raises
    ------
    UsageError
        no regions are stated: which reads are wrong could not be told before the end.
    BusledgerError
        as ``bus_and_board``.
    """

    def __init__(self, request: Request) -> None:
        self.request = request
        self.profile: Profile
        self.profile, board = bus_and_board(request)
        if board is None:
            raise UsageError(
                "a watch tells wrong reads as they come, and must know the regions before",
                expected="--board FILE or --region NAME=4000-43FF",
            )
        self.board: Board = board

    def run(self, header: Header, notes: list[Note]) -> Run:
        """A run over captures that have the signals of ``header``, at its beginning."""
        file = WatchedFile(str(self.request.capture), header, notes)
        return bound_run(self.request, cast(CaptureFile, file), self.profile, self.board)

    def select(self, header: Header, first: Layout, where: str) -> tuple[int, ...]:
        """Which signals of a later capture are the lines of the first.

        Raises
        ------
        CaptureError
            it has not the same lines.
        """
        table = dict(self.board.wiring)
        if self.request.wiring is not None:
            table |= load_wiring(self.request.wiring)
        extra = self.board.lines()
        needs = line_needs(self.profile, extra, any_subset=self.request.any_subset)
        layout = Layout(self.profile, bind(header.signals, needs, table=table), extra)
        if layout.names != first.names:
            other = sorted(set(layout.names) ^ set(first.names))
            raise CaptureError(
                f"other lines are clipped than in the first capture: {', '.join(other[:6])}",
                where=where,
                expected="the same lines in every capture of a watch",
                hint="Watch these in a folder of their own.",
            )
        return layout.select

    def unknown(self, layout: Layout) -> NDArray[np.uint64]:
        """uint64, shape (words,): the bits of all lines."""
        found: NDArray[np.uint64] = layout.mask(layout.names)
        return found

    def fingerprint(self) -> str:
        """Of everything that the decoding depends on beside the captures."""
        board, request = self.board, self.request
        told: list[Any] = [board.name, board.bus, board.regions, board.decoders, board.buffers, board.tested]
        told += [self.profile.file.model_dump_json(), request.rate_hz, request.grade, request.exact, request.raw]
        if request.wiring is not None:
            told.append(sorted(load_wiring(request.wiring).items()))
        told.append(program_version())
        return hashlib.blake2b(repr(told).encode(), digest_size=16).hexdigest()
