"""The plain twin of the cycle kernels: dictionaries, loops, and conditions read straight from the profile's text.

It knows every row at once, so it has no blocks and no carried state to get wrong.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from statistics import median_high

from busledger.decoder.bus.columns import KIND_NAMES
from busledger.decoder.bus.ranges import bit_numbers, line_names
from busledger.decoder.bus.windows import Windows

UNSETTLED, UNKNOWN, PARTIAL, AFTER_GAP, SHORT, WAIT = 1, 2, 4, 8, 16, 32


def holds(text, look):
    """Kleene value (True, False, None) of a condition; ``look(place, line)`` says whether a line is asserted."""
    tokens = re.findall(r"[A-Za-z][\w.]*|[!&|()]", text)

    def either():
        value = both()
        while tokens and tokens[0] == "|":
            tokens.pop(0)
            other = both()
            value = True if True in (value, other) else None if None in (value, other) else False
        return value

    def both():
        value = single()
        while tokens and tokens[0] == "&":
            tokens.pop(0)
            other = single()
            value = False if False in (value, other) else None if None in (value, other) else True
        return value

    def single():
        head = tokens.pop(0)
        if head == "!":
            value = single()
            return None if value is None else not value
        if head == "(":
            value = either()
            tokens.pop(0)
            return value
        place, _, line = head.rpartition(".")
        return look(place, line)

    return True if not tokens else either()


class PlainDecoder:
    """``times`` in ticks and ``rows`` as dicts line → 1, 0 or None, for the wired lines only."""

    def __init__(self, profile, times, rows, tick_fs, grid, gap_ends=(), most_rows=1 << 15):
        self.profile, self.times, self.rows = profile, times, rows
        self.windows = Windows(profile, tick_fs, grid)
        self.wired = set(rows[0]) if rows else set()
        self.gap_ends = sorted(gap_ends)
        self.most_rows = most_rows
        self.rejected = 0
        self.jumps = []

    def level(self, row, line):
        """Level of a line in a row, through fallback and default: 1, 0 or None."""
        entry = self.profile.lines[line]
        for name in (line, entry.fallback):
            if name is not None and name in self.wired:
                return row[name]
        return entry.default_level

    def asserted(self, row, line):
        level = self.level(row, line)
        return None if level is None else bool(level) != self.profile.lines[line].active_low

    def decode(self):
        """A list of dicts, one a cycle, with the columns of ``Cycles``."""
        return self.tell(self.tidied(self.events()))

    def events(self):
        """("gap" | index of latch | index of strobe, begin row, end row, unseen, doubted) in time order."""
        clock = self.profile.clock
        has_clock = clock.judged and clock.line in self.wired
        factor = clock.silent_periods if has_clock else clock.silent_cycles
        shortest = self.windows.ticks(clock.stretch_max_ns * 1.2 if has_clock else clock.silent_min_ns)
        silence, intervals, since, clock_was = 0, [], None, None
        spans, latched = {}, {}
        found, gap_ends = [], list(self.gap_ends)

        def interval(now):
            nonlocal silence, since
            if since is not None:
                intervals.append(now - since)
                if len(intervals) == 8 or len(intervals) % 31 == 0:
                    silence = max(median_high(intervals[-31:]) * round(factor * 16) // 16, shortest)
            since = now

        for i, (now, row) in enumerate(zip(self.times, self.rows, strict=True)):
            jump = i > 0 and clock.judged and silence > 0 and now - self.times[i - 1] > silence
            dumped = bool(gap_ends) and now >= gap_ends[0]
            fresh = i == 0 or jump or dumped
            if i > 0 and fresh:
                found.append(("gap", None, i, i, False, False))
                if not dumped:
                    self.jumps.append((self.times[i - 1], now))
                gap_ends = [end for end in gap_ends if end > now]
                self.rejected += sum(1 for span in spans.values() if span["on"] is True)
                spans, latched, since = {}, {}, None
            elif dumped:
                found.append(("gap", None, i, i, False, False))
                gap_ends = [end for end in gap_ends if end > now]
            if has_clock:
                level = row[clock.line]
                if level == 1 and clock_was == 0:
                    interval(now)
                clock_was = level
            for k, latch in enumerate(self.profile.latches):
                state = holds(latch.when, lambda _, line, row=row: self.asserted(row, line))
                was = latched.get(k)
                if (was, state) == ((False, True) if latch.edge == "begin" else (True, False)):
                    found.append(("latch", k, i, i, False, False))
                if state is not None or fresh:
                    latched[k] = state
            for s, strobe in enumerate(self.profile.strobes):
                state = holds(strobe.when, lambda _, line, row=row: self.asserted(row, line))
                span = spans.setdefault(s, {"on": None, "begin": 0, "unseen": False, "doubt": False})
                if state is None:
                    span["doubt"] = True
                    continue
                was, span["on"] = span["on"], state
                if state == was:
                    continue
                if state:
                    span["begin"], span["unseen"] = i, was is None
                counted = (was is False and state) if strobe.sample == "begin" else (was is True and not state)
                if counted:
                    found.append(("strobe", s, span["begin"], i, span["unseen"], span["doubt"]))
                    if not has_clock and clock.judged:
                        interval(now)
                if not state:
                    span["doubt"] = False
        return found

    def tidied(self, events):
        """Without spans that one false sample made, and with those joined that one cut in two."""
        limit = self.windows.false_sample()
        usual = {}  # (strobe, "length" or "pause") → running median
        last_end, kept = {}, []

        def follow(key, value):
            was = usual.get(key, 0)
            step = max(1, was // 16)
            usual[key] = value if was == 0 else was + step * ((value > was) - (value < was))

        events = list(events)
        for n, (what, s, begin_row, end_row, unseen, doubted) in enumerate(events):
            if what == "gap":
                last_end = {}
            if not limit or what != "strobe" or self.profile.strobes[s].sample == "begin":
                kept.append(events[n])
                continue
            begin, end = self.times[begin_row], self.times[end_row]
            after = range(n + 1, len(events))
            later = next((m for m in after if events[m][0] == "gap" or events[m][:2] == ("strobe", s)), None)
            if later is not None and events[later][0] == "strobe":
                pause = self.times[events[later][2]] - end
                if pause <= limit and pause * 4 < usual.get((s, "pause"), 0):
                    _, _, _, row, unseen_too, doubted_too = events[later]
                    events[later] = ("strobe", s, begin_row, row, unseen or unseen_too, doubted or doubted_too)
                    continue
            lengths = [value for (_, key), value in usual.items() if key == "length" and value > 0]
            usual_length = usual.get((s, "length"), 0) or min(lengths, default=0)
            if end - begin <= limit and (end - begin) * 4 < usual_length and not unseen:
                self.rejected += 1
                continue
            if not unseen:
                follow((s, "length"), end - begin)
            if s in last_end:
                follow((s, "pause"), begin - last_end[s])
            last_end[s] = end
            kept.append(events[n])
        return kept

    def at(self, time, floor):
        return max(floor, bisect_right(self.times, time) - 1)

    def believed(self, at, room, floor):
        """The levels at a time, but a line's level of one sample only where it is steady otherwise.

        ``room`` is the time (open ends) in which the line should be steady, None where nothing is known of it.
        """
        here, false = self.at(at, floor), self.windows.false_sample()
        row = dict(self.rows[here])
        if room is None or not false or not floor < here < len(self.times) - 1:
            return row
        low, high = room
        until = self.times[here + 1]
        if until - self.times[here] > false or low >= high:
            return row
        if self.times[here] >= high + false or until <= low - false:
            return row
        for line in self.wired:
            others = {self.rows[here - 1][line], self.rows[here + 1][line]}
            for i in range(floor, len(self.times)):
                ends = self.times[i + 1] if i + 1 < len(self.times) else None
                if i != here and self.times[i] < high and (ends is None or ends > low):
                    others.add(self.rows[i][line])
            if len(others) == 1 and None not in others and row[line] is not None:
                row[line] = others.pop()
        return row

    def moved(self, low, high, floor):
        """Lines that moved strictly between two times."""
        lines = set()
        for i in range(floor + 1, len(self.times)):
            if low < self.times[i] < high:
                lines |= {n for n in self.wired if self.rows[i][n] != self.rows[i - 1][n]}
        return lines

    def tell(self, events):
        cycles, floor, bus, waits, after_gap = [], 0, None, set(), False
        self.held, self.previous = {}, {}
        for what, index, begin_row, end_row, unseen, doubted in events:
            end = self.times[end_row]
            if what == "gap":
                floor, bus, after_gap, self.held, self.previous = end_row, None, True, {}, {}
                continue
            if what == "latch":
                o = self.windows.latch(self.profile.latches[index])
                room = self.room(self.windows.latch_room(self.profile.latches[index]), end)
                self.held[self.profile.latches[index].name] = (
                    self.believed(end + o.value, room, floor),
                    self.moved(end + o.low, end + o.high, floor),
                )
                continue
            if end_row - begin_row > self.most_rows:
                self.rejected += 1
                continue
            strobe = self.profile.strobes[index]
            self.points(strobe, index, begin_row, end_row, floor)
            rule, sure = self.rule(strobe)
            if rule is None or self.profile.rules[rule].kind == "reject":
                self.rejected += 1
            elif self.profile.rules[rule].kind == "stretch":
                waits.add(index)
            elif self.profile.rules[rule].kind != "skip":
                begin_kept = (self.profile.rules[rule].kept or self.profile.file.kept) == "begin"
                if begin_kept or bus is None:
                    bus = self.rows[self.at(self.times[begin_row] - 1, floor)]
                cycle = self.cycle(rule, sure, bus)
                cycle |= {"sample": end_row, "time": end}
                width = end - self.times[begin_row]
                short = strobe.sample == "end" and not unseen and width < self.windows.width_min(strobe)
                wait = self.profile.rules[rule].wait
                waited = index in waits or (wait is not None and holds(wait, self.look) is True)
                for flag, on in ((UNKNOWN, doubted), (AFTER_GAP, after_gap), (SHORT, short), (WAIT, waited)):
                    cycle["flags"] |= flag if on else 0
                cycles.append(cycle)
                after_gap = False
                waits.discard(index)
            self.previous[index] = self.planes["end"]
            bus = self.rows[self.at(end + max(self.windows.end(strobe).high, 0), floor)]
        return cycles

    def room(self, room, edge):
        """The room around an edge in ticks of the capture; what comes late enough to wait for is not looked at."""
        return None if room == (0, 0) else (edge + room[0], edge + min(room[1], self.windows.look_ahead()))

    def points(self, strobe, index, begin_row, end_row, floor):
        """``self.planes``: place → (row, lines that moved); "any" → rows inside; and ``self.steady``."""
        begin, end = self.times[begin_row], self.times[end_row]
        at_begin = strobe.sample == "begin"
        middle = begin if at_begin else begin + min((end - begin) // 2, self.windows.longest_middle())
        b, e = self.windows.begin(strobe), self.windows.end(strobe)
        room = self.windows.room(strobe.begin)
        through = strobe.begin.hold == "strobe"
        if room == (0, 0) or (at_begin and through):  # the strobe's other end is not known at its begin
            limits = None
        else:
            latest = begin + room[1] if at_begin else min(begin + room[1], end - self.windows.inset())
            limits = (begin + room[0], latest)
        first = self.believed(min(begin + b.value, max(middle, begin - 1)), limits, floor)
        first = (first, self.moved(begin + b.low, begin + b.high, floor))
        self.planes = {"begin": first, "middle": first, "end": first}
        if not at_begin:
            self.planes["middle"] = (self.rows[self.at(middle, floor)], set())
            last = self.believed(end + e.value, self.room(self.windows.room(strobe.end), end), floor)
            self.planes["end"] = (last, self.moved(end + e.low, end + e.high, floor))
        self.planes["prev"] = self.previous.get(index)
        low, high = begin + self.windows.inset(), end - self.windows.inset()
        if low > middle or high < middle:
            low = high = middle
        start = min(self.at(low, floor), end_row)
        inside = [start] + [i for i in range(start + 1, end_row + 1) if self.times[i] < high]
        self.inside = [self.rows[i] for i in inside]
        self.changed = {n for i in inside[1:] for n in self.wired if self.rows[i][n] != self.rows[i - 1][n]}

    def look(self, place, line):
        if place == "any":
            seen = [self.asserted(row, line) for row in self.inside]
            return True if True in seen else None if None in seen else False
        plane = self.plane(place or "middle")
        if plane is None:
            return self.asserted(dict.fromkeys(self.wired), line)
        return self.asserted(plane[0], line)

    def plane(self, place):
        return self.planes[place] if place in self.planes else self.held.get(place)

    def rule(self, strobe):
        chosen, sure = None, False
        for number, rule in enumerate(self.profile.rules):
            if rule.strobe != strobe.name:
                continue
            value = holds(rule.when, self.look)
            if value is not False and rule.address_is is not None and rule.address != "none":
                value = self.address_fits(rule, value)
            if value is False:
                continue
            if chosen is None:
                chosen, sure = number, value is True
            elif rule.kind in ("write", "io-write", "dma-write"):
                chosen = number
            if value is True:
                break
        return chosen, sure

    def address_fits(self, rule, value):
        mask = rule.address_mask if rule.address_mask is not None else (1 << self.profile.address_bits) - 1
        bits = self.read(self.address_source(rule))
        doubt = False
        for bit in range(self.profile.address_bits):
            if not mask >> bit & 1:
                continue
            state = bits.get(bit, (0, ""))
            if state[0] is None:
                doubt = True
            elif state[0] != rule.address_is >> bit & 1:
                return False
        return None if doubt else value

    def address_source(self, rule):
        if rule.address == "none":
            return None
        return next(a for a in self.profile.addresses if rule.address in (None, a.name))

    def data_source(self, rule):
        if rule.data == "none" or (rule.data is None and rule.kind in ("refresh", "halt")):
            return None
        return next(d for d in self.profile.datas if rule.data in (None, d.name))

    def read(self, source, bus=None):
        """bit → (1, 0 or None, why it is None); with ``bus`` the levels of that row, whatever the point."""
        bits = {}
        for piece in source.pieces if source else ():
            for bit, line in zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True):
                entry = self.profile.lines[line]
                spot = next((n for n in (line, entry.fallback) if n in self.wired), None)
                turned = entry.active_low != piece.invert
                if spot is None:
                    level = entry.default_level
                    bits[bit] = (None, "missing") if level is None else (int(bool(level) != turned), "")
                    continue
                plane = (bus, set()) if bus is not None else self.plane(piece.latch or piece.at)
                row, moved = plane if plane is not None else (dict.fromkeys(self.wired), set())
                steady = piece.at in ("begin", "middle") if piece.steady is None else piece.steady
                steady = steady and piece.latch is None
                if bus is None and (spot in moved or (steady and spot in self.changed)):
                    bits[bit] = (None, "moved")
                elif row[spot] is None:
                    bits[bit] = (int(turned) if bus is not None else None, "lost")
                else:
                    bits[bit] = (int(bool(row[spot]) != turned), "")
        return bits

    def cycle(self, number, sure, bus):
        rule = self.profile.rules[number]
        flags = 0 if sure else UNKNOWN
        address, unknown = 0, 0
        for bit, (level, why) in self.read(self.address_source(rule)).items():
            flags |= {"moved": UNSETTLED, "lost": UNKNOWN, "missing": PARTIAL, "": 0}[why]
            unknown |= (level is None) << bit
            address |= (level or 0) << bit
        made = {"kind": KIND_NAMES.index(rule.kind), "rule": number, "address": address, "address_unknown": unknown}
        made |= {"data": 0, "data_unknown": 0, "kept": 0, "width": 0}
        source = self.data_source(rule)
        if source is not None:
            bits, kept = self.read(source), self.read(source, bus)
            lanes = {}
            for lane in rule.lanes:
                value = holds(lane.when, self.look)
                lanes[lane.lane] = lanes.get(lane.lane, False) or value is not False
                if value is None:
                    flags |= UNKNOWN
                    sure = False
            used = [n for n in range(4) if (lanes.get(n) if rule.lanes else any(b // 8 == n for b in bits))]
            data_unknown = 0xFFFFFFFF
            for bit, (level, why) in bits.items():
                if bit // 8 not in used:
                    continue
                flags |= {"moved": UNSETTLED, "lost": UNKNOWN, "missing": PARTIAL, "": 0}[why]
                if sure and level is not None:
                    made["data"] |= level << bit
                    data_unknown &= ~(1 << bit)
                made["kept"] |= (kept[bit][0] or 0) << bit
            made["data_unknown"] = data_unknown
            made["width"] = sum(1 << n for n in used)
        made["flags"] = flags
        return made
