"""Which cycles the list shows: a filter as plain data, and its text as a person types it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import KIND_NAMES, Cycles, Flag
from busledger.decoder.errors import UsageError
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.text import plain

__all__ = [
    "FLAG_WORDS",
    "Filter",
    "filter_fields",
    "matches",
    "parse_address",
    "parse_filter",
    "parse_place",
    "parse_time",
]

FLAG_WORDS: dict[str, int] = {(flag.name or "").lower().replace("_", "-"): int(flag) for flag in Flag}
_ONLY: dict[str, tuple[int, ...]] = {
    "": (),
    "wrong": (Verdict.MISMATCH,),
    "compared": (Verdict.AGREES, Verdict.MISMATCH),
    "disagree": (Verdict.DISAGREES,),
    "stale": (Verdict.STALE,),
    "unwritten": (Verdict.UNKNOWN, Verdict.DISAGREES),
}
_UNIT_POWER = {"s": 0, "ms": 3, "us": 6, "µs": 6, "μs": 6, "ns": 9, "ps": 12}
_TIME = re.compile(r"\s*([0-9]+(?:\.[0-9]*)?|\.[0-9]+)\s*(s|ms|us|µs|μs|ns|ps)\s*")


@dataclass(frozen=True, slots=True)
class Filter:
    """What a cycle must meet to be shown; every empty field lets all pass.

    ``address`` is inclusive, ``time`` in ticks and inclusive, ``flags`` any of
    these bits, ``lanes`` a mismatch mask any of whose lanes differs, ``only`` a
    key of the words wrong, compared, disagree, stale, unwritten.
    """

    regions: frozenset[int] = frozenset()
    kinds: frozenset[int] = frozenset()
    address: tuple[int, int] | None = None
    time: tuple[int, int] | None = None
    flags: int = 0
    lanes: int = 0
    only: str = ""

    @property
    def empty(self) -> bool:
        """Does every cycle pass?"""
        return self == Filter()

    def words(self, region_names: Sequence[str]) -> str:
        """The filter in one line."""
        parts = []
        if self.only:
            parts.append(self.only)
        if self.regions:
            parts.append("in " + ",".join(plain(region_names[r]) for r in sorted(self.regions)))
        if self.kinds:
            parts.append(",".join(KIND_NAMES[k] for k in sorted(self.kinds)))
        if self.address is not None:
            low, high = self.address
            parts.append(f"at {low:X}" if low == high else f"at {low:X}-{high:X}")
        if self.time is not None:
            parts.append("in a span of time")
        if self.flags:
            parts.append("+".join(word for word, bit in FLAG_WORDS.items() if self.flags & bit))
        if self.lanes:
            parts.append("lane " + ",".join(f"D{b}" for b in range(32) if self.lanes >> b & 1))
        return " ".join(parts)


def matches(wanted: Filter, cycles: Cycles, compared: Compared) -> NDArray[np.bool_]:
    """One bool a cycle of this block. An address with unknown bits is in no address range."""
    keep = np.ones(len(cycles), np.bool_)
    if wanted.regions:
        keep &= np.isin(cycles.region, np.array(sorted(wanted.regions), np.int16))
    if wanted.kinds:
        chosen = np.zeros(256, np.bool_)
        chosen[sorted(wanted.kinds)] = True
        keep &= chosen[cycles.kind]
    if wanted.address is not None:
        low, high = wanted.address
        keep &= (cycles.address >= low) & (cycles.address <= high) & (cycles.address_unknown == 0)
    if wanted.time is not None:
        keep &= (cycles.time >= wanted.time[0]) & (cycles.time <= wanted.time[1])
    if wanted.flags:
        keep &= (cycles.flags & np.uint16(wanted.flags)) != 0
    if wanted.lanes:
        keep &= (compared.mismatch & np.uint32(wanted.lanes)) != 0
    if wanted.only:
        chosen = np.zeros(256, np.bool_)
        chosen[list(_ONLY[wanted.only])] = True
        keep &= chosen[compared.verdict]
    return keep


def parse_time(text: str, tick_fs: int) -> int:
    """``1.25ms``, ``300us``, ``2s`` as ticks, rounded to the nearest. Raises UsageError."""
    found = _TIME.fullmatch(text)
    if found is None:
        raise UsageError(f"'{plain(text, 40)}' is not a time", expected="a number with s, ms, us, ns or ps: 1.25ms")
    try:
        femtoseconds = Decimal(found[1]).scaleb(15 - _UNIT_POWER[found[2]])
        return int((femtoseconds / tick_fs).to_integral_value())
    except (InvalidOperation, OverflowError) as error:
        raise UsageError(f"'{plain(text, 40)}' is too long a number") from error


def parse_address(text: str, address_bits: int) -> int:
    """Hex, with or without ``0x``, ``$`` or a trailing ``h``. Raises UsageError."""
    digits = re.fullmatch(r"(?:0[xX]|\$)?([0-9a-fA-F]{1,8})[hH]?", text.strip())
    if digits is None:
        raise UsageError(f"'{plain(text, 40)}' is not an address", expected="hex digits: 4A3F or 0x4A3F")
    value = int(digits[1], 16)
    if value >> address_bits:
        raise UsageError(f"{value:X} is beyond the bus", expected=f"at most {(1 << address_bits) - 1:X}")
    return value


def parse_place(text: str, tick_fs: int, address_bits: int) -> tuple[str, int]:
    """Where to go: ("time", ticks), ("address", value) or ("cycle", number). Raises UsageError."""
    text = text.strip()
    if text.startswith("#"):
        number = text[1:].replace("_", "").replace(" ", "")
        if not number.isascii() or not number.isdigit() or len(number) > 18:
            raise UsageError(f"'{plain(text, 40)}' is not a cycle's number", expected="digits after the #: #1234")
        return "cycle", int(number)
    if _TIME.fullmatch(text):
        return "time", parse_time(text, tick_fs)
    try:
        return "address", parse_address(text, address_bits)
    except UsageError as error:
        if "beyond" in error.what:
            raise
        raise UsageError(
            f"'{plain(text, 40)}' is no place in the capture",
            expected="a time (1.25ms), an address (4A3F) or a cycle (#1234)",
        ) from error


def _choice(word: str, known: Sequence[str], what: str) -> int:
    """The index of ``word`` among ``known``, capitals apart. Raises UsageError with the nearest names."""
    import difflib

    folded = [name.casefold() for name in known]
    if word.casefold() in folded:
        return folded.index(word.casefold())
    near = difflib.get_close_matches(word.casefold(), folded, 3, 0.4)
    listed = [plain(known[folded.index(name)]) for name in near] or [plain(name) for name in known[:8]]
    raise UsageError(f"There is no {what} '{plain(word, 40)}'", expected="one of " + ", ".join(listed))


def parse_filter(
    fields: dict[str, str], region_names: Sequence[str], tick_fs: int, address_bits: int, data_bits: int
) -> Filter:
    """A filter from the dialog's fields: region, kind, address, time, flag, lane, only; blanks let all pass.

    Raises UsageError that names the field's mistake.
    """

    def words(key: str) -> list[str]:
        # A region's name may hold blanks: there only commas part.
        pattern = r"\s*,\s*" if key == "region" else r"[,\s]+"
        return [word for word in re.split(pattern, fields.get(key, "").strip()) if word]

    address = time = None
    if text := fields.get("address", "").strip():
        low, _, high = text.partition("-")
        address = (parse_address(low, address_bits), parse_address(high or low, address_bits))
        if address[1] < address[0]:
            raise UsageError(f"The address range {plain(text, 40)} ends before it starts")
    if text := fields.get("time", "").strip():
        low, dash, high = text.partition("-")
        if not dash:
            raise UsageError(f"'{plain(text, 40)}' is not a span of time", expected="two times: 1ms-2.5ms")
        time = (parse_time(low, tick_fs), parse_time(high, tick_fs))
        if time[1] < time[0]:
            raise UsageError(f"The span {plain(text, 40)} ends before it starts")
    lanes = [f"D{lane}" for lane in range(data_bits)]
    only = fields.get("only", "").strip()
    return Filter(
        regions=frozenset(_choice(word, region_names, "region") for word in words("region")),
        kinds=frozenset(_choice(word, KIND_NAMES, "kind") for word in words("kind")),
        address=address,
        time=time,
        flags=sum({1 << _choice(word, list(FLAG_WORDS), "flag") for word in words("flag")}),
        lanes=sum({1 << _choice(word, lanes, "lane") for word in words("lane")}),
        only=list(_ONLY)[_choice(only, list(_ONLY), "choice")] if only else "",
    )


def filter_fields(present: Filter, region_names: Sequence[str], tick_fs: int) -> dict[str, str]:
    """The dialog's fields for a filter: what ``parse_filter`` reads back."""
    fields = {
        "only": present.only,
        "region": ", ".join(region_names[r] for r in sorted(present.regions)),
        "kind": " ".join(KIND_NAMES[k] for k in sorted(present.kinds)),
        "flag": " ".join(word for word, bit in FLAG_WORDS.items() if present.flags & bit),
        "lane": " ".join(f"D{bit}" for bit in range(32) if present.lanes >> bit & 1),
    }
    if present.address is not None:
        fields["address"] = f"{present.address[0]:X}-{present.address[1]:X}"
    if present.time is not None:
        low, high = (f"{(Decimal(ticks) * tick_fs).scaleb(-6):f}ns" for ticks in present.time)
        fields["time"] = f"{low}-{high}"
    return fields
