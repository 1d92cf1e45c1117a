"""Levels over time on named lines, and how whole buses of them move."""

from __future__ import annotations

import random

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.float64]
Levels = npt.NDArray[np.uint8]


class Wires:
    """Edges of every line, in ns, put in the order in which they were caused."""

    def __init__(self, draw: random.Random, spread: float = 12.0) -> None:
        self.draw = draw
        self.spread = spread
        self.edges: dict[str, list[tuple[float, int]]] = {}
        self.delay: dict[str, float] = {}
        self.noise = [draw.random() for _ in range(4096)]
        self.turn = 0

    def jitter(self) -> float:
        """A number in 0..1, from a table."""
        self.turn = (self.turn + 1) & 4095
        return self.noise[self.turn]

    def own(self, line: str) -> float:
        """A line's own delay in ns: its load, its driver."""
        if line not in self.delay:
            self.delay[line] = self.draw.uniform(0, self.spread)
        return self.delay[line]

    def set(self, line: str, when: float, level: int) -> None:
        """One line goes to a level; what was still to come on it does not come."""
        edges = self.edges.setdefault(line, [])
        when += self.own(line) + 3 * self.jitter()
        while edges and edges[-1][0] >= when:
            edges.pop()
        if not edges or edges[-1][1] != level:
            edges.append((when, level))

    def strobe(self, line: str, begin: float, end: float, active: int = 0) -> None:
        """A pulse."""
        self.set(line, begin, active)
        self.set(line, end, 1 - active)

    def bus(self, stem: str, width: int, when: float, value: int, slow: float = 0.0) -> None:
        """A bus takes a value. `slow` adds up to that many ns, line by line: a weak pull-up."""
        for bit in range(width):
            late = slow * (0.4 + 0.6 * self.jitter()) if slow else 0.0
            self.set(f"{stem}{bit}", when + late, value >> bit & 1)

    def level_lists(self) -> dict[str, tuple[Times, Levels]]:
        """Times and levels of each line."""
        out: dict[str, tuple[Times, Levels]] = {}
        for line, edges in self.edges.items():
            times = np.array([edge[0] for edge in edges], dtype=np.float64)
            levels = np.array([edge[1] for edge in edges], dtype=np.uint8)
            out[line] = (times, levels)
        return out
