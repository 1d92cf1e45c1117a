"""Draws faults for a card: every kind and scope of the contract's table, and chips that fail in part or strangely."""

from __future__ import annotations

import random
from collections.abc import Callable

from .board import Board, Buffer
from .faults import STRANGE, STRANGE_BUFFER, Fault

LANE_KINDS = ("stuck-low", "stuck-high", "floating")


class Chooser:
    """Draws one fault at a time. touched: bus addresses that the traffic reads back, by region."""

    def __init__(
        self, rng: random.Random, board: Board, touched: dict[int, list[int]], ages: dict[int, list[int]]
    ) -> None:
        self.rng = rng
        self.board = board
        self.touched = touched
        self.ages = ages
        self.live = [r for r, cells in touched.items() if cells]
        self.rams = [r for r in self.live if board.regions[r].kind == "ram"]

    def chip(self, index: int | None = None) -> Fault | None:
        """A bad chip, in any of the ways a chip goes bad."""
        chips = self.board.chips
        if index is None:
            index = self.rng.choice([i for i, c in enumerate(chips) if c.region in self.live])
        rom = self.board.regions[chips[index].region].kind == "rom"
        if chips[index].region not in self.live:
            return None
        pick = self.rng.random()
        if pick < 0.62:
            ways = [*LANE_KINDS, "address-stuck", "address-bridged", "bridged", "slow", "dead"]
            ways += [] if rom else ["write-lost", "write-lost", "dead", "leaky"]
            return self.whole(index, self.rng.choice(ways))
        if pick < 0.72 and not rom:
            return self.cell(index)
        if pick < 0.92:
            return self.partial(index)
        return self.strange(index)

    def base(self, index: int) -> Fault:
        """The start of a chip fault."""
        chip = self.board.chips[index]
        return Fault("", "chip", chip.designator, [chip.region], chip=index)

    def whole(self, index: int, kind: str) -> Fault | None:
        """One of the contract's chip faults, all over the chip."""
        rng, chip = self.rng, self.board.chips[index]
        region = self.board.regions[chip.region]
        fault = self.base(index).like(fault=kind, lanes=list(chip.lanes))
        if kind in LANE_KINDS:
            fault.lanes = [rng.choice(chip.lanes)]
            fault.level = int(kind == "stuck-high")
        elif kind == "bridged":
            if len(chip.lanes) < 2:
                return None
            fault.lanes = sorted(rng.sample(chip.lanes, 2))
            fault.op = rng.choice(["and", "and", "or"])
        elif kind in ("address-stuck", "address-bridged"):
            self._lines(fault, list(range(region.bits)))
        elif kind == "leaky":
            if chip.part == "4116" or not self.ages.get(chip.region):
                return None
            self._leak(fault)
        return fault

    def _leak(self, fault: Fault) -> None:
        ages = self.ages[fault.regions[0]]
        fault.age = max(2000, int(ages[int(len(ages) * self.rng.uniform(0.25, 0.9))]))
        fault.level = self.rng.randint(0, 1)

    def _lines(self, fault: Fault, lines: list[int]) -> None:
        fault.lanes = []
        if fault.fault == "address-bridged" and len(lines) > 1:
            at = self.rng.randrange(len(lines) - 1)
            fault.lines = lines[at : at + 2] if self.rng.random() < 0.5 else sorted(self.rng.sample(lines, 2))
            fault.op = self.rng.choice(["and", "and", "or"])
        else:
            fault.fault = "address-stuck"
            fault.lines = [self.rng.choice(lines)]
            fault.level = self.rng.randint(0, 1)

    def cell(self, index: int) -> Fault | None:
        """One bad cell."""
        rng, chip = self.rng, self.board.chips[index]
        cells = self.touched[chip.region]
        fault = self.base(index).like(scope="cell", address=rng.choice(cells), lanes=[rng.choice(chip.lanes)])
        fault.fault = rng.choice(["stuck-low", "stuck-high", "coupled", "leaky"])
        fault.level = int(fault.fault == "stuck-high")
        if fault.fault == "leaky":
            if chip.part == "4116" or not self.ages.get(chip.region):
                return None
            self._leak(fault)
        elif fault.fault == "coupled":
            lane = rng.choice(chip.lanes)
            rivals = [a for a in cells if a != fault.address]
            if not rivals:
                return None
            near = [a for a in rivals if bin(a ^ (fault.address or 0)).count("1") == 1]
            fault.aggressor = (rng.choice(near if near and rng.random() < 0.5 else rivals), lane)
            fault.variant = rng.choice(["any", "rise", "fall", "change"])
            fault.level = rng.randint(0, 1)
            if fault.variant == "change":
                fault.spread = "invert"
        return fault

    def partial(self, index: int) -> Fault | None:
        """Part of the array: a half, a row, a column, a block, a scatter of cells."""
        rng, chip = self.rng, self.board.chips[index]
        region = self.board.regions[chip.region]
        ways = ["stuck-low", "stuck-high", "floating", "write-lost", "dead"]
        if region.kind == "rom":
            ways = ways[:3]
        fault = self.whole(index, rng.choice(ways))
        if fault is None:
            return None
        bits = region.bits
        fault.spread = rng.choice(["half", "half", "row", "column", "block", "scatter"])
        sample = rng.choice(self.touched[chip.region]) - region.start
        if fault.spread == "scatter":
            fault.scatter = (rng.randint(1, 9999), rng.choice([20, 50, 120, 300]))
        else:
            low = bits // 2
            mask = {
                "half": 1 << rng.randrange(bits),
                "row": (1 << low) - 1,
                "column": ((1 << bits) - 1) & ~((1 << low) - 1),
                "block": ((1 << bits) - 1) & ~((1 << rng.randint(3, max(3, bits - 2))) - 1),
            }[fault.spread]
            fault.condition = (mask, sample & mask)
        fault.accept = ["unlisted"]
        return fault

    def strange(self, index: int) -> Fault | None:
        """Bad in a way that no row of the contract's table describes."""
        rng, chip = self.rng, self.board.chips[index]
        fault = self.base(index).like(fault="unlisted", lanes=list(chip.lanes))
        fault.variant = rng.choice(list(STRANGE))
        if self.board.regions[chip.region].kind == "rom" and fault.variant == "writes-twice":
            return None
        bits = self.board.regions[chip.region].bits
        fault.lines = [rng.randrange(bits)] if fault.variant in ("writes-twice", "ands-neighbour") else []
        if fault.variant in ("inverts", "latched"):
            mask = sum(1 << b for b in rng.sample(range(bits), 2))
            fault.condition = (mask, rng.choice(self.touched[chip.region]) & mask)
        fault.scatter = (rng.randint(1, 9999), 0)
        return fault

    def row(self) -> Fault | None:
        """A whole region."""
        rng = self.rng
        index = rng.choice(self.live)
        region = self.board.regions[index]
        ways = ["address-stuck", "address-bridged", "slow", "no-answer"]
        ways += ["write-lost"] if region.kind == "ram" else []
        fault = Fault(rng.choice(ways), "region", None, [index])
        if fault.fault.startswith("address"):
            self._lines(fault, list(range(region.bits)))
        return fault

    def board_wide(self) -> Fault | None:
        """An address line, or the write strobe, of the whole card."""
        rng = self.rng
        every = list(range(len(self.board.regions)))
        if rng.random() < 0.2:
            return Fault("write-lost", "board", None, every)
        least = min(self.board.regions[r].bits for r in every)
        fault = Fault(rng.choice(["address-stuck", "address-stuck", "address-bridged"]), "board", None, every)
        self._lines(fault, list(range(least)))
        for buffer in self.board.address_buffers():
            if set(fault.lines) <= set(buffer.lines):
                fault.component = buffer.designator
        return fault

    def select(self) -> Fault | None:
        """A decoder's fault."""
        rng = self.rng
        if not self.board.decoders:
            return None
        kind = rng.choice(["select-missing", "select-extra", "select-swapped"])
        fault = Fault(kind, "decoder", self.board.decoders[0].designator, [rng.choice(self.live)])
        if kind != "select-missing":
            rest = [r for r in self.live if r not in fault.regions]
            if not rest:
                return None
            fault.other = rng.choice(rest)
            fault.regions = [*fault.regions, fault.other]
        return fault

    def buffer(self) -> Fault | None:
        """A data buffer's fault."""
        rng = self.rng
        buffers = [b for b in self.board.data_buffers() if set(b.serves) & set(self.live)]
        if not buffers:
            return None
        buffer: Buffer = rng.choice(buffers)
        kinds = [*LANE_KINDS, "bridged", "direction-stuck"]
        kind = rng.choice(kinds) if rng.random() < 0.9 else "unlisted"
        fault = Fault(kind, "buffer", buffer.designator, list(buffer.serves), [rng.choice(buffer.lanes)])
        fault.level = int(kind == "stuck-high")
        if kind in ("stuck-low", "stuck-high", "bridged"):
            fault.path = rng.choices(["read", "both", "write"], weights=[6, 3, 0 if kind == "bridged" else 1])[0]
        if kind == "bridged":
            fault.lanes = sorted(rng.sample(buffer.lanes, 2))
            fault.op = rng.choice(["and", "and", "or"])
        elif kind == "unlisted":
            fault.variant = rng.choice(list(STRANGE_BUFFER))
        elif kind == "direction-stuck":
            fault.lanes = list(buffer.lanes)
            groups = {tuple(b.serves) for b in self.board.data_buffers()}
            weights = [5, 4, 1 if len(groups) == 1 else 0]
            fault.variant = rng.choices(["to-card", "to-cpu-old", "to-cpu-float"], weights=weights)[0]
        return fault

    def bus(self) -> Fault | None:
        """A data line of the bus."""
        rng = self.rng
        kind = rng.choice(["stuck-low", "stuck-high", "bridged"])
        every = list(range(len(self.board.regions)))
        fault = Fault(kind, "bus", None, every, [rng.randrange(8)], level=int(kind == "stuck-high"))
        fault.variant = rng.choice(["edge", "edge", "backplane"])
        if kind == "bridged":
            low = rng.randrange(7)
            fault.lanes = [low, low + 1] if rng.random() < 0.7 else sorted(rng.sample(range(8), 2))
            fault.op = rng.choice(["and", "and", "or"])
        return fault

    def any(self) -> Fault:
        """Any fault that this card can have."""
        ways: list[tuple[Callable[[], Fault | None], float]] = [
            (self.chip, 9), (self.row, 2.5), (self.board_wide, 2), (self.select, 2), (self.buffer, 3), (self.bus, 1.5),
        ]  # fmt: skip
        while True:
            way = self.rng.choices([w for w, _ in ways], weights=[x for _, x in ways])[0]
            fault = way()
            if fault is not None:
                return fault

    def now_and_then(self, fault: Fault) -> Fault:
        """The same fault, coming and going."""
        fault.mode = self.rng.choice(["steady", "steady", "bursts", "warming"])
        top = 0.4 if fault.scope == "cell" else 0.25
        fault.rate = self.rng.choice([top, 0.1, 0.03, 0.01]) * self.rng.uniform(0.4, 1.0)
        if fault.scope == "bus" or fault.scope == "cell":
            fault.rate = max(fault.rate, 0.02)
        return fault
