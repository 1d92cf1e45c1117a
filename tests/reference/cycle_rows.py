"""Plain twin of the row kernels: one cycle at a time, csv and json of the standard library."""

from __future__ import annotations

import csv
import io
import json
from fractions import Fraction


def decimal_seconds(ticks: int, tick_fs: int) -> str:
    """Exact decimal text of a time: nine places where they are enough, else as many as the tick may need."""
    seconds = Fraction(ticks * tick_fs, 10**15)
    whole = seconds.numerator // seconds.denominator
    places = 15
    if ticks * tick_fs % 10**6 == 0:
        places = 9
    while places > 9 and tick_fs % 10 ** (15 - places + 1) == 0:
        places -= 1
    fraction = (seconds - whole) * 10**places
    assert fraction.denominator == 1
    return f"{whole}.{fraction.numerator:0{places}d}"


def hex_text(value: int, unknown: int, nibbles: int) -> str:
    shown = ""
    for k in reversed(range(nibbles)):
        if unknown >> 4 * k & 15:
            shown += "?"
        else:
            shown += f"{value >> 4 * k & 15:X}"
    return shown


def rows(cycles: list[dict], region_names: list[str], tick_fs: int, address_bits: int, data_bits: int) -> list[dict]:
    """Each cycle as the texts of its fields; None where the field is empty."""
    wide, deep = -(-address_bits // 4), -(-data_bits // 4)
    mask = 2**data_bits - 1
    made = []
    for c in cycles:
        is_read = c["verdict"] not in (0, 1)
        has_expected = is_read and c["known"] & mask
        made.append(
            {
                "index": c["number"],
                "time_s": decimal_seconds(c["time"], tick_fs),
                "kind": c["kind"],
                "address": (c["address"], c["address_unknown"], wide, 2**address_bits - 1),
                "data": (c["data"], c["data_unknown"], deep, mask),
                "region": region_names[c["region"]] if c["region"] >= 0 else None,
                "expected": (c["expected"], ~c["known"] & mask, deep, mask) if has_expected else None,
                "mismatch": (c["mismatch"], 0, deep, mask) if c["verdict"] in (2, 3) else None,
                "flags": "+".join(c["flags"]),
            }
        )
    return made


def as_csv(made: list[dict]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    for row in made:
        writer.writerow(
            "" if v is None else hex_text(v[0], v[1], v[2]) if isinstance(v, tuple) else v for v in row.values()
        )
    return text.getvalue()


def as_objects(made: list[dict]) -> list[dict]:
    def value(v: object) -> object:
        if not isinstance(v, tuple):
            return v
        if v[1] & v[3] == 0:
            return v[0]
        return None if v[1] & v[3] == v[3] else hex_text(v[0], v[1], v[2])

    return [{k: float(v) if k == "time_s" else value(v) for k, v in row.items()} for row in made]


def as_jsonl_objects(text: str) -> list[dict]:
    return [json.loads(line) for line in text.splitlines()]
