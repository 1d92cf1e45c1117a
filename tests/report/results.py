"""Results built by hand, for tests of what is printed about them."""

from __future__ import annotations

from typing import Any

from busledger.decoder.findings import (
    CaptureFinding,
    CheckResult,
    Cleared,
    CycleCounts,
    LaneCounts,
    NextStep,
    RegionCounts,
    Suspect,
    WarningFinding,
)

HOSTILE = ("[red]D0", "<script>alert(1)</script>", "esc\x1b[2Jape", "\u202egnp")


def region(name: str, wrong: dict[int, int] | None = None, *, lanes: int = 8, compared: int = 9000) -> RegionCounts:
    """One region in which ``wrong`` lanes read low for high that often."""
    wrong = wrong or {}
    return RegionCounts(
        name=name,
        writes=compared,
        reads=compared + 100 if compared else 0,
        reads_compared=compared,
        mismatches=max(wrong.values(), default=0),
        reads_unknown=100 if compared else 0,
        reads_stale=0,
        reads_disagree=0,
        lanes=tuple(
            LaneCounts(lane=f"D{k}", compared=compared, low_for_high=wrong.get(k, 0), high_for_low=0)
            for k in range(lanes)
        ),
        start=0x4000,
        end=0x43FF,
    )


def suspect(**changes: Any) -> Suspect:
    """U14 of bank3 with a lane that now and then reads low."""
    given: dict[str, Any] = {
        "rank": 1,
        "fault": "stuck-low",
        "scope": "chip",
        "component": "U14",
        "region": "bank3",
        "lanes": ("D4",),
        "intermittent": True,
        "rate": 24 / 9120,
        "rate_95": (0.0017, 0.0039),
        "probability": 0.93,
        "explains": 24,
        "contradicted": 0,
        "summary": "U14 (2114, bank3) reads D4 low where it was written high",
        "evidence": ("All 24 wrong reads are low where high was written, on D4 alone.",),
    }
    return Suspect(**{**given, **changes})


def result(**changes: Any) -> CheckResult:
    """A card of four banks with one intermittent lane in the last."""
    given: dict[str, Any] = {
        "capture": CaptureFinding(
            path="run.vcd.xz",
            duration_s=0.52,
            channels=28,
            samples=123456,
            resolution_s=1 / 24e6,
            warnings=(WarningFinding(code="dropout", time_s=0.31, text="no clock for 12 ms"),),
        ),
        "profile": "z80",
        "board": "Tide-gauge memory card",
        "cycles": CycleCounts(total=60000, by_kind={"read": 42000, "write": 18000}),
        "regions": (region("bank0"), region("bank1"), region("bank2"), region("bank3", {4: 24})),
        "mismatch_total": 24,
        "suspects": (suspect(),),
        "cleared": tuple(
            Cleared(component=name, lanes=("D0", "D1", "D2", "D3"), evidence="right 18 210 times", rate_below=1 / 6000)
            for name in ("U1", "U2", "U3", "U10")
        ),
        "next_steps": (
            NextStep(text="Reseat U14 and clean its pins and its socket, then run retest."),
            NextStep(text="Swap U14 with U12 and see whether the fault follows the chip.", gain_bits=0.8),
        ),
    }
    return CheckResult(**{**given, **changes})


INTERMITTENCE: dict[str, Any] = {
    "windows": [{"start_s": 0.05 * k, "end_s": 0.05 * k + 0.05, "accesses": 900, "failures": k} for k in range(8)],
    "basis": "Judged by 7200 reads that could have shown it, 28 of them wrong.",
    "sentences": [
        "First at 0.05 s, last at 0.51 s.",
        "It fails more often later in the capture (chance alone: under 1 in 1000).",
        "It fails more often with A3 high (chance alone: under 1 in 100).",
    ],
    "suggestions": ["Failures that grow with time often come from heat.", "A row of the chip may be bad."],
}


def busy() -> CheckResult:
    """Everything that a report can hold, for a single fault on a card with eight banks."""
    return result(
        regions=tuple(region(f"bank{k}", {4: 24} if k == 3 else None) for k in range(8)),
        suspects=(
            suspect(evidence=("one", "two", "three", "four")),
            suspect(rank=2, scope="buffer", component="U10", region=None, probability=0.05),
        ),
        cleared=tuple(Cleared(component=f"U{k}", evidence="right", rate_below=1 / 6000) for k in range(20, 50)),
        intermittence=INTERMITTENCE,
        coverage={"not_exercised": [f"bank{k}: A9 not tested for aliasing." for k in range(5)]},
        next_steps=tuple(NextStep(text=f"Step {k} of what there is to do about it.") for k in range(6)),
        unexplained=2,
    )


def healthy(**changes: Any) -> CheckResult:
    """The same card without a fault."""
    banks = tuple(region(f"bank{k}") for k in range(4))
    return result(**{"regions": banks, "mismatch_total": 0, "suspects": (), **changes})


def hostile() -> CheckResult:
    """Names that try to be markup, HTML, terminal commands and reversed text, wherever a name can stand."""
    markup, html, escape, reverse = HOSTILE
    return result(
        profile=markup,
        board=html,
        regions=(region(escape, {4: 24}), region(html)),
        suspects=(
            suspect(component=html, region=escape, summary=markup, evidence=(escape, html, reverse)),
            suspect(rank=2, component=markup, region=reverse, probability=0.05),
        ),
        cleared=(Cleared(component=escape, lanes=(markup,), evidence=html),),
        next_steps=(NextStep(text=f"Clip {markup} {html} {escape} {reverse}.", clip=(html,)),),
        capture=CaptureFinding(
            path=f"{html}{escape}.vcd",
            duration_s=1,
            channels=3,
            samples=4,
            resolution_s=1e-9,
            warnings=(WarningFinding(code="unmatched", text=f"channels {markup}, {html}, {escape}, {reverse}"),),
        ),
    )
