"""The user's own order of lines in the levels view, and every way in which it may change: pure functions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from busledger.tui.state import BrowserState, LineGroup, say

__all__ = [
    "fold",
    "hide_group",
    "join_group",
    "move_group",
    "select_group",
    "show_all_groups",
    "split_group",
]


def _groups(state: BrowserState, groups: Sequence[LineGroup], chosen: int) -> BrowserState:
    return replace(state, groups=tuple(groups), group=max(0, min(chosen, len(groups) - 1)), message="", tone="dim")


def select_group(state: BrowserState, by: int) -> BrowserState:
    """Choose the line (or group) further down or up."""
    return _groups(state, state.groups, state.group + by)


def fold(state: BrowserState) -> BrowserState:
    """Open or close the chosen group; a single line has nothing to open."""
    if not state.groups:
        return state
    groups = list(state.groups)
    chosen = groups[state.group]
    if len(chosen.lines) < 2:
        return say(state, "This is a single line; join puts it into a group.")
    groups[state.group] = replace(chosen, folded=not chosen.folded)
    return _groups(state, groups, state.group)


def move_group(state: BrowserState, by: Literal[-1, 1]) -> BrowserState:
    """Exchange the chosen line or group with the one above or below."""
    target = state.group + by
    if not 0 <= target < len(state.groups):
        return state
    groups = list(state.groups)
    groups[state.group], groups[target] = groups[target], groups[state.group]
    return _groups(state, groups, target)


def join_group(state: BrowserState) -> BrowserState:
    """Put the chosen line or group into the one above it."""
    if state.group == 0 or not state.groups:
        return say(state, "There is nothing above to join.")
    groups = list(state.groups)
    below = groups.pop(state.group)
    above = groups[state.group - 1]
    lines = above.lines + below.lines
    groups[state.group - 1] = LineGroup(f"{lines[0]}-{lines[-1]}", lines, False)
    return _groups(state, groups, state.group - 1)


def split_group(state: BrowserState) -> BrowserState:
    """Make single lines of the chosen group."""
    if not state.groups:
        return state
    groups = list(state.groups)
    chosen = groups[state.group]
    groups[state.group : state.group + 1] = [LineGroup(name, (name,)) for name in chosen.lines]
    return _groups(state, groups, state.group)


def hide_group(state: BrowserState) -> BrowserState:
    """Put the chosen line or group away; the last one stays."""
    if len(state.groups) < 2:
        return say(state, "The last line stays.")
    groups = list(state.groups)
    away = groups.pop(state.group)
    return replace(_groups(state, groups, state.group), hidden=(*state.hidden, away))


def show_all_groups(state: BrowserState) -> BrowserState:
    """Bring back, below the others, every line that was put away."""
    return replace(_groups(state, (*state.groups, *state.hidden), state.group), hidden=())
