"""Numbers as a person at the bench reads them: times, hex with unknown nibbles, lanes."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from busledger.decoder.bus.columns import KIND_NAMES, Flag
from busledger.decoder.figures import NO_BREAK, count
from busledger.decoder.ledger.columns import Verdict

__all__ = [
    "VERDICT_WORDS",
    "flag_words",
    "hex_bits",
    "kind_word",
    "lane_picture",
    "lanes_text",
    "ranges_text",
    "span_text",
    "thousands",
    "time_text",
    "times_text",
]

VERDICT_WORDS: dict[int, str] = {
    Verdict.NOT_TAKEN: "not compared",
    Verdict.WRITE: "written",
    Verdict.AGREES: "right",
    Verdict.MISMATCH: "WRONG",
    Verdict.UNKNOWN: "never written",
    Verdict.STALE: "stale: last known before a gap",
    Verdict.DISAGREES: "differs from its last read",
    Verdict.AMBIGUOUS: "ambiguous: address lines not wired",
}

_UNITS = (("s", 0), ("ms", 3), ("µs", 6), ("ns", 9), ("ps", 12), ("fs", 15))


def time_text(ticks: int, tick_fs: int, decimals: int = 9) -> str:
    """A time from the capture's start in seconds, exact before rounding to ``decimals``."""
    return f"{Decimal(ticks) * tick_fs / 10**15:.{decimals}f}"


def span_text(ticks: int, tick_fs: int) -> str:
    """A length of time, signed, in the unit that leaves one to three digits before the point."""
    value = Decimal(ticks) * tick_fs  # femtoseconds
    if value == 0:
        return "0 s"
    for unit, power in _UNITS:
        scaled = value / Decimal(10) ** (15 - power)
        if abs(scaled) >= 1:
            text = f"{round(scaled, 3):f}"
            return (text.rstrip("0").rstrip(".") if "." in text else text) + f" {unit}"
    return f"{value} fs"


def hex_bits(value: int, unknown: int, bits: int) -> str:
    """Hex, zero-padded to ``bits``; a nibble that holds an unknown bit is ``?``."""
    nibbles = (bits + 3) // 4
    mask = (1 << bits) - 1
    return "".join(
        "?" if (unknown & mask) >> (4 * place) & 15 else f"{(value & mask) >> (4 * place) & 15:X}"
        for place in reversed(range(nibbles))
    )


def lane_picture(mask: int, bits: int) -> str:
    """One character a lane, the highest first: the lane's digit where it differs, else a dot.

    Lanes above 9 show their last digit; the place tells the ten.
    """
    return "".join(str(lane % 10) if mask >> lane & 1 else "·" for lane in reversed(range(bits)))


def lanes_text(mask: int) -> str:
    """``D0 D5`` for a mask; ``none`` for nothing."""
    return " ".join(f"D{lane}" for lane in range(mask.bit_length()) if mask >> lane & 1) or "none"


def ranges_text(names: Sequence[str]) -> str:
    """``D4-D7 A7`` for names that end in numbers: neighbours put together, order kept."""
    runs: list[list[str]] = []
    for name in names:
        stem = name.rstrip("0123456789")
        if runs and stem and name != stem:
            last = runs[-1][-1]
            if (
                last.rstrip("0123456789") == stem
                and last != stem
                and int(name[len(stem) :]) == int(last[len(stem) :]) + 1
            ):
                runs[-1].append(name)
                continue
        runs.append([name])
    return " ".join(run[0] if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)


def flag_words(flags: int) -> str:
    """The contract's flag words, joined by ``+``."""
    return "+".join((flag.name or "").lower().replace("_", "-") for flag in Flag if flags & flag)


def kind_word(kind: int) -> str:
    """The contract's word for a kind; a number that is none is said so."""
    return KIND_NAMES[kind] if kind < len(KIND_NAMES) else f"kind {kind}"


def times_text(number: int) -> str:
    """``once``, ``twice``, ``12 345 times``."""
    return {1: "once", 2: "twice"}.get(number, f"{thousands(number)} times")


def thousands(number: int) -> str:
    """``12 345``, ``9100``: as every count is written, in plain blanks."""
    return count(number).replace(NO_BREAK, " ")
