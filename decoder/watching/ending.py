"""When a watch has seen enough."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from busledger.decoder.errors import UsageError
from busledger.decoder.findings import CheckResult
from busledger.decoder.planning import judge_repair

__all__ = ["Rules", "parse_long_time", "parse_until", "settled_by"]

SURE = 0.95
_UNITS = {"s": 1.0, "sec": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_LONG = re.compile(r"([0-9]+(?:\.[0-9]+)?) *(sec|min|[smhd])", re.IGNORECASE | re.ASCII)
_FAILURES = re.compile(r"([0-9]+) *(?:failures?)?", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True)
class Rules:
    """``failures``: so many; ``settled``: a verdict is sure, or the repair proved; ``silent``: nothing comes any more;
    ``for_s``: so long, all processes of the watch together. None and False: not asked for."""

    failures: int | None = None
    settled: bool = False
    silent: bool = False
    for_s: float | None = None


def parse_until(texts: Sequence[str], for_s: float | None) -> Rules:
    """What ``--until`` was given: ``10 failures``, ``settled``, ``silent``; whichever comes first.

    Raises
    ------
    UsageError
        it is none of these.
    """
    failures, words = None, set()
    for text in texts:
        shown = text.strip().lower()
        match = _FAILURES.fullmatch(shown)
        if match is not None and int(match[1]) > 0:
            failures = min(int(match[1]), failures or int(match[1]))
        elif shown in ("settled", "silent"):
            words.add(shown)
        else:
            raise UsageError(f"'{text}' is no end of a watch", expected="'10 failures', settled or silent")
    return Rules(failures, "settled" in words, "silent" in words, for_s)


def parse_long_time(text: str) -> float:
    """Seconds in ``8h``, ``90min``, ``30s``, ``2d``.

    Raises
    ------
    UsageError
        it is no time, or none at all.
    """
    match = _LONG.fullmatch(text.strip())
    seconds = float(match[1]) * _UNITS[match[2].lower()] if match else 0.0
    if seconds <= 0:
        raise UsageError(f"'{text}' is not how long to watch", expected="a number with s, min, h or d, such as 8h")
    return seconds


def settled_by(result: CheckResult, before: Mapping[str, Any] | None) -> str:
    """Why no more is needed, "" where it is: a part that is bad beyond 95 %, or a clean run long enough to prove the
    repair of what ``before`` names (by ``retest``'s rule)."""
    if before is not None:
        proof = judge_repair(dict(before), result)
        if proof.proved:
            return proof.sentences[0] if proof.sentences else "the repair is proved"
        return ""
    first = result.suspects[0] if result.judged and result.suspects else None
    if first is None or first.probability < SURE or first.scope in ("clip", "machine"):
        return ""
    return f"{first.summary}: {first.probability:.0%} sure"
