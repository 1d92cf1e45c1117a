"""A plan in sentences, shared by terminal and page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby

from busledger.decoder.planning import PlanClip, PlanPass, PlanResult
from busledger.decoder.report.numbers import NO_BREAK, count, lane_ranges, plural, seconds

__all__ = [
    "clip_place",
    "frequency",
    "headline",
    "other_places",
    "pass_title",
    "sampling_lines",
    "unproven_words",
    "why_words",
]

UNPROVEN = "†"  # behind a pin that boards usually have there


def headline(result: PlanResult) -> str:
    """The answer in one line."""
    about = f" about {result.question}" if result.question else ""
    if not result.passes:
        return f"Nothing to clip{about}: no line of this board tells its open faults apart"
    clipped = f"{plural(len(result.passes), 'pass', 'passes')} with {plural(result.channels, 'channel')}{about}"
    told = f"{count(result.apart)} of {plural(result.faults, 'open fault')} can be told apart ({result.bits:.1f} bits)"
    if result.sampling and all(need.verdict == "too slow" for need in result.sampling):
        least = min(need.least_hz for need in result.sampling)
        return (
            f"{clipped}, but {frequency(result.rate_hz)} is too slow to read this bus: with {frequency(least)} "
            f"or more {told}"
        )
    return f"{clipped}: {told}"


def sampling_lines(result: PlanResult) -> Iterator[str]:
    """What each speed grade asks of the sample rate, and how long the depth lasts."""
    for need in result.sampling:
        doubt = ", a doubtful figure" if need.doubtful else ""
        yield (
            f"{need.grade}: the narrowest window is {need.window_ns:g}{NO_BREAK}ns ({need.window}{doubt}); "
            f"{frequency(need.comfortable_hz)} is comfortable, {frequency(need.least_hz)} the least; "
            f"{frequency(result.rate_hz)} is {need.verdict}"
        )
    if not result.sampling:
        yield "The profile gives no window, so take four samples in the shortest strobe that you see."
    if result.depth is not None and result.depth_s is not None:
        yield (
            f"A depth of {plural(result.depth, 'sample')} lasts {seconds(result.depth_s)} at "
            f"{frequency(result.rate_hz)}; an analyser that stores changes only holds longer."
        )


def frequency(hertz: float) -> str:
    """Three significant figures in a handy unit: ``36.4 MHz``."""
    for size, unit in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")):
        if hertz >= size:
            return f"{hertz / size:.3g}{NO_BREAK}{unit}"
    return f"{hertz:.3g}{NO_BREAK}Hz"


def pass_title(one: PlanPass) -> str:
    """``Pass 2: D3-D7, then 1.5 bits``."""
    new = [clip.line for clip in one.clips if clip.why == "new"]
    return f"Pass {one.number}: {lane_ranges(new)} (with it {one.bits_after:.1f} bits)"


def why_words(clip: PlanClip) -> str:
    """What the channel is for."""
    return {"strobe": "in every pass", "new": "new", "shared": "again, to join"}[clip.why]


def clip_place(clip: PlanClip) -> str:
    """The best place: part, pin number and the pin's name; or where to look for it."""
    if not clip.points:
        return "processor or bus connector"
    best = clip.points[0]
    text = (
        f"{best.designator} ({best.part}) pin {best.pin}, {best.pin_name}{'' if best.sure else f'{NO_BREAK}{UNPROVEN}'}"
    )
    return f"{text}; {best.beware}" if best.beware else text


def unproven_words(clips: Iterable[PlanClip]) -> str:
    """What the sign behind a pin means, where one of these places has it; else nothing."""
    if any(clip.points and not clip.points[0].sure for clip in clips):
        return f"{UNPROVEN} usual on such boards; the board file does not say so: check with a meter"
    return ""


def other_places(clip: PlanClip) -> str:
    """Further pins that carry the line, as short as can be: ``U2 U3 pin 8, U9 pin 4``."""
    same = groupby(clip.points[1:], key=lambda point: point.pin)
    return ", ".join(f"{' '.join(p.designator for p in points)} pin{NO_BREAK}{pin}" for pin, points in same)
