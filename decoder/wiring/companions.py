"""Lines that go with the strobes: requests, opcode fetch, refresh, a second clock, byte lanes, selects."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busledger.decoder.wiring.controls import Controls, find_clock
from busledger.decoder.wiring.traffic import Bits, Table, packed, regularity, spans_of
from busledger.decoder.wiring.wanted import Wanted

__all__ = ["Row", "companions", "kinds_of_read", "selects"]

Row = tuple[int, str, float, str, tuple[int, ...]]
_FEW = 32


def companions(table: Table, found: Controls, wanted: Wanted) -> list[Row]:
    """The clock, requests and refresh, by their relation to the cycles that are known."""
    rows: list[Row] = []
    used = set(found.taken) | set(found.data) | {c for c, _, _ in found.lines.values()}
    steady = [c for c in range(table.channels) if c in found.taken and c not in {x for x, _, _ in found.lines.values()}]
    if wanted.clock is not None and wanted.clock not in found.lines:
        guess = find_clock(table, set(range(table.channels)) - set(steady))
        if guess is not None:
            rows.append((guess[0], wanted.clock, guess[1], guess[2], ()))
    if wanted.quadrature is not None and wanted.clock in found.lines:
        rows += _second_clock(table, wanted.quadrature, found.lines[wanted.clock], steady)
    for make in (_request, _refresh, _lanes):
        new = make(table, found, wanted, [c for c in range(table.channels) if c not in used])
        rows += new
        used |= {row[0] for row in new}
    return rows


def _second_clock(table: Table, line: str, clock: tuple[int, float, str], steady: Sequence[int]) -> list[Row]:
    edges = regularity(table, clock[0])[0]
    fits = [c for c in steady if abs(regularity(table, c)[0] - edges) <= 0.001 * edges + 2]
    why = f"{edges} periods, as many as the clock"
    return [(fits[0], line, min(clock[1], 0.95 if len(fits) == 1 else 0.5), why, ())] if fits else []


def _request(table: Table, found: Controls, wanted: Wanted, free: Sequence[int]) -> list[Row]:
    """The request that covers memory cycles and pulses with each, and the one that covers the rest."""
    if wanted.request is None:
        return []
    middle = found.cycles.middle
    low = wanted.request in wanted.active_low
    on = {c: np.asarray(~middle[:, c] if low else middle[:, c]) for c in free}
    pulses = {c: len(spans_of(table, table.active(c, low))[0]) for c in free}
    fit = sorted(((float(on[c].mean()), c) for c in free if pulses[c] >= 0.8 * on[c].sum()), reverse=True)
    if not fit or fit[0][0] < 0.6:
        return []
    share, channel = fit[0]
    second = fit[1][0] if len(fit) > 1 else 0.0
    why = f"asserted in {100 * share:.1f} % of the cycles and pulses with each"
    rows: list[Row] = [(channel, wanted.request, 0.97 if share - second > 0.1 else 0.7, why, ())]
    covered = on[channel]
    if wanted.io_request is None or covered.all():
        return rows
    low = wanted.io_request in wanted.active_low
    asked = {c: np.asarray(~middle[:, c] if low else middle[:, c]) for c in free if c != channel}
    fit = [(float(asked[c][~covered].mean()), c) for c in asked if not asked[c][covered].any()]
    if fit and max(fit)[0] > 0.9:
        why = f"asserted in the {int((~covered).sum())} cycles without {wanted.request}"
        rows.append((max(fit)[1], wanted.io_request, 0.95 if sum(f[0] > 0.9 for f in fit) == 1 else 0.6, why, ()))
    return rows


def _refresh(table: Table, found: Controls, wanted: Wanted, free: Sequence[int]) -> list[Row]:
    """Pulses that come between cycles only."""
    if wanted.refresh is None:
        return []
    low = wanted.refresh in wanted.active_low
    middle = found.cycles.middle
    never = [c for c in free if not (~middle[:, c] if low else middle[:, c]).any()]
    pulses = sorted(((len(spans_of(table, table.active(c, low))[0]), c) for c in never), reverse=True)
    if not pulses or pulses[0][0] < max(_FEW, 0.1 * len(middle)):
        return []
    alone = len(pulses) == 1 or pulses[1][0] < _FEW
    return [(pulses[0][1], wanted.refresh, 0.95 if alone else 0.6, f"{pulses[0][0]} pulses, all between cycles", ())]


def _lanes(table: Table, found: Controls, wanted: Wanted, free: Sequence[int]) -> list[Row]:
    """Strobes of single bytes: each inside cycles only, one of them at least in every cycle.

    Nothing here tells which is which: each is the other's rival.
    """
    if not wanted.lanes:
        return []
    end = found.cycles.end
    low = wanted.lanes[0] in wanted.active_low
    on = {c: np.asarray(~end[:, c] if low else end[:, c]) for c in free}
    fits = [c for c in free if on[c].mean() > 0.3 and not _between(table, found, c, low)]
    pairs = [(float((on[a] & on[b]).mean()), a, b) for a in fits for b in fits if a < b and (on[a] | on[b]).all()]
    pairs = [pair for pair in pairs if pair[0] < 0.999]
    if len(pairs) != 1:
        return []
    _, one, two = pairs[0]
    why = "one or both of them in every cycle, and between cycles neither"
    return [(one, wanted.lanes[0], 0.5, why, (two,)), (two, wanted.lanes[1], 0.5, why, (one,))]


def _between(table: Table, found: Controls, channel: int, low: bool) -> bool:
    """Whether a channel is asserted half way between cycles."""
    gaps = (found.cycles.stop[:-1] + found.cycles.start[1:]) // 2
    rows = np.searchsorted(table.time, gaps, side="right") - 1
    return float(table.active(channel, low)[rows].mean()) > 0.02


def kinds_of_read(found: Controls, wanted: Wanted, free: Sequence[int], low: Sequence[int]) -> list[Row]:
    """Lines that tell reads apart: ``fetch`` is asserted in part of the reads and in no write, ``valid`` in all writes.

    Both change while only low address bits do, so they do not follow from the address.
    """
    rows: list[Row] = []
    middle, writes = found.cycles.middle, found.writes
    high = [c for c in free if c not in low]
    for line, marks in ((wanted.fetch, True), (wanted.valid, False)):
        if line is None or not low:
            continue
        fits = []
        for channel in high:
            level = ~middle[:, channel] if line in wanted.active_low else middle[:, channel]
            on = level if marks else ~level
            if channel in {row[0] for row in rows} or on[writes].any() or not 0.01 < on[~writes].mean() < 0.95:
                continue
            others = [c for c in high if c != channel]
            near = ~(middle[1:][:, others] != middle[:-1][:, others]).any(axis=1)
            fits.append((float((on[1:] != on[:-1])[near].mean()) if near.any() else 0.0, channel))
        fits.sort(reverse=True)
        if fits and fits[0][0] > (0.1 if marks else 0.02):
            clear = len(fits) == 1 or fits[0][0] > 3 * fits[1][0]
            why = f"{'in' if marks else 'missing in'} part of the reads, never {'' if marks else 'missing '}in a write"
            rows.append((fits[0][1], line, 0.95 if clear else 0.6, why + ", and not by address", ()))
    return rows


def selects(middle: Bits, candidates: Sequence[int], known: Sequence[int]) -> tuple[int, ...]:
    """Channels that are low one at a time and follow from the others: chip selects."""
    lows = [c for c in candidates if 0.0 < (~middle[:, c]).mean() < 0.7]
    group: list[int] = []
    for channel in sorted(lows, key=lambda c: float((~middle[:, c]).mean())):
        if all(not (~middle[:, channel] & ~middle[:, other]).any() for other in group):
            group.append(channel)
    if len(group) < 2:
        return ()
    rest = [c for c in known if c not in group]
    _, inverse = np.unique(packed(middle, rest[:60]), return_inverse=True)
    count = np.bincount(inverse)
    follows = []
    for channel in group:
        ones = np.bincount(inverse, weights=middle[:, channel])
        follows.append(float(np.minimum(ones, count - ones).sum()) / len(middle) < 0.001)
    return tuple(c for c, ok in zip(group, follows, strict=True) if ok)
