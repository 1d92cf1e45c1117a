"""The sentences of a report, the same in every form it takes.

Strings come back as text that is safe for a terminal (``busledger.decoder.text.plain``);
HTML and markdown escape them once more.
"""

from __future__ import annotations

from collections.abc import Iterator

from busledger.decoder.diagnosis import KINDS, saying
from busledger.decoder.findings import CheckResult, RegionCounts, Suspect
from busledger.decoder.report.numbers import count, percent, plural, seconds
from busledger.decoder.text import plain

__all__ = [
    "NO_FAULT",
    "accused",
    "also_failing",
    "capture_line",
    "how_often",
    "region_span",
    "safe",
    "verdict",
    "what_it_does",
    "where",
    "who",
    "why_lines",
]

NO_FAULT = "No fault seen"
_LIKELY = 0.5
_MAX_TEXT = 400


def safe(text: str) -> str:
    """Any text from a file or the engine, fit for one line of a terminal."""
    return plain(text, _MAX_TEXT)


def accused(result: CheckResult) -> tuple[Suspect, ...]:
    """The suspects that the verdict names: the first, those it is tied with, and further likely faults."""
    if not result.suspects:
        return ()
    first = result.suspects[0]
    return tuple(
        s
        for s in result.suspects
        if s is first or s.rank in first.tied_with or (first.probability >= _LIKELY and s.probability >= _LIKELY)
    )


def also_failing(result: CheckResult) -> tuple[Suspect, ...]:
    """Further faults beside the first: likely on their own, not rivals of it."""
    if not result.suspects:
        return ()
    first = result.suspects[0]
    return tuple(s for s in accused(result) if s is not first and s.rank not in first.tied_with)


def who(suspect: Suspect) -> str:
    """The part, or the words for it where the board file names none."""
    return safe(saying.who(suspect))


def where(suspect: Suspect) -> str:
    """Region, lanes and cell, as far as ``who`` has not said them already."""
    return safe(saying.where(suspect))


def what_it_does(suspect: Suspect) -> str:
    """The fault in words, without its part."""
    return safe(saying.what(suspect))


def how_often(suspect: Suspect) -> str:
    """``1 in 380``, or ``every time`` for a hard fault; empty where that is not known, or no fault of the card."""
    return saying.how_often(suspect)


def verdict(result: CheckResult) -> str:
    """The answer, in one line."""
    if not result.judged:
        return f"Cannot judge: {safe(result.not_judged_because)}"
    compared = sum(region.reads_compared for region in result.regions)
    if result.mismatch_total == 0:
        if result.suspects and result.suspects[0].probability >= _LIKELY:
            return f"No read differs from a write that was seen, yet {_full(result.suspects[0])}"
        if compared == 0:
            return "Nothing could be judged: no read had a known value to be compared with"
        return f"{NO_FAULT}: {plural(compared, 'read')} compared in {_regions(result)}, all right"
    if not result.suspects:
        return (
            f"{plural(result.mismatch_total, 'mismatch', 'mismatches')} in {_failing(result)}; "
            "no fault on the list explains them, so no part is named"
        )
    first = result.suspects[0]
    rivals = _other_parts(result)
    if rivals:
        names = list(dict.fromkeys(f"{_short(s)} {percent(s.probability)}" for s in (first, *rivals)))
        return f"{_either(names)}: this capture cannot tell which"
    line = _full(first)
    return line if first.probability >= _LIKELY else f"Not settled; likeliest is {line}"


def _tied(result: CheckResult) -> list[Suspect]:
    """Those with the same effect on every read as the first."""
    first = result.suspects[0]
    return [s for s in result.suspects if s.rank in first.tied_with and s is not first]


def _other_parts(result: CheckResult) -> list[Suspect]:
    """Tied suspects that would have another part changed, or the same named in another place."""
    first = result.suspects[0]
    return [s for s in _tied(result) if who(s) != who(first)]


def _short(suspect: Suspect) -> str:
    name = safe(suspect.component) if suspect.component is not None else who(suspect)
    place = where(suspect)
    return f"{name} ({place})" if place else name


def _either(names: list[str]) -> str:
    if len(names) > 4:
        names = [*names[:3], f"{len(names) - 3} more"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _full(suspect: Suspect) -> str:
    """The sentence with how often and how sure; of a rival that is not on the card also what to do about it."""
    said = [_claim(suspect), how_often(suspect), percent(suspect.probability)]
    line = ", ".join(part for part in said if part)
    return line if KINDS[suspect.fault].on_card else f"{line}: {safe(saying.remedy(suspect))}"


def _claim(suspect: Suspect) -> str:
    """Place and fault, without how often."""
    return safe(saying.claim(suspect))


def _regions(result: CheckResult) -> str:
    return plural(sum(r.reads_compared > 0 for r in result.regions), "region")


def _failing(result: CheckResult) -> str:
    names = [safe(r.name) for r in result.regions if r.mismatches]
    return ", ".join(names) if len(names) <= 3 else plural(len(names), "region")


def why_lines(result: CheckResult) -> Iterator[str]:
    """What speaks for the verdict, what rivals it has, what it leaves unexplained."""
    compared = sum(region.reads_compared for region in result.regions)
    if not result.judged:
        if compared:
            yield (
                f"{plural(compared, 'read')} compared, {count(result.mismatch_total)} of them wrong: taken as seen, "
                "but not believed."
            )
        return
    if not result.suspects:
        if result.mismatch_total:
            yield f"{plural(compared, 'read')} compared, {percent(result.mismatch_total / compared)} of them wrong."
        return
    first, named = result.suspects[0], accused(result)
    tied, others = _tied(result), _other_parts(result)
    yield _explains(result, first)
    yield from evidence_lines(first)[: 2 if tied or result.intermittence else 3]
    yield from (f"Not told apart by this capture: {_full(s)}." for s in others[:2])
    same = [f"{what_it_does(s)}, {percent(s.probability)}" for s in tied if s not in others]
    if same:
        yield f"Or the same part {'; or '.join(same[:2])}: this capture does not tell these apart."
    yield from dict.fromkeys(f"And a second fault: {_full(s)}." for s in also_failing(result)[:3])
    rivals = [s for s in result.suspects if s not in named and s.probability >= 0.005][:2]
    if rivals:
        yield ("Less likely: " + "; ".join(f"{_claim(s)}, {percent(s.probability)}" for s in rivals) + ".")
    if result.unexplained:
        left = plural(result.unexplained, "mismatch", "mismatches")
        yield f"{left} of {count(result.mismatch_total)} not explained by this."


def evidence_lines(suspect: Suspect) -> list[str]:
    """The engine's evidence as sentences, without the count that ``_explains`` has given already."""
    lines = [safe(line).strip() for line in suspect.evidence]
    return [
        line[:1].upper() + line[1:].rstrip(".") + "." for line in lines if line and not line.startswith("explains ")
    ]


def _explains(result: CheckResult, suspect: Suspect) -> str:
    if not result.mismatch_total:
        disagree = sum(region.reads_disagree for region in result.regions)
        return f"{plural(disagree, 'read')} of cells that nobody was seen to write differed from the read before."
    total = plural(result.mismatch_total, "mismatch", "mismatches")
    line = f"It would give {count(suspect.explains)} of the {total} seen"
    if suspect.contradicted:
        return f"{line}; {plural(suspect.contradicted, 'read')} came right that it should have spoilt."
    return f"{line}." if suspect.intermittent else f"{line}, and no read speaks against it."


def capture_line(result: CheckResult) -> str:
    """What was read, in one line."""
    capture = result.capture
    return (
        f"{plural(result.cycles.total, 'cycle')} of {safe(result.profile)} in {seconds(capture.duration_s)}, "
        f"{plural(capture.channels, 'channel')}, resolved to {seconds(capture.resolution_s)}, from {safe(capture.path)}"
    )


def region_span(region: RegionCounts) -> str:
    """``4000-43FF``, empty where the result holds no addresses."""
    if region.start is None or region.end is None:
        return ""
    return f"{region.start:04X}-{region.end:04X}"
