"""The capture that a source gives, opened: plain or packed, from its beginning, from a place in it, after a loss."""

from __future__ import annotations

from dataclasses import dataclass, replace

from busledger.decoder.capture import BLANK, Header, LiveCapture, LivePlace, LiveSource
from busledger.decoder.pipeline import Request
from busledger.decoder.watching.coming import Coming
from busledger.decoder.watching.passing import Skipped, as_unpacked

__all__ = ["Opened", "joint_header", "opened_capture"]

_PICOSECOND_FS = 1000


@dataclass(frozen=True)
class Opened:
    """``packing``: what the source is packed with, "" where it is not."""

    live: LiveCapture
    packing: str


def opened_capture(source: LiveSource, coming: Coming, request: Request, declared: bytes) -> Opened:
    """The capture ``coming``, whose bytes ``source`` gives; ``declared``: how the watch's first capture began.

    Raises
    ------
    CaptureError
        it is none.
    """
    place, packing = coming.place, "" if coming.place is None else coming.place.packing
    if coming.torn and declared:
        dump = declared.lstrip(BLANK).startswith(b"$")
        skipping = Skipped(source, b"\n#" if dump else b"\n")
        source, place = skipping, LivePlace("vcd" if dump else "csv", declared, offset=skipping.skipped)
    elif request.raw is None and (place is None or place.packing):
        source, packing = as_unpacked(source, None if place is None else place.offset)
    return Opened(LiveCapture(source, rate_hz=request.rate_hz, raw=request.raw, place=place), packing)


def joint_header(header: Header, many: bool) -> Header:
    """``header`` on the clock of all captures: where ``many`` samplers' may come, a picosecond holds most ticks."""
    return replace(header, tick_fs=_PICOSECOND_FS) if many else header
