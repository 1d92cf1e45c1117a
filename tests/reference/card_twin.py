"""The virtual card, plainly: dictionaries, loops and one object a machine.

The twin of ``busledger.captures_demo.world.card_kernel`` and ``chip_kernel``. It takes the same machine and fault
objects as ``play`` does, and the same drawn numbers (initial contents, spread, coins, activity).
"""

from __future__ import annotations

from busledger.captures_demo.world.buses import BUS_KINDS
from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.machine import Machine


def _bits(numbers):
    return sum(1 << n for n in numbers)


class Twin:
    def __init__(self, machine: Machine, faults: tuple[Fault, ...], memory, spread) -> None:
        self.machine = machine
        self.faults = faults
        self.lanes = (1 << machine.data_bits) - 1
        self.memory: dict[tuple[int, int], int] = {}
        self.spread: dict[tuple[int, int], float] = {}
        self.written: dict[tuple[int, int], int] = {}
        at = 0
        for index, region in enumerate(machine.regions):
            for offset in range(region.size):
                self.memory[index, offset] = int(memory[at])
                self.spread[index, offset] = float(spread[at])
                at += 1
        self.card_last = [self.lanes] * len(machine.cards)
        self.main_last = self.lanes
        self.last_read = 0
        self.now = 0
        self.on: list[Fault] = []

    # -- who is who ----------------------------------------------------------
    def acting(self, scope, **where):
        for fault in self.on:
            if fault.scope == scope and all(
                getattr(self, f"_{key}_of")(fault) == value for key, value in where.items()
            ):
                yield fault

    def _region_of(self, fault):
        if fault.chip:
            return self.machine.chip(fault.chip)[0]
        return self.machine.region(fault.region) if fault.region else None

    def _chip_of(self, fault):
        return fault.chip

    def _card_of(self, fault):
        if fault.card < 0 and self._region_of(fault) is not None:
            return self.machine.regions[self._region_of(fault)].card
        return fault.card

    def chips(self, region):
        """(designator, lanes) of a region; one nameless chip where the region has none."""
        chips = self.machine.regions[region].chips
        return [(chip.designator, _bits(chip.lanes)) for chip in chips] or [("", self.lanes)]

    # -- address and data on their way ------------------------------------------
    def bend(self, address, faults):
        for fault in faults:
            if fault.fault not in ("address-stuck", "address-bridged"):
                continue
            levels = [address >> line & 1 for line in fault.address_lines]
            joined = max(levels) if fault.level else min(levels)
            level = fault.level if fault.fault == "address-stuck" else joined
            for line in fault.address_lines:
                address = address | 1 << line if level else address & ~(1 << line)
        return address

    def through(self, value, faults, direction):
        floated = 0
        for fault in faults:
            acts = fault.acts
            if fault.fault == "direction-stuck":
                acts = "writes" if fault.level else "reads"
            if acts not in ("both", direction) or value & fault.when.data_mask != fault.when.data_value:
                continue
            mask = self.lanes if fault.fault == "direction-stuck" else _bits(fault.lanes)
            if fault.fault == "stuck-low":
                value, floated = value & ~mask, floated & ~mask
            elif fault.fault == "stuck-high":
                value, floated = value | mask, floated & ~mask
            elif fault.fault == "bridged":
                levels = [value >> lane & 1 for lane in fault.lanes]
                level = max(levels) if fault.level else min(levels)
                value = value | mask if level else value & ~mask
            elif fault.fault in ("floating", "direction-stuck"):
                floated |= mask
        return value, floated

    def rest(self, how, last):
        return {"keep": last, "up": self.lanes, "down": 0}[how]

    # -- chips --------------------------------------------------------------
    def has(self, name, region, chip):
        return any(f.fault == name for f in self.acting("region", region=region)) or any(
            f.fault == name for f in self.acting("chip", chip=chip)
        )

    def cells(self, chip, offset):
        first, second = offset, None
        for fault in self.acting("cell", chip=chip):
            if fault.fault == "address-cells" and fault.address == offset:
                if fault.level == 0:
                    first = None
                elif fault.level == 1:
                    first = fault.aggressor
                else:
                    second = fault.aggressor
        return [cell for cell in (first, second) if cell is not None]

    def write_chip(self, region, chip, mask, address, value):
        if self.has("write-lost", region, chip) or self.has("dead", region, chip):
            return
        size = self.machine.regions[region].size
        offset = self.bend(address, self.acting("chip", chip=chip)) & (size - 1)
        taken, open_lanes = self.through(value, self.acting("chip", chip=chip), "writes")
        taken |= open_lanes
        for cell in self.cells(chip, offset):
            self.write_cell(region, chip, mask, cell, taken)

    def write_cell(self, region, chip, mask, cell, value):
        was = self.memory[region, cell]
        new = (was & ~mask) | (value & mask)
        for fault in self.acting("cell", chip=chip):
            if fault.address != cell or fault.fault == "coupled":
                continue
            for lane in fault.lanes:
                before, after = was >> lane & 1, new >> lane & 1
                if fault.fault == "stuck-low":
                    after = 0
                elif fault.fault == "stuck-high":
                    after = 1
                elif fault.fault == "transition" and before != after and after == fault.level:
                    after = before
                elif fault.fault == "write-flips" and before == after and after == fault.level:
                    after = 1 - after
                new = new & ~(1 << lane) | after << lane
        self.memory[region, cell] = new
        self.written[region, cell] = self.now
        self.couple(region, cell, was)

    def couple(self, region, cell, was):
        for fault in self.acting("cell", region=region):
            if fault.fault != "coupled":
                continue
            before = was >> fault.aggressor_lane & 1
            state = self.memory[region, fault.aggressor] >> fault.aggressor_lane & 1
            if fault.trigger in ("while-high", "while-low"):
                fired = state == (fault.trigger == "while-high")
            elif cell != fault.aggressor:
                fired = False
            else:
                rose, fell = (before, state) == (0, 1), (before, state) == (1, 0)
                fired = {"rise": rose, "fall": fell, "any": rose or fell, "write": True}[fault.trigger]
            if fired:
                mask = _bits(fault.lanes)
                held = self.memory[region, fault.address]
                changed = {"invert": held ^ mask, "high": held | mask, "low": held & ~mask}[fault.effect]
                self.memory[region, fault.address] = changed

    def leak(self, region, chip, cell):
        faults = [*self.acting("chip", chip=chip), *self.acting("cell", chip=chip)]
        for fault in sorted(faults, key=self.on.index):
            if fault.fault != "leaky" or (fault.scope == "cell" and fault.address != cell):
                continue
            since = self.written.get((region, cell))
            if since is not None and self.now - since > round(fault.age_s * 1e9) * self.spread[region, cell]:
                mask = _bits(fault.lanes)
                held = self.memory[region, cell]
                self.memory[region, cell] = held | mask if fault.level else held & ~mask
            elif fault.acts == "refreshed-by-reads":
                self.written[region, cell] = self.now

    def read_cell(self, region, chip, mask, cell):
        value = self.memory[region, cell] & mask
        for fault in self.acting("cell", chip=chip):
            if fault.address != cell or fault.fault == "coupled":
                continue
            for lane in fault.lanes:
                level = value >> lane & 1
                if fault.fault == "stuck-low":
                    value &= ~(1 << lane)
                elif fault.fault == "stuck-high":
                    value |= 1 << lane
                elif fault.fault.startswith("read-") and level == fault.level:
                    if fault.fault != "read-wrong":
                        self.memory[region, cell] ^= 1 << lane
                    if fault.fault != "read-flips-late":
                        value ^= 1 << lane
        return value

    def read_chip(self, region, chip, mask, address, before):
        if self.has("dead", region, chip):
            return 0, mask
        size = self.machine.regions[region].size
        offset = self.bend(address, self.acting("chip", chip=chip)) & (size - 1)
        reached = self.cells(chip, offset)
        if not reached:
            return 0, mask
        self.leak(region, chip, reached[0])
        value = self.lanes
        for cell in reached:
            value &= self.read_cell(region, chip, mask, cell)
        value, floated = self.through(value, self.acting("chip", chip=chip), "reads")
        if self.has("slow", region, chip):
            value = before
        return value & mask, floated & mask

    # -- cards ---------------------------------------------------------------
    def select(self, card, address):
        seen = address
        for fault in self.on:
            if fault.fault == "input-open" and self._card_of(fault) == card:
                seen |= _bits(fault.address_lines)
        mine = [i for i, region in enumerate(self.machine.regions) if region.card == card]
        chosen = {i: self.machine.regions[i].start <= seen <= self.machine.regions[i].end for i in mine}
        addressed = any(chosen.values())
        for fault in self.acting("decoder", card=card):
            region = self._region_of(fault)
            other = self.machine.region(fault.other_region) if fault.other_region else None
            if fault.fault == "select-missing":
                chosen[region] = False
            elif fault.fault == "select-extra":
                chosen[region] = chosen[region] or chosen[other]
            elif fault.fault == "select-swapped":
                chosen[region], chosen[other] = chosen[other], chosen[region]
            elif fault.fault == "enable-stuck":
                addressed = True
        return chosen, addressed

    def join(self, levels, driven, value, lanes, coin):
        for lane in range(self.machine.data_bits):
            bit = 1 << lane
            if not lanes & bit:
                continue
            new = value & bit
            if driven & bit and (levels ^ value) & bit:
                new = coin & bit if self.machine.contention == "random" else 0
            levels = levels & ~bit | new
        return levels, driven | lanes

    def card_address(self, card, address):
        faults = [f for f in self.acting("board") if f.card in (card, -1)]
        return self.bend(address, faults)

    def write(self, value, address):
        inside_of = {}
        for card, made in enumerate(self.machine.cards):
            at = self.card_address(card, address)
            chosen, addressed = self.select(card, at)
            inside = value
            if made.buffer:
                inside, off = self.through(value, self.acting("buffer", card=card), "writes")
                if not addressed and not made.follows:
                    off = self.lanes
                inside = (inside & ~off) | (self.rest(made.floats, self.card_last[card]) & off)
            inside_of[card] = inside
            yield_selects = [i for i, on in chosen.items() if on]
            self.selected |= set(yield_selects)
            if any(f.fault == "write-lost" for f in self.acting("board")):
                continue
            for region in yield_selects:
                if self.machine.regions[region].kind == "rom":
                    continue
                seen = self.bend(at, self.acting("region", region=region))
                for chip, mask in self.chips(region):
                    self.write_chip(region, chip, mask, seen, inside)
        return inside_of

    def read(self, address, coin):
        levels = driven = 0
        inside_of = {}
        for card, made in enumerate(self.machine.cards):
            at = self.card_address(card, address)
            chosen, addressed = self.select(card, at)
            self.selected |= {i for i, on in chosen.items() if on}
            if not addressed:
                continue
            before = self.rest(made.floats, self.card_last[card])
            inside = on = 0
            for region in sorted(i for i, chosen_now in chosen.items() if chosen_now):
                seen = self.bend(at, self.acting("region", region=region))
                for chip, mask in self.chips(region):
                    value, floated = self.read_chip(region, chip, mask, seen, before)
                    inside, on = self.join(inside, on, value, mask & ~floated, coin)
            if made.buffer:
                inside = (inside & on) | (before & ~on)
                inside_of[card] = inside
                inside, off = self.through(inside, self.acting("buffer", card=card), "reads")
                on = self.lanes & ~off
            levels, driven = self.join(levels, driven, inside, on, coin)
        resting = self.rest(self.machine.floats, self.main_last)
        levels = (levels & driven) | (resting & ~driven)
        return self.through(levels, self.acting("bus"), "reads")[0], inside_of

    # -- one cycle -------------------------------------------------------------
    def cycle(self, op, address, literal, copy, time, active, coin, left_alone):
        """(data, kept, card lines, selected regions)."""
        self.now = time
        self.on = [fault for fault, acts in zip(self.faults, active, strict=True) if acts]
        self.selected: set[int] = set()
        if BUS_KINDS[self.machine.bus].multiplexed and op != 2:
            self.main_last = address & self.lanes
            for card, made in enumerate(self.machine.cards):
                if made.follows or not made.buffer:
                    self.card_last[card] = address & self.lanes
        kept = self.main_last
        if op == 1:
            data = (self.last_read + literal) & self.lanes if copy else literal
            data, _ = self.through(data, self.acting("bus"), "writes")
            inside_of = self.write(data, address)
        elif op == 0:
            data, inside_of = self.read(address, coin)
            self.last_read = data
        else:
            data, inside_of = self.rest(self.machine.floats, self.main_last), {}
            data, _ = self.through(data, self.acting("bus"), "reads")
        lines = []
        for card, made in enumerate(self.machine.cards):
            if card in inside_of:
                level = inside_of[card]
            elif not made.buffer:
                level = data
            elif made.follows:
                inside, off = self.through(data, self.acting("buffer", card=card), "writes")
                level = (inside & ~off) | (self.rest(made.floats, self.card_last[card]) & off)
            else:
                level = self.rest(made.floats, self.card_last[card])
            lines.append(level)
        self.card_last = lines
        self.main_last = self.rest(self.machine.floats, data) if left_alone else data
        return data, kept, lines, self.selected


def expect_twin(ops, addresses, data, compare, fixed):
    """[(expected, known)] a cycle: the twin of ``card_kernel.expect``."""
    held: dict[int, int] = {}
    out = []
    for op, address, value in zip(ops, addresses, data, strict=True):
        treat = compare[address]
        if treat == 1 and op == 1:
            held[address] = value
        if op == 0 and treat == 2:
            out.append((fixed[address], 1))
        elif op == 0 and treat == 1 and address in held:
            out.append((held[address], 1))
        else:
            out.append((0, 0))
    return out
