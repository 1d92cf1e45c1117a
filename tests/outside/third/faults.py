"""What can be wrong: faults as they happen in chips, sockets, decoders, drivers and on the card itself.

A fault says where it sits (``site``), what it does (``what``), on which part, and when (``mode``). What it does
to reads and writes is in :mod:`machine`; which faults look the same is found by trying, not stated here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.outside.third.accesses import Bools
from tests.outside.third.card import Card, Rng


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong.

    ``site``: ``chip``, ``region``, ``decoder``, ``address`` (driver or net), ``data`` (driver) or ``bus`` (the card's
    lanes). ``lane``/``lane2``: data lanes; ``bit``/``bit2``: address bits; ``level``: the level it sticks at, or
    0 = AND, 1 = OR; ``cell``, ``share``, ``tau_ns``: of cells. ``mode``: ``hard``, ``rate``, ``bursts``, ``warm``,
    with its ``rate`` and ``seed``.
    """

    site: str
    what: str
    part: str | None
    region: str | None = None
    lane: int = -1
    lane2: int = -1
    bit: int = -1
    bit2: int = -1
    level: int = 0
    cell: int = -1
    share: float = 0.0
    tau_ns: float = 0.0
    mode: str = "hard"
    rate: float = 1.0
    seed: int = 0

    def when(self, n: int) -> Bools:
        """The accesses in which it acts; the same for the same seed, whatever else is wrong."""
        if self.mode == "hard":
            return np.ones(n, bool)
        rng = np.random.default_rng([self.seed, 77])
        if self.mode == "rate":
            return rng.random(n) < self.rate
        if self.mode == "warm":  # from somewhere past the middle on, more and more
            ramp = np.clip((np.arange(n) / n - 0.4 - 0.2 * rng.random()) / 0.3, 0, 1)
            return rng.random(n) < ramp * self.rate
        gate = np.zeros(n, bool)  # bursts: a contact that opens for some tens to thousands of cycles
        at = 0
        while at < n:
            at += int(rng.exponential(n * 0.08)) + 1
            length = int(rng.exponential(max(20.0, n * 0.02 * self.rate))) + 5
            gate[at : at + length] = rng.random(len(gate[at : at + length])) < 0.9
            at += length
        return gate


CHIP = (
    "out-stuck", "out-stuck", "cell-stuck", "row-dead", "column-dead", "leak", "address-stuck", "address-short", "dead",
    "dead", "data-open", "write-open", "slow", "flaky", "address-contact",
)  # fmt: skip


def _mode(rng: Rng) -> dict[str, object]:
    kind = str(rng.choice(["hard", "hard", "rate", "rate", "bursts", "warm"]))
    rate = float(10 ** rng.uniform(-2.3, -0.3))
    if kind in ("bursts", "warm"):
        rate = float(rng.uniform(0.1, 1.0))
    return {"mode": kind, "rate": rate, "seed": int(rng.integers(1 << 30))}


def _chip_fault(rng: Rng, card: Card) -> Fault:
    region = card.banks[int(rng.integers(len(card.banks)))]
    chip = region.chips[int(rng.integers(len(region.chips)))]
    what = str(rng.choice(CHIP))
    bits = chip.memory.cells.bit_length() - 1
    two = rng.choice(bits, 2, replace=False)
    fault = Fault(
        "chip", what, chip.designator, region.name,
        lane=int(rng.choice(chip.lanes)), bit=int(two[0]), bit2=int(two[1]), level=int(rng.integers(2)),
        cell=int(rng.integers(chip.memory.cells)), **_mode(rng),  # type: ignore[arg-type]
    )  # fmt: skip
    if what == "leak":
        if not chip.memory.dynamic and rng.random() < 0.7:
            return _chip_fault(rng, card)
        share = float(10 ** rng.uniform(-2, 0))
        return replace(fault, share=share, tau_ns=float(10 ** rng.uniform(5.5, 7)), mode="hard")
    if what in ("cell-stuck", "row-dead", "column-dead"):
        return replace(fault, mode="hard" if rng.random() < 0.6 else fault.mode)
    if what == "address-contact":
        return replace(fault, what="address-stuck", mode="bursts", rate=float(rng.uniform(0.2, 1)))
    if what == "flaky":
        return replace(fault, mode="rate", rate=float(10 ** rng.uniform(-2, -0.5)))
    if what == "slow":
        return replace(fault, mode=str(rng.choice(["warm", "rate"])), rate=float(rng.uniform(0.05, 0.9)))
    return fault


def draw_fault(rng: Rng, card: Card) -> Fault:
    """One fault of one part of the card, chips the likeliest."""
    sites = ["chip"] * 10 + ["region"] * 2
    # a part that the board file leaves out cannot be named; what it serves would be blamed with reason
    drivers = card.described.get("drivers", True)
    # where only the selects say which bank is meant, a select that does not come looks like another region's traffic
    if card.decoder is not None and card.described.get("decoder", True) and "A15" in card.clipped:
        sites += ["decoder"] * 3
    if card.data_driver and drivers:  # lanes joined before the driver would spoil the program itself
        sites += ["data"] * 3 + ["bus"]
    if card.address_driver and drivers:
        sites += ["address"] * 3
    site = str(rng.choice(sites))
    if site == "chip":
        return _chip_fault(rng, card)
    mode = _mode(rng)
    level = int(rng.integers(2))
    seed = {"level": level, **mode}
    if site == "region":
        region = card.banks[int(rng.integers(len(card.banks)))]
        what = str(rng.choice(["write-open", "no-answer", "no-answer", "read-open"]))
        return Fault("region", what, None, region.name, **seed)  # type: ignore[arg-type]
    if site == "bus":
        low = int(rng.integers(7))
        return Fault("bus", "bridged", None, lane=low, lane2=low + 1, **seed)  # type: ignore[arg-type]
    if site == "address":
        two = rng.choice(card.address_bits, 2, replace=False)
        what = str(rng.choice(["stuck", "stuck", "short"]))
        return Fault("address", what, card.address_driver, bit=int(two[0]), bit2=int(two[1]), **seed)  # type: ignore[arg-type]
    if site == "data":
        what = str(rng.choice(["lane-stuck", "lane-stuck", "lane-open", "lane-open", "no-read", "no-write"]))
        return Fault("data", what, card.data_driver, lane=int(rng.integers(8)), **seed)  # type: ignore[arg-type]
    assert card.decoder is not None
    what = str(rng.choice(["output-dead", "output-dead", "merged", "input-stuck"]))
    two = rng.permutation(len(card.banks))
    region = card.banks[int(two[0])]
    other = card.banks[int(two[-1])]
    return Fault(
        "decoder", what, card.decoder.designator, region.name, lane=region.slot, lane2=other.slot,
        bit=int(rng.integers(len(card.decoder.code))), **seed,  # type: ignore[arg-type]
    )  # fmt: skip


def draw_faults(rng: Rng, card: Card, count: int) -> list[Fault]:
    """``count`` faults, no two in the same chip (a chip has one story), at most one of each path part."""
    faults: list[Fault] = []
    places: set[object] = set()
    for _ in range(count * 20):
        fault = draw_fault(rng, card)
        place = fault.part or (fault.site, fault.region)
        path = sum(f.site != "chip" for f in faults)
        if fault.site != "chip" and (path >= (2 if count < 5 else 1) or fault.site in {f.site for f in faults}):
            continue  # many chips are bad on an old card; the path seldom is in three places
        if place not in places:
            places.add(place)
            faults.append(fault)
        if len(faults) == count:
            break
    return faults
