"""The truth beside a capture: what each fault does by itself, what mending it changes, and what reads just like it."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import numpy.typing as npt

from .bench import FLAG, Bench, Run
from .cpus import NAMES, WRITE
from .faults import Fault, describe, name

U8 = npt.NDArray[np.uint8]


def rivals(bench: Bench, fault: Fault, wrong: FLAG, run: Run, mended: Run, many: bool) -> list[Fault]:
    """Other faults that might read alike: every kind on the path of what this one hurts, by what mending it changes."""
    board = bench.board
    hit = sorted(set(bench.base[wrong].tolist()))
    if not hit:
        return []
    lanes = [n for n in range(8) if np.any((run.seen ^ mended.seen)[wrong] >> n & 1)]
    cells = set(bench.cycles.address[wrong].tolist())
    one = len(hit) == 1
    every = list(range(len(board.regions)))
    base = Fault("", "chip", mode=fault.mode, rate=fault.rate)
    out: list[Fault] = []

    def lane_faults(start: Fault) -> None:
        if len(lanes) == 1:
            out.extend(start.like(fault=f"stuck-{w}", lanes=lanes, level=v) for w, v in (("low", 0), ("high", 1)))
        if start.scope in ("chip", "buffer"):
            out.append(start.like(fault="floating", lanes=lanes))
        if len(lanes) == 2 or fault.fault == "bridged":
            pair = fault.lanes if fault.fault == "bridged" else lanes
            out.extend(start.like(fault="bridged", lanes=pair, op=op) for op in ("and", "or"))

    def lines(start: Fault, most: list[int]) -> None:
        if not fault.fault.startswith("address"):
            return
        same = start.like(fault=fault.fault, lines=fault.lines, level=fault.level, op=fault.op)
        out.append(same)
        if many:
            return
        for line in fault.lines:
            out.extend(start.like(fault="address-stuck", lines=[line], level=v) for v in (0, 1))
            for other in most:
                if other != line:
                    pair = sorted([line, other])
                    out.extend(start.like(fault="address-bridged", lines=pair, op=op) for op in ("and", "or"))

    for index, chip in enumerate(board.chips):
        if not one or chip.region != hit[0] or not set(lanes) <= set(chip.lanes):
            continue
        start = base.like(component=chip.designator, regions=hit, chip=index)
        lane_faults(start)
        out += [start.like(fault=w, lanes=list(chip.lanes)) for w in ("dead", "write-lost", "slow", "floating")]
        lines(start, list(range(board.regions[hit[0]].bits)))
        if len(cells) == 1 and len(lanes) == 1:
            cell = start.like(scope="cell", address=min(cells), lanes=lanes)
            out += [cell.like(fault=f"stuck-{w}", level=v) for w, v in (("low", 0), ("high", 1))]
    if one:
        start = base.like(scope="region", regions=hit)
        out += [start.like(fault=w) for w in ("write-lost", "slow", "no-answer")]
        lines(start, list(range(board.regions[hit[0]].bits)))
    if board.decoders:
        start = base.like(scope="decoder", component=board.decoders[0].designator)
        if one:
            out.append(start.like(fault="select-missing", regions=hit))
            others = [r for r in every if r != hit[0]]
            out += [start.like(fault="select-extra", regions=[r, hit[0]], other=hit[0]) for r in others]
        if len(hit) <= 2:
            pairs = [(hit[0], r) for r in every if r != hit[0]] if one else [(hit[0], hit[1])]
            out += [start.like(fault="select-swapped", regions=list(p), other=p[1]) for p in pairs]
    start = base.like(scope="board", regions=every)
    out.append(start.like(fault="write-lost"))
    for buffer in board.address_buffers():
        if fault.lines and set(fault.lines) <= set(buffer.lines):
            start.component = buffer.designator
    lines(start, list(range(min(r.bits for r in board.regions))))
    for b in board.data_buffers():
        if set(hit) <= set(b.serves) and set(lanes) <= set(b.lanes):
            start = base.like(scope="buffer", component=b.designator, regions=list(b.serves))
            lane_faults(start)
            both = start.like(fault="direction-stuck", lanes=list(b.lanes))
            out += [both.like(variant=v) for v in ("to-card", "to-cpu-old")]
    lane_faults(base.like(scope="bus", regions=every))
    out = [r for r in out if r.fault != "floating" or r.scope != "bus"]
    if many:
        out = [r for r in out if r.component != fault.component or r.component is None]
    return out


class Judge:
    """Runs the machine with and without each fault."""

    def __init__(self, bench: Bench, faults: list[Fault], active: U8, clipped: list[int], hidden: FLAG) -> None:
        self.bench = bench
        self.faults = faults
        self.active = active
        self.clipped = sum(1 << r for r in clipped)
        self.full = bench.run(faults, active)
        self.wrong = bench.wrong(self.full)
        self.provable = bench.compared & ~hidden

    def without(self, out: set[int]) -> Run:
        """The run with some faults mended."""
        return self.bench.run(self.faults, self.active, [i not in out for i in range(len(self.faults))])

    def shows(self, out: set[int]) -> tuple[int, int]:
        """Compared reads that change if these are mended; and of those, the ones that were wrong."""
        run = self.without(out)
        changed = self.provable & (run.seen != self.full.seen)
        return int(changed.sum()), int((changed & self.wrong).sum())

    def same(self, run: Run, other: Run) -> bool:
        """Whether two runs look alike on every compared read, and on the clipped selects."""
        if np.any((run.seen != other.seen) & self.bench.compared):
            return False
        return not self.clipped or not np.any((run.selected ^ other.selected) & self.clipped)

    def alike(self, index: int) -> list[Fault]:
        """Faults that may stand in the place of one without any compared read changing."""
        mended = self.without({index})
        differs = self.bench.compared & (mended.seen != self.full.seen) & self.wrong
        many = len(self.faults) > 2
        found: list[Fault] = []
        if self.faults[index].fault == "unlisted" or self.faults[index].scatter or self.faults[index].condition:
            many = many or len(self.faults) > 1
        marks: set[str] = {str(name(self.faults[index], self.bench.board))}
        for rival in rivals(self.bench, self.faults[index], differs, self.full, mended, many):
            mark = str(name(rival, self.bench.board))
            if mark in marks:
                continue
            swapped = [rival if i == index else f for i, f in enumerate(self.faults)]
            if self.same(self.bench.run(swapped, self.active), self.full):
                found.append(rival)
                marks.add(mark)
        return found

    def fault_rows(self) -> list[dict[str, Any]]:
        """The truth file's list of faults."""
        rows = []
        board = self.bench.board
        for index, fault in enumerate(self.faults):
            alone = self.bench.run(self.faults, self.active, [i == index for i in range(len(self.faults))])
            changed, shows = self.shows({index})
            row = describe(fault, board)
            hurt = int((self.bench.wrong(alone) & self.provable).sum())
            row["mismatches_alone"] = hurt
            row["reads_changed_if_mended"] = changed
            row["shows"] = shows
            row["manifested"] = shows > 0
            twins = self.alike(index) if shows else []
            row["distinguishable"] = [name(f, board) for f in [fault, *twins]]
            rows.append(row)
        return rows

    def part_rows(self, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """One row for each bad part, all its faults mended at once."""
        groups: dict[str, set[int]] = {}
        for index, fault in enumerate(self.faults):
            groups.setdefault(fault.component or f"fault {index}", set()).add(index)
        out = []
        for members in groups.values():
            changed, shows = self.shows(members)
            first = rows[min(members)]
            for index in members:
                rows[index]["part_shows"] = shows
            out.append({"component": first["component"], "scope": first["scope"], "faults": sorted(members),
                        "reads_changed_if_mended": changed, "shows": shows})  # fmt: skip
        return out

    def totals(self) -> dict[str, Any]:
        """Cycles by kind, and the mismatches by region and lane."""
        bench = self.bench
        kinds = Counter(NAMES[k] for k in bench.cycles.kind.tolist())
        if bench.board.bus == "z80":
            kinds["refresh"] = kinds["opcode-fetch"]
        differ = np.where(self.wrong, self.full.seen ^ bench.expected, 0)
        regions = []
        for index, region in enumerate(bench.board.regions):
            mine = bench.base == index
            lanes = {
                f"D{n}": {
                    "low_for_high": int(np.sum(mine & (differ >> n & 1 == 1) & (bench.expected >> n & 1 == 1))),
                    "high_for_low": int(np.sum(mine & (differ >> n & 1 == 1) & (bench.expected >> n & 1 == 0))),
                }
                for n in range(8)
            }
            read = mine & (bench.cycles.kind != WRITE)
            regions.append({
                "name": region.name, "writes": int(np.sum(mine & (bench.cycles.kind == WRITE))),
                "reads": int(read.sum()), "reads_compared": int((mine & bench.compared).sum()),
                "mismatches": int((mine & self.wrong).sum()), "lanes": lanes,
            })  # fmt: skip
        total = int(self.wrong.sum())
        least = int((self.wrong & self.provable).sum())
        return {
            "cycles": {
                "total": sum(v for k, v in kinds.items() if k not in ("idle", "refresh")),
                "by_kind": dict(kinds),
            },
            "regions": regions, "reads_compared": int(bench.compared.sum()), "mismatch_total": total,
            "mismatch_range": [least, total], "mismatch_exact": least == total,
        }  # fmt: skip
