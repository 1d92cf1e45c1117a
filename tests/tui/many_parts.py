"""Cards of 8, 40 and 72 chips with many bad ones, made from arrays: regions of eight one-bit chips."""

from __future__ import annotations

from pathlib import Path

from busledger.decoder.findings import CheckResult, Cleared, LaneCounts, NextStep, Part, RegionCounts, Suspect
from busledger.decoder.store import Store
from tests.tui.builders import FakeBoard, FakeChip, FakePart, FakeRegion, FakeSession, make_result, make_store

__all__ = ["many_session"]

LANES = 8
_FAULTS = ("stuck-low", "stuck-high", "write-lost", "dead", "floating")


def card(regions: int) -> FakeBoard:
    """``U1`` is the highest lane of the first region."""
    rows = tuple(
        FakeRegion(f"row{r}", tuple(FakeChip(f"U{r * LANES + k + 1}", (LANES - 1 - k,)) for k in range(LANES)))
        for r in range(regions)
    )
    last = regions * LANES
    return FakeBoard(
        "Milk tanker meter",
        rows,
        decoders=(FakePart(f"U{last + 1}"),),
        buffers=(FakePart(f"U{last + 2}", lanes=tuple(range(8))), FakePart(f"U{last + 3}", lines=("A0", "A1"))),
    )


def many_session(folder: Path, regions: int, bad: int) -> FakeSession:
    """Every so many chips one is bad; the last of the bad ones is only likely so."""
    folder.mkdir(exist_ok=True)
    names = tuple(f"row{r}" for r in range(regions))
    store = make_store(folder / "entry", 4096, names=names)
    board = card(regions)
    return FakeSession(store, many_result(store, board, bad), board)


def many_result(store: Store, board: FakeBoard, bad: int) -> CheckResult:
    chips = [(region.name, chip) for region in board.regions for chip in region.chips]
    guilty = [chips[round(k * (len(chips) - 1) / max(1, bad - 1))] for k in range(bad)]
    wrong = {(name, chip.lanes[0]): 40 + 10 * k for k, (name, chip) in enumerate(guilty)}
    suspects = []
    for k, (name, chip) in enumerate(guilty):
        fault = _FAULTS[k % len(_FAULTS)]
        chance = 0.999 if k < bad - 1 else 0.81
        suspects.append(_suspect(k + 1, k + 1, chip, name, fault, chance, store))
    suspects.append(_suspect(bad + 1, bad, guilty[-1][1], guilty[-1][0], "leaky", 0.1, store))
    accused = {chip.designator for _, chip in guilty}
    return make_result(store).model_copy(
        update={
            "board": board.name,
            "regions": tuple(_region(number, region.name, wrong) for number, region in enumerate(board.regions)),
            "mismatch_total": sum(wrong.values()),
            "suspects": tuple(suspects),
            "parts": tuple(
                Part(component=name, bad=0.999 if name in accused else 0.001, fault=None, share=None)
                for name in (chip.designator for _, chip in chips)
            ),
            "cleared": tuple(
                Cleared(component=chip.designator, lanes=(f"D{chip.lanes[0]}",), evidence="340 reads right")
                for _, chip in chips
                if chip.designator not in accused
            ),
            "next_steps": (NextStep(text=f"Swap {guilty[-1][1].designator} with a like one", gain_bits=0.8),),
        }
    )


def _suspect(
    rank: int, place: int, chip: FakeChip, region: str, fault: str, probability: float, store: Store
) -> Suspect:
    lane = f"D{chip.lanes[0]}"
    return Suspect.model_validate(
        {
            "rank": rank,
            "place": place,
            "fault": fault,
            "scope": "chip",
            "component": chip.designator,
            "region": region,
            "lanes": (lane,),
            "intermittent": False,
            "rate": 1.0,
            "rate_95": None,
            "probability": probability,
            "explains": 40,
            "contradicted": 0,
            "summary": f"{chip.designator} or its socket, {region}, {lane}: {fault}",
            "evidence": ("explains 40 wrong reads",),
            "first_cycles": tuple(int(r) for r in store.mismatch_rows[:3]),
        }
    )


def _region(number: int, name: str, wrong: dict[tuple[str, int], int]) -> RegionCounts:
    lanes = tuple(
        LaneCounts(lane=f"D{lane}", compared=340, low_for_high=wrong.get((name, lane), 0), high_for_low=0)
        for lane in range(LANES)
    )
    return RegionCounts(
        name=name,
        writes=340,
        reads=340,
        reads_compared=340,
        mismatches=sum(lane.low_for_high for lane in lanes),
        reads_unknown=0,
        reads_stale=0,
        reads_disagree=0,
        lanes=lanes,
        start=1024 * number,
        end=1024 * number + 1023,
    )
