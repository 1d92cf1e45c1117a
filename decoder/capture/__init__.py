"""The door of ``decoder.capture``: files of levels in, columns out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from busledger.decoder.capture.columns import Capture, Gap, Header, Note, Signal

if TYPE_CHECKING:
    from busledger.decoder.capture.file import CaptureFile, open_capture
    from busledger.decoder.capture.grid import beginning, sample_grid, with_sample_grid, without_delays
    from busledger.decoder.capture.raw import RawFormat, channel_names

__all__ = [
    "Capture",
    "CaptureFile",
    "Gap",
    "Header",
    "Note",
    "RawFormat",
    "Signal",
    "beginning",
    "channel_names",
    "open_capture",
    "sample_grid",
    "with_sample_grid",
    "without_delays",
]

# The readers import numpy and compiled kernels: looked up when first used, so that --help starts quickly.
_LATE = {
    "CaptureFile": "file",
    "open_capture": "file",
    "beginning": "grid",
    "sample_grid": "grid",
    "with_sample_grid": "grid",
    "without_delays": "grid",
    "RawFormat": "raw",
    "channel_names": "raw",
}


def __getattr__(name: str) -> Any:
    if name in _LATE:
        from importlib import import_module

        return getattr(import_module(f"busledger.decoder.capture.{_LATE[name]}"), name)
    raise AttributeError(name)
