"""What a card draws and how warm its regulators get, as text and as JSON."""

from __future__ import annotations

import re
from typing import Any

from busledger.decoder.board import CardPower
from busledger.decoder.report.numbers import plural
from busledger.decoder.report.tables import paragraphs, table_text

__all__ = ["power_json", "power_text"]

_REMEMBERED = "†"


def power_text(name: str, power: CardPower, *, width: int, colour: bool) -> str:
    """First the sum, then parts, regulators, and what the sum does not hold."""
    packages = len({one for row in power.rows for one in row.designators})
    rails = "; ".join(f"{volts:+g} V {typ / 1000:.2f} A, at most {most / 1000:.2f} A"
                      for volts, (typ, most) in power.rails.items())  # fmt: skip
    first = f"{name}: {power.typ_w:.1f} W, at most {power.max_w:.1f} W, in {plural(packages, 'package')}"
    text = paragraphs([first + (f" ({rails})" if rails else "")], width=width, colour=colour, title=True)
    if power.rows:
        rows = [
            [f"{row.count}", row.part, f"{row.rail:+g}", f"{row.typ_ma:g}", f"{row.max_ma:g}", _source(row.figure)]
            for row in power.rows
        ]
        text += "\n" + table_text(["", "part", "V", "mA", "most", "source"], rows, width=width, colour=colour)
        if any(_REMEMBERED in row[-1] for row in rows):
            note = f"{_REMEMBERED} from memory of it, without the sheet at hand"
            text += paragraphs([note], width=width, colour=colour)
    if power.regulators:
        heats = [
            [
                one.designator, one.part, f"{one.input_v:g} → {one.output_v:g}",
                f"{one.typ_ma / 1000:.2f} ({one.max_ma / 1000:.2f})", f"{one.typ_w:.1f} ({one.max_w:.1f})",
                ". ".join(text[0].upper() + text[1:] for text in one.cautions),
            ]
            for one in power.regulators
        ]  # fmt: skip
        heads = ["", "regulator", "V", "A (most)", "heat, W (most)", "caution"]
        text += "\n" + table_text(heads, heats, width=width, colour=colour)
    return text + "\n" + paragraphs(_cautions(power), width=width, colour=colour)


def _source(figure: Any) -> str:
    if figure is None:
        return ""
    source = re.sub(r",? from memory,?", _REMEMBERED, figure.source)  # said once, below the table
    return source + (" (doubtful)" if figure.doubtful else "")


def _cautions(power: CardPower) -> list[str]:
    said = []
    if power.unknown:
        shown = ", ".join(power.unknown[:12]) + (" …" if len(power.unknown) > 12 else "")
        said.append(f"Not counted, their current is not known here: {shown}.")
    said += [
        "Not counted: what the board file does not name (the processor, connectors' loads, terminators).",
        "All parts at their most at once is the cold start; in use a card draws about the typical sum. Leave a supply "
        "a third of its rating in hand, and measure before you trust the sum: old parts and old supplies have drifted.",
    ]
    if power.max_w > 10:
        said.append("This much heat needs moving air; without it the parts in the middle of the card fail first.")
    return said


def power_json(name: str, power: CardPower) -> dict[str, Any]:
    """``busledger.power/1``: currents in A, watts, by rail, by part, by regulator."""
    return {
        "schema": "busledger.power/1",
        "board": name,
        "watts": {"typical": round(power.typ_w, 3), "most": round(power.max_w, 3)},
        "rails": [
            {"volts": volts, "typical_a": round(typ / 1000, 4), "most_a": round(most / 1000, 4)}
            for volts, (typ, most) in power.rails.items()
        ],
        "parts": [
            {
                "part": row.part, "volts": row.rail, "count": row.count, "components": list(row.designators),
                "typical_a": round(row.typ_ma / 1000, 4), "most_a": round(row.max_ma / 1000, 4),
                "source": row.figure.source if row.figure else "",
                "doubtful": bool(row.figure and row.figure.doubtful),
            }
            for row in power.rows
        ],
        "regulators": [
            {
                "component": one.designator, "part": one.part, "input_v": one.input_v, "output_v": one.output_v,
                "typical_a": round(one.typ_ma / 1000, 4), "most_a": round(one.max_ma / 1000, 4),
                "typical_w": round(one.typ_w, 3), "most_w": round(one.max_w, 3), "cautions": list(one.cautions),
            }
            for one in power.regulators
        ],
        "not_known": list(power.unknown),
    }  # fmt: skip
