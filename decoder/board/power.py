"""What a card draws from its supply and how warm its regulators get: sums of data-sheet figures, nothing more.

Typical currents add up well over many parts; the most of every part at once is what a supply must bear on the
worst day (a cold start: NMOS draws more when cold). A series regulator turns the difference between its input
and output voltage into heat, at the current of what it feeds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from pydantic import BaseModel, ConfigDict

from busledger.decoder.board.model import Board
from busledger.decoder.board.part_types import Part
from busledger.decoder.board.parts_library import library_tables

__all__ = ["CardPower", "PartPower", "RegulatorHeat", "RegulatorType", "SupplyFigure", "card_power", "regulator_type",
           "supply_figures"]  # fmt: skip

MW = 1e-3  # volts times mA


class SupplyFigure(BaseModel):
    """One line of a sheet's supply-current table: ``rail`` in V, currents in mA."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    part: str
    rail: float
    typ: float
    max: float
    source: str
    doubtful: bool = False


class RegulatorType(BaseModel):
    """A series regulator: ``output`` V, ``amps`` at most, ``headroom`` V between input and output at least."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    output: float
    amps: float
    headroom: float
    aliases: str = ""
    source: str


@dataclass(frozen=True, slots=True)
class PartPower:
    """``count`` packages of one part on one rail; currents in mA for all of them. ``figure`` None: not known."""

    part: str
    count: int
    rail: float
    typ_ma: float
    max_ma: float
    figure: SupplyFigure | None
    designators: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RegulatorHeat:
    """Currents in mA and heat in W of one regulator; ``cautions`` are sentences."""

    designator: str
    part: str
    input_v: float
    output_v: float
    typ_ma: float
    max_ma: float
    typ_w: float
    max_w: float
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CardPower:
    """Rows by part and rail; ``rails``: V → (typical, most) mA; watts in the parts; ``unknown``: left out."""

    rows: tuple[PartPower, ...]
    rails: Mapping[float, tuple[float, float]]
    typ_w: float
    max_w: float
    unknown: tuple[str, ...]
    regulators: tuple[RegulatorHeat, ...]


@cache
def _tables() -> Mapping[str, list[dict[str, object]]]:
    text = (resources.files("busledger.decoder.board") / "parts" / "supply.toml").read_text(encoding="utf-8")
    return library_tables(text)


@cache
def supply_figures() -> Mapping[str, tuple[SupplyFigure, ...]]:
    """Part → its figures, one a rail."""
    found: dict[str, tuple[SupplyFigure, ...]] = {}
    for row in _tables()["supply"]:
        figure = SupplyFigure.model_validate(row)
        found[figure.part] = (*found.get(figure.part, ()), figure)
    return found


@cache
def regulator_type(name: str) -> RegulatorType | None:
    """The regulator that a marking means (``LM340T-5``, ``uA7805``); None if the table has none."""
    wanted = name.strip().upper().replace(" ", "").replace("µ", "U")
    for row in _tables()["regulator"]:
        one = RegulatorType.model_validate(row)
        names = (one.name, *one.aliases.split())
        if any(wanted == known or (wanted.startswith(known) and wanted[len(known) :].isalpha()) for known in names):
            return one
    return None


def _packages(board: Board) -> dict[str, Part | None]:
    """Designator → part, each package once (two tables may describe its halves)."""
    found: dict[str, Part | None] = {chip.designator: chip.part for region in board.regions for chip in region.chips}
    found.update({one.chip.designator: one.chip.part for one in board.parity})
    found.update({decoder.designator: decoder.part for decoder in board.decoders})
    found.update({buffer.designator: buffer.part for buffer in board.buffers})
    return found


def card_power(board: Board) -> CardPower:
    """What the parts that the board file names draw; the processor and whatever else it leaves out is not in it."""
    packages = _packages(board)
    known = supply_figures()
    unknown = tuple(name for name, part in packages.items() if part is None or part.name not in known)
    rows = _rows({name: part.name for name, part in packages.items() if part is not None and part.name in known})
    rails: dict[float, tuple[float, float]] = {}
    for row in rows:
        typ, most = rails.get(row.rail, (0.0, 0.0))
        rails[row.rail] = (typ + row.typ_ma, most + row.max_ma)
    return CardPower(
        rows=rows,
        rails=dict(sorted(rails.items(), key=lambda item: (item[0] < 0, abs(item[0])))),
        typ_w=sum(abs(volts) * typ for volts, (typ, _) in rails.items()) * MW,
        max_w=sum(abs(volts) * most for volts, (_, most) in rails.items()) * MW,
        unknown=unknown,
        regulators=tuple(_heat(board, rows, number) for number in range(len(board.regulators))),
    )


def _rows(parts: Mapping[str, str]) -> tuple[PartPower, ...]:
    by_part: dict[str, list[str]] = {}
    for designator, part in parts.items():
        by_part.setdefault(part, []).append(designator)
    return tuple(
        PartPower(part, len(names), f.rail, f.typ * len(names), f.max * len(names), f, tuple(names))
        for part, names in by_part.items()
        for f in supply_figures()[part]
    )


def _heat(board: Board, rows: Iterable[PartPower], number: int) -> RegulatorHeat:
    """What regulator ``number`` carries: the parts that it feeds, on its own output's rail."""
    regulator = board.regulators[number]
    typ = most = 0.0
    for row in rows:
        fed = len(row.designators) if not regulator.feeds else len(set(row.designators) & set(regulator.feeds))
        if row.rail == regulator.output and row.count:
            typ += row.typ_ma * fed / row.count
            most += row.max_ma * fed / row.count
    drop = abs(regulator.input) - abs(regulator.output)
    cautions = []
    kind = regulator_type(regulator.part)
    if kind is not None and most * MW > kind.amps:
        cautions.append(f"{most * MW:.2f} A at most are more than the {kind.amps:g} A that a {kind.name} bears")
    elif kind is not None and typ * MW > 0.8 * kind.amps:
        cautions.append(f"{typ * MW:.2f} A leave little of the {kind.amps:g} A that a {kind.name} bears")
    if kind is not None and drop < kind.headroom:
        cautions.append(f"{drop:g} V between input and output are too few: {kind.name} needs {kind.headroom:g} V")
    if most * MW * drop > 2.0:
        cautions.append("above 2 W it needs a heat sink, and moving air above 10 W")
    return RegulatorHeat(
        regulator.designator, regulator.part, regulator.input, regulator.output,
        typ, most, typ * drop * MW, most * drop * MW, tuple(cautions),
    )  # fmt: skip
