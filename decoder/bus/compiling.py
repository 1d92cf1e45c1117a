"""A profile on a wiring, turned into the kernels' ``Tables``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import expression
from busledger.decoder.bus.columns import KIND_NAMES, WRITE_KINDS, Kind
from busledger.decoder.bus.columns_kernel import ADDRESS, DATA, KEPT, MATCH_MASK, STROBE_OF, WAIT_WHEN, WHEN
from busledger.decoder.bus.expression import Term
from busledger.decoder.bus.layout import Layout
from busledger.decoder.bus.profile import Profile
from busledger.decoder.bus.ranges import bit_numbers, line_names
from busledger.decoder.bus.schema import Piece, RuleEntry
from busledger.decoder.bus.tables import ACTIONS, FIRST_LATCH, MOST_ROWS, NEVER, PLANES, Tables
from busledger.decoder.bus.windows import Windows

__all__ = ["compile_tables"]


class _Compiler:
    """Collects the flat lists; one use, one profile."""

    def __init__(self, profile: Profile, layout: Layout) -> None:
        self.profile, self.layout = profile, layout
        self.latches = {latch.name: FIRST_LATCH + i for i, latch in enumerate(profile.latches)}
        self.expr_start, self.term_start = [0], [0]
        self.literals: list[tuple[int, int, int, int]] = []
        self.piece_start, self.steady_start = [0], [0]
        self.pieces: list[tuple[int, int, int, int]] = []
        self.steady: list[tuple[int, int, int]] = []
        self.sources: list[tuple[int, int, int, int]] = []

    def where(self, line: str) -> tuple[int, int] | None:
        """(word, bit) of a line, through its fallback; None if neither is wired."""
        for name in (line, self.profile.lines[line].fallback):
            if name is not None and self.layout.wired(name):
                return divmod(self.layout.bit(name), 64)
        return None

    def expr(self, terms: Sequence[Term], plane: str = "middle") -> int:
        """The index of the expression ``terms``, -1 if it always holds, NEVER if it cannot."""
        folded = [self._term(term, plane) for term in terms]
        possible = [term for term in folded if term is not None]
        if any(not term for term in possible):
            return -1
        if not possible:
            return NEVER
        for term in possible:
            self.literals.extend((p, w, m, want) for (p, w), (m, want) in sorted(term.items()))
            self.term_start.append(len(self.literals))
        self.expr_start.append(len(self.term_start) - 1)
        return len(self.expr_start) - 2

    def literals_of(self, number: int) -> list[tuple[int, int, int, int]]:
        """(plane, word, mask, want) of expression ``number``; none of one that always or never holds."""
        if number < 0:
            return []
        first, stop = self.expr_start[number], self.expr_start[number + 1]
        return self.literals[self.term_start[first] : self.term_start[stop]]

    def pieces_of(self, number: int) -> list[tuple[int, int, int, int]]:
        """(plane, word, shift to the right, mask) of source ``number``."""
        return self.pieces[self.piece_start[number] : self.piece_start[number + 1]]

    def steady_of(self, number: int) -> list[tuple[int, int, int]]:
        """(word, shift to the right, mask) of the bits of source ``number`` that must not move inside the strobe."""
        return self.steady[self.steady_start[number] : self.steady_start[number + 1]]

    def _term(self, term: Term, plane: str) -> dict[tuple[int, int], tuple[int, int]] | None:
        """(plane, word) → (mask, want); None when an unwired line's default rules the term out."""
        masks: dict[tuple[int, int], tuple[int, int]] = {}
        for literal in sorted(term):
            line = self.profile.lines[literal.line]
            spot = self.where(literal.line)
            high = literal.asserted != line.active_low
            if spot is None:
                if line.default_level is None:
                    masks[PLANES["never"], 0] = (1, 0)
                elif (line.default_level == 1) != high:
                    return None
                continue
            word, bit = spot
            number, want = self._plane(literal.place or plane, line.active_low, high)
            mask, wanted = masks.get((number, word), (0, 0))
            masks[number, word] = mask | 1 << bit, wanted | (1 << bit if want else 0)
        return masks

    def _plane(self, place: str, active_low: bool, high: bool) -> tuple[int, bool]:
        if place == "any":
            # "any.X": X was asserted at some time. Its negation asks the same plane for a 0.
            return PLANES["anylow" if active_low else "anyhigh"], high != active_low
        return self.latches[place] if place in self.latches else PLANES[place], high

    def source(self, pieces: Sequence[Piece]) -> int:
        """The index of a gather of ``pieces``."""
        runs: dict[tuple[int, int, int], int] = {}
        still: dict[tuple[int, int], int] = {}
        invert = const = missing = everything = 0
        for piece in pieces:
            plane = self.latches[piece.latch] if piece.latch else PLANES[piece.at or "end"]
            for dest, name in zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True):
                line, spot = self.profile.lines[name], self.where(name)
                turned = line.active_low != piece.invert
                everything |= 1 << dest
                if spot is None:
                    if line.default_level is None:
                        missing |= 1 << dest
                    elif (line.default_level == 1) != turned:
                        const |= 1 << dest
                    continue
                word, bit = spot
                invert |= (1 << dest) if turned else 0
                runs[plane, word, bit - dest] = runs.get((plane, word, bit - dest), 0) | 1 << dest
                if _steady(piece):
                    still[word, bit - dest] = still.get((word, bit - dest), 0) | 1 << dest
        self.pieces.extend((p, w, s, m) for (p, w, s), m in sorted(runs.items()))
        self.piece_start.append(len(self.pieces))
        self.steady.extend((w, s, m) for (w, s), m in sorted(still.items()))
        self.steady_start.append(len(self.steady))
        self.sources.append((invert, const, missing, everything))
        return len(self.sources) - 1


def _steady(piece: Piece) -> bool:
    if piece.latch is not None:
        return False
    return piece.at in ("begin", "middle") if piece.steady is None else piece.steady


def compile_tables(profile: Profile, layout: Layout, windows: Windows) -> Tables:
    """The arrays for one profile, wiring and sample interval."""
    made, words = _Compiler(profile, layout), layout.words
    strobe_expr = [made.expr(expression.parse(s.when)) for s in profile.strobes]
    latch_expr = [made.expr(expression.parse(item.when)) for item in profile.latches]
    addresses = {a.name: made.source(a.pieces) for a in profile.addresses}
    datas = {d.name: made.source(d.pieces) for d in profile.datas}
    strobes = {s.name: i for i, s in enumerate(profile.strobes)}
    rules = [_rule(made, rule, strobes, addresses, datas) for rule in profile.rules]
    lanes = [[(lane.lane, made.expr(expression.parse(lane.when))) for lane in rule.lanes] for rule in profile.rules]
    keys = [_keys(made, i, rules, lanes) for i in range(len(strobes))]
    strobe_rows = [
        (strobe_expr[i], int(s.sample == "begin"), windows.width_min(s), *windows.begin(s), *windows.end(s),
         _needs(made, i, rules, keys[i]), *windows.room(s.begin), *windows.room(s.end))
        for i, s in enumerate(profile.strobes)
    ]  # fmt: skip
    ends_kept = any(rule[KEPT] == 0 for rule in rules)
    latch_rows = [
        (latch_expr[i], int(item.edge == "begin"), *windows.latch(item), *windows.latch_room(item))
        for i, item in enumerate(profile.latches)
    ]
    return Tables(
        ctrl=_control_mask(profile, layout, made),
        expr=_ints(made.expr_start, 1),
        term=_ints(made.term_start, 1),
        lit=_bits([(p * words + w, w, m, want) for p, w, m, want in made.literals], 4),
        strobe=_ints(strobe_rows, 14),
        latch=_ints(latch_rows, 7),
        rule=_ints(rules, 11),
        lane_start=_ints([sum(len(x) for x in lanes[:i]) for i in range(len(lanes) + 1)], 1),
        lane=_ints([pair for rule_lanes in lanes for pair in rule_lanes], 2),
        piece_start=_ints(made.piece_start, 1),
        piece=_bits([(p * words + w, w, *_shifts(s), m) for p, w, s, m in made.pieces], 5),
        source=_bits(made.sources, 4),
        steady_start=_ints(made.steady_start, 1),
        steady=_bits([(PLANES["changed"] * words + w, *_shifts(s), m) for w, s, m in made.steady], 4),
        clock=_ints(_clock(profile, layout, windows), 1),
        look=_ints(_look(windows, ends_kept), 1),
        key_start=_ints([sum(len(x) for x in keys[:i]) for i in range(len(keys) + 1)], 1),
        key=_bits([(p * words + w, m, moved) for strobe_keys in keys for p, w, m, moved in strobe_keys], 3),
    )


def _rule(
    made: _Compiler, rule: RuleEntry, strobes: dict[str, int], addresses: dict[str, int], datas: dict[str, int]
) -> tuple[int, ...]:
    action = ACTIONS.get(rule.kind, ACTIONS["emit"])
    kind = KIND_NAMES.index(rule.kind) if rule.kind in KIND_NAMES else int(Kind.IDLE)
    first_address, first_data = next(iter(addresses.values())), next(iter(datas.values()))
    has_data = rule.kind not in ("refresh", "halt")
    mask = 0
    if rule.address_is is not None:
        mask = rule.address_mask if rule.address_mask is not None else (1 << made.profile.address_bits) - 1
    kept = rule.kept or made.profile.file.kept
    return (
        strobes[rule.strobe],
        made.expr(expression.parse(rule.when)),
        NEVER if rule.wait is None else made.expr(expression.parse(rule.wait)),
        action,
        kind,
        int(kind in WRITE_KINDS and action == ACTIONS["emit"]),
        first_address if rule.address is None else addresses.get(rule.address, -1),
        (first_data if has_data else -1) if rule.data is None else datas.get(rule.data, -1),
        rule.address_is or 0,
        mask,
        int(kept == "begin"),
    )


def _keys(
    made: _Compiler, strobe: int, rules: Sequence[tuple[int, ...]], lanes: Sequence[Sequence[tuple[int, int]]]
) -> list[tuple[int, int, int, int]]:
    """(plane, word, mask, mask of movement) of all bits that the rules of one strobe depend on."""
    masks: dict[tuple[int, int], int] = {}
    moving: dict[tuple[int, int], int] = {}
    for rule, rule_lanes in zip(rules, lanes, strict=True):
        if rule[STROBE_OF] != strobe:
            continue
        for number in (rule[WHEN], rule[WAIT_WHEN], *(expr for _, expr in rule_lanes)):
            for plane, word, mask, _ in made.literals_of(number):
                masks[plane, word] = masks.get((plane, word), 0) | mask
        if rule[ADDRESS] >= 0 and rule[MATCH_MASK]:  # an address is matched: a bit of it that moved is in doubt
            still = [(PLANES["changed"], *piece) for piece in made.steady_of(rule[ADDRESS])]
            for plane, word, shift, mask in made.pieces_of(rule[ADDRESS]) + still:
                asked = mask & rule[MATCH_MASK]
                bits = asked << shift if shift >= 0 else asked >> -shift
                masks[plane, word] = masks.get((plane, word), 0) | bits
                moving[plane, word] = moving.get((plane, word), 0) | bits
    return [(*spot, mask, moving.get(spot, 0)) for spot, mask in sorted(masks.items())]


def _needs(
    made: _Compiler, strobe: int, rules: Sequence[tuple[int, ...]], keys: Sequence[tuple[int, int, int, int]]
) -> int:
    """The planes that anything of one strobe looks at, as bits."""
    planes = {plane for plane, *_ in keys}
    for rule in rules:
        for source in (rule[ADDRESS], rule[DATA]) if rule[STROBE_OF] == strobe else ():
            if source >= 0:
                planes |= {plane for plane, *_ in made.pieces_of(source)}
                planes |= {PLANES["changed"]} if made.steady_of(source) else set()
    if PLANES["prev"] in planes:
        planes.add(PLANES["end"])
    return sum(1 << plane for plane in planes)


def _control_mask(profile: Profile, layout: Layout, made: _Compiler) -> NDArray[np.uint64]:
    mask = np.zeros(layout.words, np.uint64)
    conditions = [s.when for s in profile.strobes] + [item.when for item in profile.latches]
    named = {lit.line for text in conditions for term in expression.parse(text) for lit in term}
    for line in (*named, *([profile.clock.line] if profile.clock.line else [])):
        spot = made.where(line)
        if spot is not None:
            mask[spot[0]] |= np.uint64(1 << spot[1])
    return mask


def _look(windows: Windows, ends_kept: bool) -> list[int]:
    """How far the kernels look, as ``Tables.look`` has it."""
    reach = [windows.look_ahead(), windows.inset(), windows.longest_middle()]
    return [*reach, MOST_ROWS, int(ends_kept), windows.false_sample()]


def _clock(profile: Profile, layout: Layout, windows: Windows) -> list[int]:
    clock = profile.clock
    if not clock.judged:
        return [0, -1, 0, 0]
    if clock.line is not None and layout.wired(clock.line):
        word, bit = divmod(layout.bit(clock.line), 64)
        return [word, bit, round(clock.silent_periods * 16), windows.ticks(clock.stretch_max_ns * 1.2)]
    return [0, -1, round(clock.silent_cycles * 16), windows.ticks(clock.silent_min_ns)]


def _shifts(shift: int) -> tuple[int, int]:
    """(right, left) of a shift to the right that may be negative."""
    return max(shift, 0), max(-shift, 0)


def _ints(rows: Sequence[Any], width: int) -> NDArray[np.int64]:
    """Rows of ``width`` numbers, one dimension for width 1."""
    made = np.array(list(rows), np.int64)
    return made if width == 1 else made.reshape(-1, width)


def _bits(rows: Sequence[tuple[int, ...]], width: int) -> NDArray[np.uint64]:
    return np.array(list(rows), np.uint64).reshape(-1, width)
