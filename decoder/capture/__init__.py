"""The door of ``decoder.capture``: files of levels in, columns out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from busledger.decoder.capture.columns import Capture, Gap, Header, Note, Signal

if TYPE_CHECKING:
    from busledger.decoder.capture.file import CaptureFile, late_start, open_capture
    from busledger.decoder.capture.grid import beginning, sample_grid, with_sample_grid, without_delays
    from busledger.decoder.capture.live import BLANK, NOTHING_YET, LiveCapture, LivePlace, LiveSource
    from busledger.decoder.capture.packed import Unpacker, packing_of
    from busledger.decoder.capture.raw import RawFormat, channel_names

__all__ = [
    "BLANK",
    "NOTHING_YET",
    "Capture",
    "CaptureFile",
    "Gap",
    "Header",
    "LiveCapture",
    "LivePlace",
    "LiveSource",
    "Note",
    "RawFormat",
    "Signal",
    "Unpacker",
    "beginning",
    "channel_names",
    "late_start",
    "open_capture",
    "packing_of",
    "sample_grid",
    "with_sample_grid",
    "without_delays",
]

# The readers import numpy and compiled kernels: looked up when first used, so that --help starts quickly.
_LATE = {
    "CaptureFile": "file",
    "late_start": "file",
    "open_capture": "file",
    "beginning": "grid",
    "sample_grid": "grid",
    "with_sample_grid": "grid",
    "without_delays": "grid",
    "BLANK": "live",
    "NOTHING_YET": "live",
    "LiveCapture": "live",
    "LivePlace": "live",
    "LiveSource": "live",
    "Unpacker": "packed",
    "packing_of": "packed",
    "RawFormat": "raw",
    "channel_names": "raw",
}


def __getattr__(name: str) -> Any:
    if name in _LATE:
        from importlib import import_module

        return getattr(import_module(f"busledger.decoder.capture.{_LATE[name]}"), name)
    raise AttributeError(name)
