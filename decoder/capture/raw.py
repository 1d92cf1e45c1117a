"""Raw samples as a capture: little-endian words of 8, 16, 32 or 64 bits at a fixed rate, bit k is channel k.

What a sampler writes that knows no file format. Nothing in the bytes says what
they are, so the width, the rate and the channels' names are the caller's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture.columns import Header, Note, Signal
from busledger.decoder.capture.rows import LineFinder, Rows, no_rows
from busledger.decoder.capture.sources import ByteSource, filled
from busledger.decoder.errors import UsageError
from busledger.decoder.text import plain

__all__ = ["RawFormat", "RawReader", "channel_names"]

WIDTHS = (8, 16, 32, 64)
TICK_FS = 1000
_PIECE = 1 << 21
_NAME_LIMIT = 200


@dataclass(frozen=True)
class RawFormat:
    """``bits`` a sample (8, 16, 32 or 64), samples a second, names of the channels from bit 0 up ("" = not used)."""

    bits: int
    rate_hz: float
    channels: tuple[str, ...]

    def __post_init__(self) -> None:
        if self.bits not in WIDTHS:
            raise UsageError(f"raw samples of {self.bits} bits", expected=f"one of {', '.join(map(str, WIDTHS))}")
        if not 0 < self.rate_hz <= 1e12:
            raise UsageError(f"a sample rate of {self.rate_hz} Hz", expected="above 0 and at most 1e12")
        if len(self.channels) > self.bits:
            raise UsageError(
                f"{len(self.channels)} channels are named, but a sample has {self.bits} bits",
                expected=f"at most {self.bits} names, one a line, that of bit 0 first",
            )

    def tick_of(self, sample: int) -> int:
        """The time of a sample in ticks of 1 ps, rounded; exact over days, where a float would not be."""
        if self.rate_hz == int(self.rate_hz):
            return (2 * sample * 10**12 + int(self.rate_hz)) // (2 * int(self.rate_hz))
        return round(sample * (1e12 / self.rate_hz))


def channel_names(path: str | Path) -> tuple[str, ...]:
    """Names out of a file, one a line, that of bit 0 first; ``-`` or an empty line leaves a bit out.

    Lines that begin with ``//`` or ``# `` are remarks (``#`` alone may mark an active-low name).

    Raises
    ------
    UsageError
        The file cannot be read, names nothing, or a name twice.
    """
    where = plain(str(path))
    try:
        text = Path(path).read_text(encoding="utf-8", errors="replace")
    except (OSError, ValueError) as failure:
        reason = getattr(failure, "strerror", None) or str(failure)
        raise UsageError(f"the channels' names cannot be read: {reason}", where=where) from failure
    lines = [line.strip() for line in text.removeprefix("\ufeff").splitlines()]
    names = ["" if line == "-" else line[:_NAME_LIMIT] for line in lines if not line.startswith(("//", "# "))]
    while names and not names[-1]:
        names.pop()
    given = [name for name in names if name]
    if not given:
        raise UsageError("this file names no channel", where=where, expected="a name a line, that of bit 0 first")
    twice = next((name for name in given if given.count(name) > 1), None)
    if twice is not None:
        raise UsageError(f"two channels are named {plain(twice, 60)!r}", where=where, hint="Rename one of them.")
    return tuple(names)


class RawReader:
    """Reads words as they come; ``rows`` gives a row where a selected channel changes.

    Attributes
    ----------
    header : signals in the order of their bits, those without a name left out; the tick is 1 ps
    end_time : ticks of the last sample so far
    step : bytes a sample
    samples, held : where the reading stands, and the row written last; both may be set before ``rows`` to go on there
    """

    notes: tuple[Note, ...] = ()
    header_lines = 0

    def __init__(self, source: ByteSource, start: bytes, form: RawFormat) -> None:
        self._source, self._rest, self._form = source, start, form
        self.step = form.bits // 8
        self._bits = [bit for bit, name in enumerate(form.channels) if name]
        named = (form.channels[bit] for bit in self._bits)
        self.header = Header(tuple(Signal(name, "", name, None) for name in named), TICK_FS)
        self.samples, self.end_time = 0, 0
        self.held: int | None = None

    def rows(
        self, select: Sequence[int], notes: list[Note], lines: LineFinder, piece_bytes: int | None
    ) -> Iterator[Rows]:
        """Rows of the selected signals, once; ``notes`` grows. A source that has nothing yet gives empty rows."""
        words = max(1, (len(select) + 63) // 64)
        tables = _tables([self._bits[index] if index >= 0 else -1 for index in select], self._form.bits // 8)
        unknown = _unknown(select)
        size, step = piece_bytes or _PIECE, self.step
        data = bytearray(self._rest)
        ended = False
        while not ended:
            data, ended, idle = filled(self._source, data, max(size, step))
            count = len(data) // step
            yield self._changes(np.frombuffer(data, f"<u{step}", count), tables, unknown) if count else no_rows(words)
            del data[: count * step]
            if idle:
                yield no_rows(words)
        if data or self._source.cut():
            text = "the samples end inside a word, which is left out"
            notes.append(Note("truncated", text, self.end_time * TICK_FS * 1e-15))

    def _changes(
        self, samples: NDArray[np.unsignedinteger], tables: NDArray[np.uint64], unknown: NDArray[np.uint64]
    ) -> Rows:
        """Rows where a selected level differs from the sample before."""
        mask = np.uint64(0)
        for bit in range(self._form.bits):
            if tables[bit // 8, 1 << bit % 8].any():
                mask |= np.uint64(1 << bit)
        kept = samples & samples.dtype.type(mask)
        differs = np.empty(len(kept), np.bool_)
        differs[0] = self.held is None or int(kept[0]) != self.held
        np.not_equal(kept[1:], kept[:-1], out=differs[1:])
        at = np.flatnonzero(differs)
        found = kept[at].astype(np.uint64)
        levels = np.zeros((len(at), tables.shape[2]), np.uint64)
        for byte, table in enumerate(tables):
            levels |= table[((found >> np.uint64(8 * byte)) & np.uint64(255)).astype(np.intp)]
        time = self._times(at)
        self.held = int(kept[-1])
        self.samples += len(samples)
        self.end_time = self._form.tick_of(self.samples - 1)
        return Rows(time, levels, np.broadcast_to(unknown, levels.shape).copy())

    def _times(self, at: NDArray[np.intp]) -> NDArray[np.int64]:
        """int64 ticks of the samples ``at`` of this piece, exact however long the capture already is."""
        rate = self._form.rate_hz
        if rate != int(rate):
            rounded: NDArray[np.int64] = np.rint((at + self.samples) * (1e12 / rate)).astype(np.int64)
            return rounded
        # Whole seconds apart, so that nothing passes 64 bits.
        whole, into = divmod(self.samples, int(rate))
        index = at.astype(np.int64) + into
        seconds, rest = index // int(rate), index % int(rate)
        micro = rest * 10**6
        fine = (micro % int(rate)) * 10**6
        ticks = (micro // int(rate)) * 10**6 + (2 * fine + int(rate)) // (2 * int(rate))
        made: NDArray[np.int64] = (seconds + whole) * 10**12 + ticks
        return made


def _tables(bits: Sequence[int], count: int) -> NDArray[np.uint64]:
    """uint64, shape (bytes, 256, words): the levels that the values of each byte of a sample set."""
    tables = np.zeros((count, 256, max(1, (len(bits) + 63) // 64)), np.uint64)
    values = np.arange(256)
    for k, bit in enumerate(bits):
        if bit >= 0:
            tables[bit // 8, (values >> bit % 8) & 1 == 1, k // 64] |= np.uint64(1 << (k % 64))
    return tables


def _unknown(select: Sequence[int]) -> NDArray[np.uint64]:
    found = np.zeros(max(1, (len(select) + 63) // 64), np.uint64)
    for k, index in enumerate(select):
        if index < 0:
            found[k // 64] |= np.uint64(1 << (k % 64))
    return found
