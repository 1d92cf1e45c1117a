"""Slow twins of the bus-driver kernels; rows as in ``levels``, cycles as dicts."""

from __future__ import annotations

from collections import Counter

from tests.reference.levels import Row, lasting

__all__ = ["controls_twin", "held_twin", "paths_twin", "roles_twin"]

READ, WRITE, OTHER_READ, OTHER_WRITE = 0, 1, 2, 3


def _stands(values, pin):
    """off, card, cpu, unaimed or None."""
    if pin.get("enable") is not None:
        line, active = pin["enable"]
        if values[line] is None:
            return None
        if values[line] != active:
            return "off"
    if pin.get("direction") is None:
        return "unaimed"
    line, to_cpu = pin["direction"]
    return None if values[line] is None else "cpu" if values[line] == to_cpu else "card"


def _longest(rows: list[Row], first, last, since, until, pin):
    """(standing held longest, time toward the CPU); None where it is unknown for a moment or the span is empty."""
    spent = Counter()
    for r, length in lasting(rows, first, last, since, until):
        standing = _stands(rows[r][1], pin)
        if standing is None:
            return None, 0
        spent[standing] += length
    if not spent:
        return None, 0
    order = ["off", "card", "cpu", "unaimed"]
    return max(order, key=lambda s: (spent[s], -order.index(s))), spent["cpu"]


def _driven(rows, before, begin, address, data):
    def moved(r, lines):
        return any((rows[r][1][n] or 0) != (rows[r - 1][1][n] or 0) for n in lines)

    addressed = [r for r in range(before + 1, begin + 1) if moved(r, address)]
    stop = rows[begin][0]
    if addressed:
        changed = [rows[r][0] for r in range(addressed[-1] + 1, begin + 1) if moved(r, data)]
    else:  # the read before may let go of the bus in the first half
        half = rows[before][0] + (stop - rows[before][0]) // 2
        changed = [rows[r][0] for r in range(before + 1, begin + 1) if moved(r, data) and rows[r][0] > half]
    return min(changed, default=stop)


def roles_twin(rows, cycles, role, away):
    """What each cycle is to each buffer: as ``role`` by region and kind has it, but -1 where the address is not known
    or the select of its region, (line, level at which it is away), is seen away in the middle and at the end."""
    found = []
    for c in cycles:
        none, select = c["hidden"] != 0, away[c["region"]]
        if select is not None:
            middle = (rows[c["begin"]][0] + rows[c["end"]][0]) // 2
            moments = max(c["end"] - 1, c["before"]), max(r for r in range(len(rows)) if rows[r][0] <= middle)
            none = none or all(rows[r][1][select[0]] == select[1] for r in moments)
        each = role[c["region"]][c["kind"]]
        found.append([-1] * len(each) if none else list(each))
    return found


def controls_twin(rows, cycles, pins, can_be_off, can_drive, shared, address, data, skew, hold, turn):
    """One Counter a buffer, and the first times."""
    tally = [Counter() for _ in pins]
    first = [{} for _ in pins]

    def note(b, what, when, group):
        tally[b][what] += 1
        first[b].setdefault(group, when)

    for c in cycles:
        when = rows[c["at"]][0]
        start, stop = rows[c["begin"]][0], rows[c["end"]][0]
        half = start + (stop - start) // 2
        until, row = max(stop - skew, half + (stop - half) // 2), max(c["begin"] - 1, c["before"])
        if c["begin"] == c["end"]:
            half = max(stop - skew - 1, rows[c["before"]][0])
            until, row = half + 1, c["before"]
        stands = []
        for b, pin in enumerate(pins):
            standing, _ = _longest(rows, row, c["end"], half, until, pin)
            stands.append(standing)
            role, earlier = c["roles"][b], c["earlier"][b]
            if standing is not None and role == READ:
                tally[b]["reads"] += 1
                if standing in ("off", "card"):
                    note(b, "reads off" if standing == "off" else "reads away", when, "wrong")
            elif standing is not None and role == WRITE:
                tally[b]["writes"] += 1
                tally[b]["after read"] += earlier == READ
                if standing == "off":
                    note(b, "writes off", when, "wrong")
                elif standing == "cpu":
                    note(b, "writes toward", when, "wrong")
                    tally[b]["toward after read"] += earlier == READ
            elif standing is not None and can_drive[b]:
                tally[b]["elsewhere of"] += can_be_off[b] or role == OTHER_WRITE
                if role == OTHER_WRITE and standing == "cpu":
                    note(b, "elsewhere", when, "wrong")
                if role == OTHER_READ and can_be_off[b] and standing in ("cpu", "unaimed"):
                    note(b, "elsewhere", when, "wrong")
                if role == OTHER_READ and not can_be_off[b] and standing == "cpu":
                    tally[b]["others toward"] += 1
            if c["write"] and c["begin"] < c["end"] and standing != "cpu" and can_drive[b]:
                tally[b]["overlaps of"] += 1
                last = min(c["after"], len(rows) - 1)
                since = _driven(rows, c["before"], c["begin"], address, data) + skew // 2
                end = min(stop + hold - skew, rows[last][0])
                _, drove = _longest(rows, c["before"], last, since, end, pin)
                if drove > skew + turn:
                    note(b, "overlaps", when, "overlap")
                    tally[b]["longest"] = max(tally[b]["longest"], drove)
        for b in range(len(pins)):
            for d in range(b + 1, len(pins)):
                if not shared[b][d] or not {c["roles"][b], c["roles"][d]} & {READ, OTHER_READ}:
                    continue
                for one in (b, d):
                    tally[one]["two of"] += 1
                    tally[one]["overlaps of"] += 1
                if stands[b] == stands[d] == "cpu":
                    note(b, "two", when, "two")
                    note(d, "two", when, "two")
                    continue
                drove = sum(
                    length
                    for r, length in lasting(rows, c["before"], c["end"], rows[0][0], stop)
                    if _stands(rows[r][1], pins[b]) == _stands(rows[r][1], pins[d]) == "cpu"
                )
                if drove > skew + turn:
                    for one in (b, d):
                        note(one, "overlaps", when, "overlap")
                        tally[one]["longest"] = max(tally[one]["longest"], drove)
    return tally, first


def paths_twin(rows, cycles, near, far, use_stated, skew, settle, bin_ticks, bins, early_bins, inverting):
    """(table, first wrong, delays) lane by lane, and the pairs of lanes that were wrong with different levels in."""
    table, first, delay, apart = Counter(), {}, Counter(), Counter()

    def row_at(low, high, t):
        fitting = [r for r in range(low, high + 1) if rows[r][0] <= t]
        return max(fitting, default=low)

    def came_at(low, row, line):
        changed = [r for r in range(low + 1, row + 1) if (rows[r - 1][1][line] or 0) != (rows[r][1][line] or 0)]
        return rows[changed[-1]][0] if changed else None

    for c in cycles:
        if c["role"] < 0:
            continue
        toward = c["role"] in (READ, OTHER_READ)
        moment = rows[c["end"]][0] - skew // 2 - 1
        row = row_at(c["before"], max(c["end"] - 1, c["before"]), moment)
        calm = row_at(c["before"], row, moment - settle)
        wrong = []
        for lane in range(len(near)):
            source, drain = (far[lane], near[lane]) if toward else (near[lane], far[lane])
            came = rows[row][1][drain]
            if came is None:
                continue
            was = rows[c["before"]][1][drain] or 0
            if use_stated:
                went = c["stated"] >> lane & 1
            else:
                levels = {rows[r][1][source] for r in range(calm, row + 1)}
                if None in levels or len(levels) > 1:
                    continue
                went = rows[row][1][source]
                was = c["kept"] >> lane & 1 if toward else was
            right = went ^ inverting
            in_time = came == right
            if not in_time and rows[c["end"]][1][drain] is not None:
                came = rows[c["end"]][1][drain]
            table[lane, c["role"], was, went, came] += 1
            if c["role"] <= WRITE and came != right:
                first.setdefault(lane, rows[c["at"]][0])
                apart.update((other, lane) for other, level in wrong if level != went)
                wrong.append((lane, went))
            if c["role"] <= WRITE and in_time and came != was and not use_stated:
                entered, left = came_at(c["before"], row, source), came_at(c["before"], row, drain)
                if entered is not None and left is not None:
                    place = (left - entered + bin_ticks // 2) // bin_ticks + early_bins
                    delay[lane, 0 if toward else 1, min(max(place, 0), bins - 1)] += 1
    return table, first, delay, apart


def held_twin(reads, lanes):
    """(lane, kept, read) → count, and (None, same, True) for whole words; ``reads``: (data, unknown, kept)."""
    table = Counter()
    for data, unknown, kept in reads:
        known = [lane for lane in lanes if not unknown >> lane & 1]
        for lane in known:
            table[lane, kept >> lane & 1, data >> lane & 1] += 1
        if len(known) == len(lanes):
            table[None, int(all((data ^ kept) >> lane & 1 == 0 for lane in lanes)), 1] += 1
    return table
