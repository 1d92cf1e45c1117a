"""What the answer must be: which faults showed, in how many reads, and whom nothing in this capture parts from them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tests.outside.third.accesses import Accesses
from tests.outside.third.card import Card
from tests.outside.third.faults import Fault
from tests.outside.third.machine import Seen, play


@dataclass
class Expected:
    """One fault: the parts that may stand for it, whether a nameless net may, and the reads that it alone spoiled."""

    fault: Fault
    shown: int
    parts: list[str] = field(default_factory=list)
    nets: list[str] = field(default_factory=list)
    regions: list[str] = field(default_factory=list)

    def plain(self) -> dict[str, Any]:
        f = self.fault
        what = {
            "site": f.site, "what": f.what, "part": f.part, "region": f.region, "lane": f.lane, "lane2": f.lane2,
            "bit": f.bit, "bit2": f.bit2, "level": f.level, "cell": f.cell, "share": f.share, "tau_ns": f.tau_ns,
            "mode": f.mode, "rate": f.rate, "seed": f.seed,
        }  # fmt: skip
        return {"fault": what, "shown": self.shown, "parts": self.parts, "nets": self.nets, "regions": self.regions}


def from_plain(plain: dict[str, Any]) -> Expected:
    """What :meth:`Expected.plain` wrote."""
    return Expected(Fault(**plain["fault"]), plain["shown"], plain["parts"], plain["nets"], plain["regions"])


def alternatives(card: Card, f: Fault) -> list[Fault]:
    """Other faults of one part that could look the same; whether they do is tried, not believed."""
    base = {"mode": f.mode, "rate": f.rate, "seed": f.seed, "level": f.level}
    out: list[Fault] = []

    def add(site: str, what: str, part: str | None, region: str | None = None, **more: int) -> None:
        made: dict[str, Any] = {**base, **more}
        out.append(Fault(site, what, part, region, **made))

    lane_kinds = {"out-stuck": "stuck", "lane-stuck": "stuck", "data-open": "open", "lane-open": "open"}
    if f.what in lane_kinds:
        for r in card.banks:
            for c in r.chips:
                if f.lane in c.lanes:
                    add("chip", "out-stuck", c.designator, r.name, lane=f.lane)
                    add("chip", "data-open", c.designator, r.name, lane=f.lane)
                    if len(c.lanes) == 1:
                        add("chip", "dead", c.designator, r.name)
        if card.data_driver:
            add("data", "lane-stuck", card.data_driver, lane=f.lane)
            add("data", "lane-open", card.data_driver, lane=f.lane)
    if f.what in ("dead", "no-answer", "output-dead", "no-read", "slow", "write-open", "no-write"):
        for r in card.banks:
            for c in r.chips if len(r.chips) == 1 or r.name == f.region else []:
                add("chip", "dead", c.designator, r.name)
                add("chip", "write-open", c.designator, r.name)
            add("region", "no-answer", None, r.name)
            add("region", "read-open", None, r.name)
            add("region", "write-open", None, r.name)
            if card.decoder is not None:
                add("decoder", "output-dead", card.decoder.designator, r.name, lane=r.slot)
        if card.data_driver:
            add("data", "no-read", card.data_driver)
            add("data", "no-write", card.data_driver)
    if f.site in ("chip", "address") and f.what in ("address-stuck", "address-short", "stuck", "short"):
        kind = "stuck" if "stuck" in f.what else "short"
        for r in card.banks:
            for c in r.chips:
                add("chip", f"address-{kind}", c.designator, r.name, bit=f.bit, bit2=f.bit2)
        if card.address_driver and f.bit in card.address_bits:
            add("address", kind, card.address_driver, bit=f.bit, bit2=f.bit2)
    if f.what == "dead" and f.part:  # a one-bit chip that does not answer
        chip = next(c for r in card.banks for c in r.chips if c.designator == f.part)
        if len(chip.lanes) == 1 and card.data_driver:
            add("data", "lane-open", card.data_driver, lane=chip.lanes[0])
            add("data", "lane-stuck", card.data_driver, lane=chip.lanes[0])
    return [a for a in out if replace(a, seed=0) != replace(f, seed=0)]


def unlike(card: Card, a: Seen, b: Seen) -> int:
    """In how many accesses the clipped lines differ between two runs of the same program."""
    differ = a.data != b.data
    if card.far_clipped:
        differ |= a.far != b.far
    for r in card.banks:
        if r.select in card.clipped:
            differ |= a.selects[r.name] != b.selects[r.name]
    if "CARD" in card.clipped:
        differ |= a.enabled != b.enabled
    return int(differ.sum())


def exposure(card: Card, acc: Accesses, seen: Seen) -> dict[str, float]:
    """Each bank's share of the compared reads."""
    reads = {r.name: int((seen.known & (acc.address >= r.start) & (acc.address <= r.end)).sum()) for r in card.banks}
    total = max(1, sum(reads.values()))
    return {name: n / total for name, n in reads.items()}


def expect(
    card: Card, acc: Accesses, rom: dict[int, int], faults: list[Fault], seen: Seen, period: float
) -> list[Expected]:
    """What each of ``faults`` did in the run ``seen`` that held them all, and its equals."""
    shares = exposure(card, acc, seen)
    described = set(described_parts(card))
    out = []
    for k, f in enumerate(faults):
        rest = faults[:k] + faults[k + 1 :]
        without = play(card, acc, rom, rest, period)
        own = seen.wrong & ~without.wrong
        shown = int((own != 0).sum())
        if f.site == "decoder" and not any(c.endswith("15") for c in card.clipped):
            shown = min(shown, 3)  # the selects stand for the address: which bank was meant is not to be seen
        e = Expected(f, shown, [f.part] if f.part in described else [])
        if f.part not in described:
            e.nets.append("bus" if f.site in ("data", "bus") else "board")
        if f.site == "region":
            e.nets.append("region")
            e.regions.append(f.region or "")
        if shown:
            _equals(card, acc, rom, rest, f, seen, period, e, described)
            _by_chance(card, acc, f, own, shares, e, described)
        out.append(e)
    return out


def _equals(
    card: Card, acc: Accesses, rom: dict[int, int], rest: list[Fault], f: Fault, seen: Seen, period: float,
    e: Expected, described: set[str],
) -> None:  # fmt: skip
    for other in alternatives(card, f):
        if other.part is not None and (other.part in e.parts or any(r.part == other.part for r in rest)):
            continue
        if unlike(card, seen, play(card, acc, rom, [*rest, other], period)) > 2:
            continue
        if other.part in described:
            assert other.part is not None
            e.parts.append(other.part)
        else:
            e.nets.append(other.site)
        if other.region:
            e.regions.append(other.region)
    bank = next((r for r in card.banks if r.name == f.region), None)
    if bank is not None and len(bank.chips) == 1:
        if f.site == "region" and bank.chips[0].designator in described:
            e.parts.append(bank.chips[0].designator)  # the row is that chip, whatever else is wrong with it
        e.nets.append("region")
        e.regions.append(bank.name)
    if f.what in ("no-answer", "read-open") and bank is not None and bank.select not in card.clipped:
        e.nets.append("decoder")  # whether the select comes is not to be seen
        e.parts += [p for p in (card.decoder.designator if card.decoder else None,) if p in described]
        e.regions.append(bank.name)
    if f.what == "output-dead" and bank is not None and bank.select not in card.clipped:
        # an open select behind the decoder: what the card's own lanes keep then is nobody's to know
        e.nets.append("region")
        e.regions.append(bank.name)
    if f.site in ("data", "bus", "address") or card.data_driver in e.parts or card.address_driver in e.parts:
        e.nets += ["bus", "board"]
    if f.mode == "hard" and f.what in ("input-stuck", "merged", "write-open", "no-write") and f.site != "chip":
        e.nets.append("machine")  # a line not decoded, a strap on the write line: the same net
        e.regions.clear()
    if f.site == "bus" and card.data_driver in described:
        e.parts.append(str(card.data_driver))


def _by_chance(
    card: Card, acc: Accesses, f: Fault, own: np.ndarray, shares: dict[str, float], e: Expected, described: set[str]
) -> None:
    """A fault of the path that by chance, or by the traffic, showed in one bank only; and the other way round."""
    hit = own != 0
    n = int(hit.sum())
    for r in card.banks:
        inside = hit & (acc.address >= r.start) & (acc.address <= r.end)
        if int(inside.sum()) < n or shares[r.name] ** min(n, 30) < 0.03:
            continue
        lanes = int(np.bitwise_or.reduce(own[hit]))
        if f.site == "chip" and lanes & (lanes - 1) == 0:
            e.nets.append("bus")
            e.parts += [p for p in (card.data_driver,) if p in described]
        if f.site in ("data", "bus"):
            e.parts += [c.designator for c in r.chips if not lanes & ~c.mask]
        if f.site == "address" and len(r.chips) == 1:
            e.parts.append(r.chips[0].designator)
    e.parts = list(dict.fromkeys(e.parts))


def described_parts(card: Card) -> list[str]:
    """The parts that the board file names."""
    out = [c.designator for r in card.regions if r.name not in card.described.get("left_out", ()) for c in r.chips]
    if card.decoder is not None and card.described.get("decoder", True):
        out.append(card.decoder.designator)
    if card.described.get("drivers", True):
        out += [p for p in (card.data_driver, card.address_driver) if p]
    return out
