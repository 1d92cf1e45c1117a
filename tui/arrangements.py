"""The order of lines in the levels view, kept from one run to the next for every set of lines."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from busledger.decoder.errors import BusledgerError
from busledger.decoder.report import whole_file
from busledger.tui.state import BrowserState, LineGroup

__all__ = ["Arrangements", "default_file"]

_MOST = 100  # sets of lines remembered; the oldest goes first


def default_file() -> Path:
    """Where the user's programs keep such things."""
    from platformdirs import user_state_path

    return user_state_path("busledger", appauthor=False) / "arrangements.json"


class Arrangements:
    """One small file. What cannot be read is as good as none, what cannot be written is forgotten: never an error."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def applied(self, state: BrowserState) -> BrowserState:
        """The state with the lines as the user left them the last time, if the same lines were there."""
        kept = self._read().get(_key(state))
        if not isinstance(kept, dict):
            return state
        try:
            groups, hidden = (tuple(_group(item) for item in kept[name]) for name in ("groups", "hidden"))
        except (KeyError, TypeError, ValueError):
            return state
        if not groups or _lines(groups, hidden) != _lines(state.groups, state.hidden):
            return state
        return replace(state, groups=groups, hidden=hidden, group=0)

    def keep(self, state: BrowserState) -> None:
        """Remember how the lines stand now."""
        if not state.groups:
            return
        known = self._read()
        known.pop(_key(state), None)
        known[_key(state)] = {"groups": [_plain(g) for g in state.groups], "hidden": [_plain(g) for g in state.hidden]}
        text = json.dumps(dict(list(known.items())[-_MOST:]), indent=1)
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with whole_file(self._path) as file:
                file.write(text.encode())
        except (OSError, BusledgerError):
            return  # a full disk must not keep anybody from leaving

    def _read(self) -> dict[str, Any]:
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}


def _lines(groups: Iterable[LineGroup], hidden: Iterable[LineGroup]) -> list[str]:
    return sorted(name for group in (*groups, *hidden) for name in group.lines)


def _key(state: BrowserState) -> str:
    names = json.dumps(_lines(state.groups, state.hidden))
    return hashlib.blake2b(names.encode("utf-8", "surrogatepass"), digest_size=12).hexdigest()


def _plain(group: LineGroup) -> list[Any]:
    return [group.name, list(group.lines), group.folded]


def _group(item: Any) -> LineGroup:
    name, lines, folded = item
    if not (isinstance(name, str) and isinstance(folded, bool) and all(isinstance(line, str) for line in lines)):
        raise ValueError("not a group of lines")
    if not lines:
        raise ValueError("a group without lines")
    return LineGroup(name, tuple(lines), folded)
