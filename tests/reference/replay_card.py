"""The card of the replay's slow twin: its cells, and what the faulty part makes of data that pass it."""

from __future__ import annotations

from tests.reference.replay_words import Cell, Row, Theory, Word, lanes_in, word


class FaultyCard:
    def __init__(self, theory: Theory, cells: int) -> None:
        self.t = theory
        self.cells = [Cell() for _ in range(cells)]

    # -- what the part does to data ------------------------------------------
    def bend(self, data: Word, floating: Word) -> Word:
        bad = lanes_in(self.t.bad_lanes)
        out = list(data)
        if self.t.bends in ("low", "high"):
            for k in bad:
                out[k] = 1 if self.t.bends == "high" else 0
        elif self.t.bends == "float":
            for k in bad:
                out[k] = floating[k]
        elif self.t.bends in ("and", "or"):
            wins = 0 if self.t.bends == "and" else 1
            seen = [data[k] for k in bad]
            if wins in seen:
                for k in bad:
                    out[k] = wins
            elif None in seen:
                for k in bad:
                    out[k] = None
        return out

    def floating(self, row: Row) -> Word:
        return word({"keeps": row.kept, "card": row.rest, "up": 0xFF, "down": 0}[self.t.floats])

    def answer(self, which: str, cell: int, floating: Word) -> Word:
        reached = [c for c in (self.t.r1[cell], self.t.r2[cell]) if c >= 0]
        if not reached:
            return floating
        words = [getattr(self.cells[c], which) for c in reached]
        if len(words) == 1:
            return list(words[0])
        return [self.join(a, b) for a, b in zip(*words, strict=True)]

    def join(self, a: int | None, b: int | None) -> int | None:
        if self.t.joins == "nobody knows":
            return a if a == b else None
        wins = 0 if self.t.joins == "low wins" else 1
        if wins in (a, b):
            return wins
        return None if None in (a, b) else 1 - wins
