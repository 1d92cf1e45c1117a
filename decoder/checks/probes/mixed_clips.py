"""A data clip and an address clip exchanged, as the moments show at which each line moves.

Addresses move at the beginning of a cycle, all together, and rest for the whole of it; data move in the middle of
reads and writes. Whatever a program does, an address line that is called a data line moves when the addresses do, and
the data line in its place when the data do. No image of a ROM is needed to see it.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Cycles, Layout, Profile, line_names
from busledger.decoder.bus.schema import Piece
from busledger.decoder.capture import Capture
from busledger.decoder.checks.probes.swapped_address_clips import SwappedLines

__all__ = ["MixedClips", "MixedPair"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py; two clips
# exchanged and a strobe's clip off, too).
_ROWS = 1 << 17  # rows of the capture looked at
_BINS = 32  # of the time to the cycle's sampling edge, four an octave of samples
_MANY = 48  # changes of each of the two lines: judged, as in clip_findings
_FEW_LINES = 4  # lines of each kind, so that what most of them do is no matter of one line
_EACH = 0.55  # nats a change, in the mean, by which a line must be of the other kind: judged; where data lines make
# half of their changes with the address lines, as when the bus is let go of, one of those among them shows ln 2 = 0.69
_ONE_OF_TWO = 0.1  # the same of one of the two, where the other shows that much
_SKEWED = 1.0  # judged: nats a change by which a line may be of its own kind, and be that of a skewed channel
_ALL = 40.0  # nats in all
_BITS = (np.arange(256)[:, None] >> np.arange(8) & 1).astype(np.float64)  # of each byte
_ODDER = 3.0  # times as many nats as the next line of its kind: judged


class MixedPair(SwappedLines):
    """The two lines; ``explained``: changes of theirs that were looked at."""

    def sentence(self) -> str:
        """What to say to whoever clipped the board."""
        one, two = self.lines
        return (
            f"{one} and {two} look swapped at the clips: {one} moves when the data lines do, {two} when the address "
            f"lines do, in {self.explained} changes; look at these clips before any part is suspected"
        )


class MixedClips:
    """Keeps when each line moves before the next sampling edge.

    Parameters
    ----------
    profile, layout : which line is which, and which are clipped; where a line carries both address and data (a
        multiplexed bus) nothing can be known
    sample_ticks : ticks a sample
    """

    def __init__(self, profile: Profile, layout: Layout, sample_ticks: float) -> None:
        self._tick = max(1.0, sample_ticks)
        data, address = (_lines(source[0].pieces, layout) for source in (profile.datas, profile.addresses))
        able = not {*data} & {*address} and min(len(data), len(address)) >= _FEW_LINES
        self._lines = [*address, *data] if able else []
        self._places = [layout.bit(line) for line in self._lines]
        self._watched = np.zeros(layout.words, np.uint64)
        for place in self._places:
            self._watched[place // 64] |= np.uint64(1 << place % 64)
        self._is_data = np.array([line in data for line in self._lines], np.bool_)
        self._seen: NDArray[np.int64] = np.zeros((len(self._lines), _BINS), np.int64)
        self._rows = 0

    def feed(self, block: Capture, cycles: Cycles) -> None:
        """Add one block of rows and the cycles that ended in it."""
        if not self._lines or self._rows >= _ROWS or len(block) < 2 or not len(cycles):
            return
        rows = slice(0, _ROWS - self._rows)
        time, levels, unknown = block.time[rows], block.levels[rows], block.unknown[rows]
        self._rows += len(time)
        moved = (levels[1:] ^ levels[:-1]) & ~(unknown[1:] | unknown[:-1]) & self._watched
        some = np.flatnonzero(np.bitwise_or.reduce(moved, axis=1))
        moved, time = moved[some], time[1:][some]
        # What moves with the edge itself, or a sample before, moved after it, on a channel that shows it sooner: there
        # nothing may move that the edge samples.
        soon = time + self._tick
        # As ``np.searchsorted(cycles.time, soon, side="right")``: of both, which rise, there are fewer cycles.
        begins = np.searchsorted(soon, cycles.time, side="left")
        at = np.repeat(np.arange(len(cycles) + 1), np.diff(begins, prepend=0, append=len(soon)))
        ahead = cycles.time[np.minimum(at, len(cycles) - 1)] - time
        moved[(at == len(cycles)) | (at == 0)] = 0
        bins = self._bins_of(ahead) * 256
        for byte in {place // 8 for place in self._places}:  # eight lines at once: by bin, which of them moved
            some_of = (moved[:, byte // 8] >> np.uint64(byte % 8 * 8)).astype(np.int64) & 255
            often = np.bincount(bins + some_of, minlength=_BINS * 256).reshape(_BINS, 256)
            each = (often.astype(np.float64) @ _BITS).astype(np.int64)  # whole numbers, exactly
            for k, place in enumerate(self._places):
                if place // 8 == byte:
                    self._seen[k] += each[:, place % 8]

    def _bins_of(self, ahead: NDArray[np.int64]) -> NDArray[np.int64]:
        """The bin of each time before the edge, in ticks: by a table, where one is shorter than the times are many."""
        most = int(self._tick * 2.0 ** (_BINS / 4)) + 1  # in the last bin
        ahead = np.minimum(np.maximum(0, ahead), most)
        each = np.arange(most + 1) if most < len(ahead) else ahead
        bins = np.minimum(_BINS - 1, (4.0 * np.log2(1.0 + each / self._tick)).astype(np.int64))
        return bins.take(ahead) if most < len(ahead) else bins

    def finish(self) -> MixedPair | None:
        """The one address line and the one data line that move as lines of the other kind do; None where there is no
        such pair, or there are several."""
        if not self._lines:
            return None
        counts = self._seen.sum(axis=1)
        share = (self._seen + 0.5) / (counts + 0.5 * _BINS)[:, None]
        other, skewed = np.zeros(len(self._lines)), np.zeros(len(self._lines))
        usual: dict[bytes, NDArray[np.float64]] = {}  # of the same lines but once
        for k in range(len(self._lines)):
            rest = (np.arange(len(self._lines)) != k) & (counts >= _MANY)
            kinds = [rest & self._is_data, rest & ~self._is_data]
            if min(int(kind.sum()) for kind in kinds) < _FEW_LINES - 1 or counts[k] < _MANY:
                continue
            for kind in kinds:
                if kind.tobytes() not in usual:
                    usual[kind.tobytes()] = _usual(share[kind])
            of_data, of_addresses = (usual[kind.tobytes()] for kind in kinds)
            own, foreign = (of_data, of_addresses) if self._is_data[k] else (of_addresses, of_data)
            other[k] = float((self._seen[k] * (np.log(foreign) - np.log(own))).sum())
            if other[k] < -_SKEWED * counts[k]:
                continue
            skewed[k] = float((self._seen[k] * (np.log(_blurred(foreign)) - np.log(_blurred(own)))).sum())
        # One of the two has to be plain; the other one may be, on a channel that shows it a sample sooner or later.
        least = np.maximum(other, skewed)
        odd = (least >= _ALL) & (least >= _ONE_OF_TWO * counts) & (skewed > 0.0)
        one, two = _plainest(least, odd & ~self._is_data), _plainest(least, odd & self._is_data)
        if one is None or two is None or not (other[[one, two]] >= _EACH * counts[[one, two]]).any():
            return None
        return MixedPair((self._lines[one], self._lines[two]), int(counts[one] + counts[two]))


def _plainest(other: NDArray[np.float64], odd: NDArray[np.bool_]) -> int | None:
    """The one line that is odd, or far odder than a second one; None where there is none, or there are several."""
    found = np.flatnonzero(odd)
    found = found[np.argsort(-other[found])]
    if not len(found) or (len(found) > 1 and other[found[0]] < _ODDER * other[found[1]]):
        return None
    return int(found[0])


def _usual(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """What lines of a kind do: half the middle share of each bin, one line of another kind among them or not, and half
    the mean one, for a line that is seen a sample sooner or later than most is of its kind all the same."""
    mean, share = share.mean(axis=0), np.sort(share, axis=0)
    middle = (share[(len(share) - 1) // 2] + share[len(share) // 2]) / 2  # np.median takes ten times as long
    found: NDArray[np.float64] = 0.5 * middle / middle.sum() + 0.5 * mean
    return found


def _blurred(usual: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same of channels that may be skewed by a sample, and that sample be the next bin."""
    found = 0.5 * usual + 0.25 * np.append(usual[1:], usual[-1]) + 0.25 * np.append(usual[0], usual[:-1])
    found /= found.sum()
    return found


def _lines(pieces: Iterable[Piece], layout: Layout) -> list[str]:
    """The clipped lines of an address or of data."""
    named = [line for piece in pieces for line in line_names(piece.lines)]
    return [line for line in dict.fromkeys(named) if layout.wired(line)]
