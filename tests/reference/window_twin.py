"""Slow twins of the kernels that look at cycles in their windows; rows as in ``levels``."""

from __future__ import annotations

from collections import Counter

from tests.reference.levels import Row, held

__all__ = ["moments_twin", "moved_twin", "placed_twin", "seen_twin", "selects_twin", "spans_twin"]


def placed_twin(row_times: list[int], cycle_times: list[int]) -> list[int]:
    """The first row not before each cycle."""
    return [sum(1 for t in row_times if t < when) for when in cycle_times]


def spans_twin(
    rows: list[Row], cycles: list[dict], holds: dict[int, object], from_begin: dict[int, bool], pause: int = 0
) -> list[tuple[int, int]]:
    """(begin, end) of each cycle's strobe; ``holds[rule](values)`` says whether a row shows it.

    Where it was away for ``pause`` ticks or less, and had been there before, it did not end.
    """
    found = []
    for cycle in cycles:
        shown = holds[cycle["rule"]]
        if from_begin[cycle["rule"]]:
            after = [r for r in range(cycle["at"], min(cycle["after"], len(rows))) if not shown(rows[r][1])]
            end = after[0] if after else min(cycle["after"], len(rows))
            found.append((cycle["at"], min(end, len(rows) - 1)))
        else:
            there = [r for r in range(cycle["before"], cycle["at"]) if shown(rows[r][1])]
            begin, next_one = cycle["at"], cycle["at"]
            for r in reversed(there):
                # The strobe went away with row r + 1 and came back with the row that was there next.
                if r + 1 < next_one and (next_one == cycle["at"] or rows[next_one][0] - rows[r + 1][0] > pause):
                    break
                begin = next_one = r
            found.append((cycle["at"] if begin == cycle["before"] else begin, cycle["at"]))
    return found


def moved_twin(rows: list[Row], before: int, begin: int, end: int, lines: int) -> int:
    """The lines, as bits, that are unknown or do not hold one level from the row before a strobe to its end; from the
    window's first row on, where no strobe is shown."""
    first = before if begin == end else max(begin - 1, before)
    shown = [{row[1][line] for row in rows[first : end + 1]} for line in range(lines)]
    return sum(1 << line for line, levels in enumerate(shown) if len(levels) > 1 or None in levels)


def selects_twin(rows: list[Row], cycles: list[dict], selects: list[int], own: list[int], active: list[int], skew: int):
    """(counts, first, late, late_first) by group, select and level."""
    counts, first, late, late_first = Counter(), {}, Counter(), {}
    for c in cycles:
        if c["group"] < 0:
            continue
        start, stop = rows[c["begin"]][0], rows[c["end"]][0]
        half = start + (stop - start) // 2
        until = max(stop - skew, half + (stop - half) // 2)
        row = max(c["begin"] - 1, c["before"]) if c["begin"] > c["before"] else c["begin"]
        if c["begin"] == c["end"]:
            half = max(stop - skew - 1, rows[c["before"]][0])
            until, row = half + 1, c["before"]
        for s, line in enumerate(selects):
            level = held(rows, line, row, c["end"], half, until)
            if level is None:
                continue
            strobe = [r for r in range(c["begin"], c["end"] + 1) if rows[r][0] < stop - skew]
            came = any((rows[r][1][line] or 0) == active[s] for r in strobe)
            if s == own[c["group"]] and level != active[s] and c["begin"] < c["end"] and came:
                continue
            counts[c["group"], s, level] += 1
            first.setdefault((c["group"], s, level), c["time"])
            if s == own[c["group"]] and level == active[s] and c["begin"] < c["end"]:
                earlier = [r for r in range(c["begin"], c["end"] + 1) if rows[r][0] <= half]
                was = rows[max(earlier, default=c["begin"])][1][line]
                if (was or 0) != level:
                    late[s] += 1
                    late_first.setdefault(s, c["time"])
    return counts, first, late, late_first


def seen_twin(rows: list[Row], cycles: list[dict], selects: list[int], active: list[int], skew: int):
    """(active, quiet) of each cycle: the selects that are known to be one or the other as it is sampled."""

    def levels(line, since, until):
        """Every level that the line had from ``since`` to ``until``, both included."""
        at = [r for r in range(len(rows)) if since < rows[r][0] <= until]
        earlier = [r for r in range(len(rows)) if rows[r][0] <= since]
        return {rows[r][1][line] for r in [*earlier[-1:], *at]}

    found = []
    for c in cycles:
        on, off = set(), set()
        until = rows[c["at"]][0] - max(skew, 1)
        shown = c["begin"] < c["at"]
        begun = rows[c["begin"]][0]
        settled = min(until, max(until - skew, begun + skew)) if shown else until - skew
        if rows[0][0] <= until:
            for s, line in enumerate(selects):
                if levels(line, settled, until) == {active[s]}:
                    on.add(s)
                if levels(line, min(settled, begun) if shown else settled, until) == {1 - active[s]}:
                    off.add(s)
        found.append((on, off))
    return found


def moments_twin(rows, cycles, address, data, selects, chips, skew, limit, unsure):
    """One dict a cycle: when the last and next changes were; ``chips[region]`` lists lines of each chip.

    Of edges of one line in rows up to ``limit`` ticks apart the first counts if the line ends at another level.
    """

    def differs(r, n):
        return rows[r][1][n] != rows[r - 1][1][n]

    def stays(r, n, c):
        if r - 1 > c["before"] and rows[r][0] - rows[r - 1][0] <= limit and differs(r - 1, n):
            return False
        edges, later = 1, r + 1
        while later <= min(c["after"], len(rows) - 1):
            if rows[later][0] - rows[later - 1][0] > limit or not differs(later, n):
                break
            edges, later = edges + 1, later + 1
        return edges % 2 == 1

    found = []
    for c in cycles:

        def moved(r, lines, c=c):
            return any(differs(r, n) and (limit == 0 or stays(r, n, c)) for n in lines)

        seen = {}
        start, stop = rows[c["begin"]][0], rows[c["end"]][0]
        spanned = c["begin"] != c["end"]
        inside = [r for r in range(c["before"] + 1, c["end"] + 1) if r > 0]
        close = [r for r in inside if spanned and rows[r][0] >= stop - skew and rows[r][0] >= start]
        early = [r for r in inside if r not in close]
        late = list(range(c["end"] + 1, min(c["after"], len(rows) - 1) + 1))
        for name, lines in (("address", address), ("data", data)):
            changes = [rows[r][0] for r in early if moved(r, lines)]
            if changes:
                seen[name] = changes[-1]
            next_ones = [rows[r][0] for r in close + late if moved(r, lines)]
            if next_ones:
                seen[name + " after"] = next_ones[0]
            if next_ones and next_ones[0] < stop and close:
                # Less than the skew before the strobe's end: late or early, the sampling cannot tell.
                seen[name] = seen[name + " after"] = unsure
        for k, lines in enumerate(chips[c["region"]]):
            changes = [rows[r][0] for r in early if any(differs(r, n) for n in lines) and moved(r, data)]
            if changes:
                seen["chip", k] = changes[-1]
        if selects[c["region"]] is not None:
            line, active = selects[c["region"]]
            came = [r for r in early if (rows[r][1][line] or 0) == active and (rows[r - 1][1][line] or 0) != active]
            if came:
                seen["select"] = rows[came[-1]][0]
        found.append(seen)
    return found
