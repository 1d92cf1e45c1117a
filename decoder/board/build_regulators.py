"""From ``[[regulator]]`` tables to the board's own type."""

from __future__ import annotations

from busledger.decoder.board.draft import Draft
from busledger.decoder.board.model import Regulator
from busledger.decoder.board.power import regulator_type
from busledger.decoder.board.schema import RegulatorTable
from busledger.decoder.text import plain

__all__ = ["build_regulators"]


def build_regulators(draft: Draft) -> None:
    """Every ``[[regulator]]`` that can be built; a region that it feeds stands for the region's chips."""
    chips = {region.name: tuple(chip.designator for chip in region.chips) for _, region in draft.regions}
    named = {chip.designator for _, chip in draft.chips} | {decoder.designator for _, decoder in draft.decoders}
    named |= {buffer.designator for _, buffer in draft.buffers}
    for table, raw in draft.tables("regulator"):
        row = draft.mistakes.check(table, RegulatorTable, raw, {"designator": "", "part": "7805", "input": 8.0})
        if row is None:
            continue
        kind = regulator_type(row.part)
        output = row.output if row.output is not None else kind.output if kind is not None else None
        if output is None:
            found = f"no known regulator is called {plain(row.part)}"
            draft.mistakes.add(table, "output", found, "its output in volts, such as output = 5.0")
            continue
        if abs(row.input) <= abs(output) or row.input * output <= 0:
            found = f"{row.input:g} V, for {output:g} V at the output"
            draft.mistakes.add(table, "input", found, "a voltage beyond the output's, of the same sign")
        feeds: list[str] = []
        for name in row.feeds:
            if name not in chips and name not in named:
                expected = f"a part or region of this file{draft.mistakes.nearest(name, [*named, *chips])}"
                draft.mistakes.add(table, "feeds", f'no part or region "{plain(name)}"', expected)
            feeds += chips.get(name, (name,))
        draft.regulators.append(Regulator(row.designator, row.part, row.input, output, tuple(dict.fromkeys(feeds))))
