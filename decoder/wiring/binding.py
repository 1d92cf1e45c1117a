"""Which channel is clipped to which line."""

from __future__ import annotations

import difflib
import tomllib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from busledger.decoder.capture import Note, Signal
from busledger.decoder.errors import WiringError
from busledger.decoder.text import plain
from busledger.decoder.toml_text import read_toml_bytes, toml_tables
from busledger.decoder.wiring.names import canonical, ranges_text

__all__ = ["LineNeed", "Wiring", "bind", "load_wiring"]

_LISTED = 40


@dataclass(frozen=True, slots=True)
class LineNeed:
    """A line to look for.

    ``group``: at least one line of each group must be found. ``quiet``: no note when it is
    missing (lines a board names only for checks). ``if_missing``: what an optional line is
    then taken for, in words. ``low``: it acts when low, and has the trade's mark in front of people.
    """

    name: str
    required: bool = False
    aliases: tuple[str, ...] = ()
    group: str | None = None
    quiet: bool = False
    if_missing: str = "unknown"
    low: bool = False

    @property
    def shown(self) -> str:
        """The name as people read it."""
        return f"/{self.name}" if self.low else self.name


@dataclass(frozen=True, slots=True)
class Wiring:
    """``lines``: line name → index in ``Header.signals``; ``unmatched``: channels that got no line."""

    lines: Mapping[str, int]
    unmatched: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()


def bind(signals: Sequence[Signal], needs: Sequence[LineNeed], *, table: Mapping[str, str] | None = None) -> Wiring:
    """Match channels to lines by name; ``table`` (line → channel name) decides where it speaks.

    Raises
    ------
    WiringError
        A table that names an unknown channel or line; two channels that could be one line; a
        required line, or every line of a group, that is missing (with the unmatched channels and
        the nearest names).
    """
    by_table = _from_table(signals, needs, table or {})
    lines = dict(by_table)
    used = set(by_table.values())
    found, notes = _by_name(signals, [n for n in needs if n.name not in lines], used)
    lines.update(found)
    used.update(found.values())
    unmatched = tuple(_label(s) for i, s in enumerate(signals) if i not in used)
    _complain(needs, lines, unmatched)
    return Wiring(lines, unmatched, (*notes, *_missing_notes(needs, lines)))


def load_wiring(path: str | Path) -> dict[str, str]:
    """The ``[wiring]`` table (line = "channel name") of the TOML file at ``path``.

    Raises
    ------
    WiringError
        The file cannot be read, is not TOML, has no such table, or a value is not text.
    """
    where = plain(str(path))
    try:
        raw = toml_tables(read_toml_bytes(Path(path)).decode("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise WiringError(f"the wiring cannot be read ({plain(str(error))})", where=where) from error
    except tomllib.TOMLDecodeError as error:
        raise WiringError(f"this is not TOML ({plain(str(error))})", where=where) from error
    table = raw.get("wiring")
    if not isinstance(table, dict):
        raise WiringError("there is no [wiring] table", where=where, expected='[wiring] with lines such as A0 = "ch0"')
    for line, channel in table.items():
        if not isinstance(channel, str):
            raise WiringError(
                f"the channel of {plain(line)} is {plain(repr(channel), 40)}", where=where, expected="a name in quotes"
            )
    return dict(table)


def _label(signal: Signal) -> str:
    return signal.name


def _from_table(signals: Sequence[Signal], needs: Sequence[LineNeed], table: Mapping[str, str]) -> dict[str, int]:
    # A line of the bus under its other name goes before one that the board alone speaks of: D0 of a bus that has AD0.
    known = {n.name.casefold(): n.name for n in needs if not n.quiet}
    known.update({alias.casefold(): n.name for n in needs for alias in n.aliases if alias.casefold() not in known})
    known.update({n.name.casefold(): n.name for n in needs if n.name.casefold() not in known})
    chosen: dict[str, int] = {}
    for key, channel in table.items():
        line = next((known[c.casefold()] for c in (key, *canonical(key)) if c.casefold() in known), None)
        if line is None:
            near = difflib.get_close_matches(key.upper(), [n.name for n in needs], n=3, cutoff=0.5)
            raise WiringError(
                f"the wiring table names a line '{plain(key)}' that neither the profile nor the board has",
                where="[wiring]",
                expected=f"a line such as {', '.join(near)}" if near else "a line of the profile or the board",
            )
        if line in chosen:
            raise WiringError(f"the wiring table gives the line {line} twice", where="[wiring]")
        chosen[line] = _channel(signals, channel, line)
    by_channel: dict[int, str] = {}
    for line, index in chosen.items():
        if index in by_channel:
            raise WiringError(
                f"the channel '{plain(_label(signals[index]))}' is given to both {by_channel[index]} and {line}",
                where="[wiring]",
            )
        by_channel[index] = line
    return chosen


def _channel(signals: Sequence[Signal], channel: str, line: str) -> int:
    wanted = channel.replace(" ", "")
    for same in (
        lambda s: s.name == channel,
        lambda s: any(f"{scope}.{s.name}" == channel for scope in (s.scope, *s.also)),
        lambda s: s.name.replace(" ", "").casefold() == wanted.casefold(),
        lambda s: f"{s.scope}.{s.name}".replace(" ", "").casefold() == wanted.casefold(),
    ):
        hits = [i for i, s in enumerate(signals) if same(s)]
        if len(hits) == 1:
            return hits[0]
        if hits:
            return _shallowest(signals, hits, line)
    names = [s.name for s in signals]
    near = difflib.get_close_matches(channel, names, n=3, cutoff=0.4)
    raise WiringError(
        f"the wiring table clips {line} to a channel '{plain(channel)}' that the capture does not have",
        where="[wiring]",
        expected=f"a channel such as {', '.join(plain(n) for n in near)}" if near else _listed(names),
    )


def _by_name(signals: Sequence[Signal], needs: Sequence[LineNeed], used: set[int]) -> tuple[dict[str, int], list[Note]]:
    """Best candidates first: a channel's likeliest reading is offered before any channel's second one."""
    names = {n.name.upper(): n.name for n in needs}
    aliases = {alias.upper(): n.name for n in needs for alias in n.aliases if alias.upper() not in names}
    readings = {i: canonical(s.name) for i, s in enumerate(signals) if i not in used}
    found: dict[str, int] = {}
    notes: list[Note] = []
    for known in (names, aliases):
        for rank in range(max((len(r) for r in readings.values()), default=0)):
            claims: dict[str, list[int]] = defaultdict(list)
            for index, reading in readings.items():
                if rank < len(reading) and reading[rank] in known:
                    claims[known[reading[rank]]].append(index)
            for line, hits in claims.items():
                if line in found:
                    continue
                best = hits[0] if len(hits) == 1 else _shallowest(signals, hits, line)
                if len(hits) > 1:
                    notes.append(_scope_note(signals, best, hits, line))
                found[line] = best
                for index in hits:
                    readings.pop(index, None)
    return found, notes


def _shallowest(signals: Sequence[Signal], hits: Sequence[int], line: str) -> int:
    """The one channel that stands highest in the scopes, if it is the only one there."""
    depth = {i: signals[i].scope.count(".") + bool(signals[i].scope) for i in hits}
    top = [i for i in hits if depth[i] == min(depth.values())]
    if len(top) == 1:
        return top[0]
    shown = ", ".join(f"'{plain(f'{signals[i].scope}.{signals[i].name}'.lstrip('.'))}'" for i in hits)
    raise WiringError(
        f"{len(hits)} channels could be the line {line}: {shown}",
        expected="one channel a line",
        hint=f'Say which in a [wiring] table, as {line} = "…", in the board file or with --wiring.',
    )


def _scope_note(signals: Sequence[Signal], best: int, hits: Sequence[int], line: str) -> Note:
    text = (
        f"{len(hits)} channels are called {line}; the outermost one, "
        f"'{plain(f'{signals[best].scope}.{signals[best].name}'.lstrip('.'))}', is used"
    )
    return Note("wiring-scope", text)


def _complain(needs: Sequence[LineNeed], lines: Mapping[str, int], unmatched: Sequence[str]) -> None:
    missing = [n for n in needs if n.required and n.name not in lines]
    groups: dict[str, list[LineNeed]] = defaultdict(list)
    for need in needs:
        if need.group is not None:
            groups[need.group].append(need)
    empty = {g: members for g, members in groups.items() if not any(m.name in lines for m in members)}
    if not missing and not empty:
        return
    parts = [f"the line {n.shown} is not wired{_near(n, unmatched)}" for n in missing]
    parts += [f"no {g} line at all is wired{_near(members[0], unmatched)}" for g, members in empty.items()]
    raise WiringError(
        "; ".join(parts),
        expected="a channel of that name in any of the trade's spellings",
        hint=f"Channels without a line: {_listed(unmatched)}. "
        'A [wiring] table (line = "channel name") in the board file or with --wiring settles it.',
    )


def _near(need: LineNeed, unmatched: Sequence[str]) -> str:
    readings = {reading: name for name in unmatched for reading in (*canonical(name), name.upper())}
    wanted = [need.name.upper(), *(a.upper() for a in need.aliases)]
    close = [readings[m] for w in wanted for m in difflib.get_close_matches(w, list(readings), n=3, cutoff=0.5)]
    shown = [plain(name) for name in dict.fromkeys(close)][:3]
    return f" (nearest: {', '.join(shown)})" if shown else ""


def _listed(names: Sequence[str]) -> str:
    if not names:
        return "none"
    shown = ", ".join(plain(n) for n in names[:_LISTED])
    return shown if len(names) <= _LISTED else f"{shown} and {len(names) - _LISTED} more"


def _missing_notes(needs: Sequence[LineNeed], lines: Mapping[str, int]) -> list[Note]:
    by_fate: dict[str, list[str]] = defaultdict(list)
    for need in needs:
        if not need.required and not need.quiet and need.name not in lines:
            by_fate[need.if_missing].append(need.shown)
    return [Note("not-wired", f"not wired, {fate}: {ranges_text(names)}") for fate, names in by_fate.items()]
