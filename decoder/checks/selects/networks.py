"""What a decoder's outputs should be, as a table over the lines that are clipped.

A decoder's input may be clipped, may be made by another decoder or gate of the
board (then that part is evaluated too), may be left out of the board file (then
it is tied to the level that lets the part work), or may be clipped nowhere: then
the table has one choice for each of its values, and an observation is wrong only
if no choice allows it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Decoder, DecoderPart

__all__ = ["MOST_INPUTS", "Network", "decoder_network"]

MOST_INPUTS = 14
"""Rows of a table double with each: 16 384 of them are counted in a moment."""
MOST_CHOICES = 64
"""Readings of inputs that are not clipped; more of them would allow anything."""
# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
STEP_NS = 50.0
"""Worst delay assumed where the parts library has no figure; LS decoders take up to 41 ns (TI TTL Data Book)."""


@dataclass(frozen=True, slots=True)
class Network:
    """One decoder as the capture can judge it.

    Attributes
    ----------
    inputs : clipped lines; line k is bit k of a table row
    pins : what the decoder calls each of ``inputs`` ("" for an input of a part before it)
    outputs : (pin, line) of the clipped outputs; output j is bit j of a table value
    table : int64, shape (2**len(inputs), choices)
    through : designators of the parts evaluated on the way
    not_clipped : lines whose level is nowhere known
    idle : outputs' inactive levels; ``one_hot``: at most one output is ever active
    open_high : outputs that other open collectors may pull low
    delay_ns : worst published delay from any input to any output
    """

    designator: str
    part: str
    inputs: tuple[str, ...]
    pins: tuple[str, ...]
    outputs: tuple[tuple[str, str], ...]
    table: NDArray[np.int64]
    through: tuple[str, ...]
    not_clipped: tuple[str, ...]
    idle: int
    one_hot: bool
    open_high: int
    delay_ns: float


def decoder_network(decoder: Decoder, board: Sequence[Decoder], clipped: Callable[[str], bool]) -> Network | None:
    """``decoder``'s table over clipped lines, or None: no output clipped, or too many lines to tabulate."""
    outputs = tuple((pin, line) for pin, line in decoder.outputs.items() if clipped(line))
    if not outputs:
        return None
    walk = _Walk(board, clipped)
    walk.visit(decoder, outputs, 0)
    if len(walk.leaves) > MOST_INPUTS or len(walk.free) > 6:
        return None
    index = np.arange(1 << (len(walk.leaves) + len(walk.free)), dtype=np.int64)
    columns = {line: (index >> k) & 1 for k, line in enumerate([*walk.leaves, *walk.free])}
    whole = [walk.outputs(decoder, outputs, columns, ties) for ties in walk.ties(decoder, outputs)]
    rows = 1 << len(walk.leaves)
    table = np.concatenate([one.reshape(-1, rows).T for one in whole], axis=1)
    table = np.unique(table, axis=1) if table.shape[1] > 1 else table
    if table.shape[1] > MOST_CHOICES:
        return None
    return _network(decoder, outputs, walk, np.ascontiguousarray(table), board)


def _network(
    decoder: Decoder,
    outputs: tuple[tuple[str, str], ...],
    walk: _Walk,
    table: NDArray[np.int64],
    board: Sequence[Decoder],
) -> Network:
    n_out = len(outputs)
    highs = [int(((table >> j) & 1).sum()) for j in range(n_out)]
    idle = sum(1 << j for j in range(n_out) if 2 * highs[j] >= table.size)
    active = sum(((table ^ idle) >> j) & 1 for j in range(n_out))
    shared = [line for other in board if other is not decoder for line in other.outputs.values()]
    open_high = sum(1 << j for j, (_, line) in enumerate(outputs) if decoder.part.open_collector and line in shared)
    by_line = {line: pin for pin, line in decoder.inputs.items()}
    return Network(
        designator=decoder.designator,
        part=decoder.part.name,
        inputs=tuple(walk.leaves),
        pins=tuple(by_line.get(line, "") for line in walk.leaves),
        outputs=outputs,
        table=table,
        through=tuple(d for d in walk.parts if d != decoder.designator),
        not_clipped=tuple(walk.free),
        idle=idle,
        one_hot=n_out > 1 and int(np.max(active)) <= 1,
        open_high=open_high,
        delay_ns=walk.delay_ns,
    )


class _Walk:
    """Follows lines from a decoder back to what is clipped."""

    def __init__(self, board: Sequence[Decoder], clipped: Callable[[str], bool]) -> None:
        self._makers = {line: (d, pin) for d in board for pin, line in d.outputs.items()}
        self._clipped = clipped
        self.leaves: list[str] = []
        self.free: list[str] = []
        self.parts: dict[str, float] = {}
        self.delay_ns = 0.0

    def visit(self, decoder: Decoder, outputs: Sequence[tuple[str, str]], depth: int) -> None:
        """Collects leaves and free lines under these outputs."""
        part = decoder.part
        self.parts[decoder.designator] = _worst_ns(part)
        self.delay_ns = sum(self.parts.values())
        for pin in _pins_behind(part, [pin for pin, _ in outputs]):
            line = decoder.inputs.get(pin)
            if line is None or line in self.leaves or line in self.free:
                continue
            maker = self._makers.get(line)
            if self._clipped(line):
                self.leaves.append(line)
            elif maker is not None and maker[0].designator not in self.parts and depth < 4:
                self.visit(maker[0], [(maker[1], line)], depth + 1)
            else:
                self.free.append(line)

    def ties(self, decoder: Decoder, outputs: Sequence[tuple[str, str]]) -> list[dict[str, int]]:
        """Levels of the pins that the board file leaves out, one dict for each possibility.

        An enable is tied to its enabling level; another pin to whatever lets every named output move.
        """
        part = decoder.part
        left_out = [p for p in _pins_behind(part, [p for p, _ in outputs]) if p not in decoder.inputs]
        fixed = {pin: part.enables[pin] for pin in left_out if pin in part.enables}
        fixed.update({pin: level for pin, level in decoder.tied.items() if pin in left_out})
        open_pins = [pin for pin in left_out if pin not in fixed]
        if not open_pins:
            return [fixed]
        choices = [{**fixed, **dict(zip(open_pins, v, strict=True))} for v in product((0, 1), repeat=len(open_pins))]
        moving = [choice for choice in choices if _all_move(part, [p for p, _ in outputs], choice)]
        return moving or choices

    def outputs(
        self,
        decoder: Decoder,
        outputs: Sequence[tuple[str, str]],
        columns: dict[str, NDArray[np.int64]],
        ties: dict[str, int],
    ) -> NDArray[np.int64]:
        """Output words, bit j = level of ``outputs[j]``, for every value of ``columns``."""
        part = decoder.part
        any_column = next(iter(columns.values())) if columns else np.zeros(1, np.int64)
        index = np.zeros_like(any_column)
        needed = set(_pins_behind(part, [p for p, _ in outputs]))
        for k, pin in enumerate(part.inputs):
            if pin in needed:
                index |= self._level(decoder, pin, columns, ties, any_column) << k
        word = part.lookup.astype(np.int64)[index]
        made = np.zeros_like(word)
        for j, (pin, _) in enumerate(outputs):
            made |= ((word >> part.outputs.index(pin)) & 1) << j
        return made

    def _level(
        self,
        decoder: Decoder,
        pin: str,
        columns: dict[str, NDArray[np.int64]],
        ties: dict[str, int],
        like: NDArray[np.int64],
    ) -> NDArray[np.int64]:
        line = decoder.inputs.get(pin)
        if line is None:
            return np.full_like(like, ties.get(pin, 1))
        if line in columns:
            return columns[line]
        maker, made_by = self._makers[line]
        return self.outputs(maker, [(made_by, line)], columns, self.ties(maker, [(made_by, line)])[0])


def _pins_behind(part: DecoderPart, outputs: Sequence[str]) -> list[str]:
    """Input pins that at least one of the output pins depends on."""
    sections = [part.section_of(pin) for pin in outputs]
    return list(dict.fromkeys(pin for section in sections for pin in section.inputs))


def _all_move(part: DecoderPart, outputs: Sequence[str], ties: dict[str, int]) -> bool:
    index = np.arange(1 << len(part.inputs), dtype=np.int64)
    here = np.ones(index.shape, np.bool_)
    for pin, level in ties.items():
        here &= ((index >> part.inputs.index(pin)) & 1) == level
    word = part.lookup.astype(np.int64)[here]
    return all(len(np.unique((word >> part.outputs.index(pin)) & 1)) == 2 for pin in outputs)


def _worst_ns(part: DecoderPart) -> float:
    """The slowest path that the parts library knows of; ``STEP_NS`` where it knows none."""
    worst = [ns for d in part.delays for ns in (d.tplh_max, d.tphl_max) if ns is not None and d.path != "disable"]
    return max(worst, default=STEP_NS)
