"""The slow twin of the cell history: one dictionary entry a cell, one access at a time."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class CellHistoryTwin:
    written: dict[int, int] = field(default_factory=dict)
    came: dict[int, str] = field(default_factory=dict)

    def access(self, cell: int, time: int, kind: str) -> tuple[int, str]:
        """``kind``: write, right, wrong, or other (a read with nothing to compare)."""
        age = time - self.written[cell] if cell in self.written else -1
        before = self.came.get(cell, "nothing")
        if kind == "write":
            self.written[cell] = time
            self.came[cell] = "nothing"
        elif kind in ("right", "wrong"):
            self.came[cell] = kind
        return age, before
