"""The capture that a source gives, opened: plain or packed, from its beginning, from a place in it, after a loss."""

from __future__ import annotations

from dataclasses import dataclass, replace

from busledger.decoder.capture import BLANK, Header, LiveCapture, LivePlace, LiveSource
from busledger.decoder.errors import CaptureError
from busledger.decoder.pipeline import Request
from busledger.decoder.text import plain
from busledger.decoder.watching.coming import Coming
from busledger.decoder.watching.passing import Skipped, as_unpacked

__all__ = ["Opened", "joint_header", "nothing_came", "opened_capture"]

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


def nothing_came(source: object, count: int) -> CaptureError:
    """What is said where a watch ends with nothing decoded, though ``count`` bytes came."""
    where = "standard input" if str(source) == "-" else plain(str(source), 400)
    if count:
        expected = "a dump's declarations and changes, or a table's header row and lines of samples"
        what = f"only {count} bytes came, and no capture can be decoded of them"
        return CaptureError(what, where=where, expected=expected)
    hint = "Is the sampler running, and writing there?"
    return CaptureError("nothing came that could be decoded", where=where, hint=hint)


def joint_header(header: Header, many: bool) -> Header:
    """``header`` on the clock of all captures: where ``many`` samplers' may come, a picosecond holds most ticks."""
    return replace(header, tick_fs=_PICOSECOND_FS) if many else header
