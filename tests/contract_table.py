"""The contract's table of faults and scopes, typed once more from its text: the program's is not asked."""

from __future__ import annotations

ON_CARD: dict[str, set[str]] = {
    "stuck-low": {"cell", "chip", "buffer", "bus"},
    "stuck-high": {"cell", "chip", "buffer", "bus"},
    "floating": {"chip", "buffer"},
    "bridged": {"chip", "buffer", "bus"},
    "write-lost": {"chip", "region", "board"},
    "dead": {"chip"},
    "address-stuck": {"chip", "region", "board"},
    "address-bridged": {"chip", "region", "board"},
    "select-missing": {"decoder"},
    "select-extra": {"decoder"},
    "select-swapped": {"decoder"},
    "direction-stuck": {"buffer"},
    "coupled": {"cell"},
    "slow": {"chip", "region"},
    "leaky": {"chip", "cell"},
    "no-answer": {"region"},
    "unlisted": {"chip", "buffer"},
}
RIVALS: dict[str, set[str]] = {
    "clip-off": {"clip"},
    "clip-noisy": {"clip"},
    "clips-exchanged": {"clip"},
    "too-slow": {"clip"},
    "device": {"machine"},
    "read-only": {"machine"},
    "mirrored": {"machine"},
    "banked": {"machine"},
    "shared": {"machine"},
    "contents-lost": {"machine"},
    "other-image": {"machine"},
}
LANE_FAULTS = {"stuck-low", "stuck-high", "floating", "bridged"}  # those of single lanes of a part
NOT_REPLAYED = {"unlisted"}  # the engine weighs these without a replay
NOT_IN_THE_WORLD = {"no-answer", "unlisted"}  # the virtual card makes no such faults yet
