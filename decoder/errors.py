"""Every error that busledger raises, in one family that says whose fault it is.

    BusledgerError
    ├── CaptureError     the capture file: unreadable, cut, against the standard
    ├── WiringError      channel names and lines do not fit together
    ├── ProfileError     a bus profile is missing or wrong
    ├── BoardError       a board file (or a part in it) is wrong
    ├── UsageError       the command line or a call asks for something impossible
    └── OutputError      a result could not be written

A hardware fault that the capture shows is never an exception: it is a result.
"""

from __future__ import annotations

__all__ = [
    "BoardError",
    "BusledgerError",
    "CaptureError",
    "OutputError",
    "ProfileError",
    "UsageError",
    "WiringError",
]


class BusledgerError(Exception):
    """A message of four parts: what, where, what was expected, what to do.

    Parameters
    ----------
    what
        One sentence without a full stop: what is wrong, and what was found.
    where
        File with line, byte or key, as the reader of the message can find it.
    expected
        What would have been right; closed sets list their members.
    hint
        What to do next, a whole sentence.
    """

    def __init__(self, what: str, *, where: str = "", expected: str = "", hint: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.expected = expected
        self.hint = hint

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.expected:
            text += f"; expected {self.expected}"
        text = text.rstrip(".") + "."
        if self.hint:
            text += f" {self.hint}"
        return text


class CaptureError(BusledgerError):
    """The capture cannot be read, or not further than ``where``."""


class WiringError(BusledgerError):
    """Channels and lines do not fit together."""


class ProfileError(BusledgerError):
    """A bus profile does not exist or breaks the schema."""


class BoardError(BusledgerError):
    """A board file or a part named in it is wrong."""


class UsageError(BusledgerError):
    """The caller asked for something that cannot be done."""


class OutputError(BusledgerError):
    """A result could not be written; whatever stood there before is untouched."""
