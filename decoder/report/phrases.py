"""The sentences of a report, the same in every form it takes.

Strings come back as text that is safe for a terminal (``busledger.decoder.text.plain``);
HTML and markdown escape them once more.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from busledger.decoder.diagnosis import KINDS, saying
from busledger.decoder.findings import CheckResult, NextStep, RegionCounts, Suspect
from busledger.decoder.report.numbers import NO_BREAK, between, count, lane_ranges, percent, plural, seconds
from busledger.decoder.report.places import (
    LIKELY,
    BadPlace,
    bad_places,
    named_parts,
    off_card,
    open_places,
    places_of,
    several,
)
from busledger.decoder.text import plain

__all__ = [
    "NO_FAULT",
    "accusations",
    "accused",
    "capture_line",
    "gain_words",
    "how_often",
    "how_often_and_sure",
    "ninth_bit_faults",
    "place_line",
    "place_lines",
    "region_span",
    "safe",
    "verdict",
    "what_it_does",
    "where",
    "who",
    "why_lines",
]

NO_FAULT = "No fault seen"
_LEAST = 0.005  # what is less probable is not spoken of
_RIVAL = 0.05  # where several parts are bad only rivals from here on are
_MOST_NAMED = 4
_MAX_TEXT = 400


def safe(text: str) -> str:
    """Any text from a file or the engine, fit for one line of a terminal."""
    return plain(text, _MAX_TEXT)


def accused(result: CheckResult) -> tuple[Suspect, ...]:
    """The suspects that the verdict names: the first, those it is tied with, and the first of each further place."""
    places = places_of(result)
    if not places:
        return ()
    first, further = places[0].leader, {place.leader.rank for place in bad_places(result)}
    return tuple(s for s in result.suspects if s is first or s.rank in first.tied_with or s.rank in further)


def accusations(result: CheckResult, names: Collection[str]) -> list[str]:
    """What the whole capture says against these parts, a sentence each: for the pages of checks that look at the
    clipped lines alone and may see nothing of it."""
    found: dict[str, str] = {}
    for suspect in result.suspects:
        name = suspect.component
        if name is not None and name in names and name not in found and suspect.probability >= _RIVAL:
            found[name] = _full(suspect)
    return list(found.values())


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


def how_often_and_sure(suspect: Suspect) -> str:
    """``how_often`` with the interval of a rate that was counted."""
    often = how_often(suspect)
    if often and suspect.intermittent and suspect.rate_95 is not None:
        return f"{often} (95{NO_BREAK}% sure: {between(suspect.rate_95)})"
    return often


def verdict(result: CheckResult) -> str:
    """The answer, in one line."""
    if not result.judged:
        return f"Cannot judge: {safe(result.not_judged_because)}"
    places = places_of(result)
    if result.mismatch_total == 0:
        if places and places[0].bad >= LIKELY:
            return f"No read differs from a write that was seen, yet {_named(result, places)}"
        ninth = ninth_bit_faults(result)
        if ninth:
            return f"Every byte that could be compared was read right, yet {ninth[0]}"
        return _nothing_wrong(result)
    if not places:
        return (
            f"{plural(result.mismatch_total, 'mismatch', 'mismatches')} in {_failing(result)}; "
            "no fault on the list explains them, so no part is named"
        )
    return _named(result, places)


def ninth_bit_faults(result: CheckResult) -> list[str]:
    """What the parity check found wrong, a sentence each: no lane of the bus shows it."""
    return [safe(str(one["text"])) for one in result.checks.get("parity", ()) if one["weight"] == "fault"]


def _named(result: CheckResult, places: tuple[BadPlace, ...]) -> str:
    """The parts where several are bad; else the one place."""
    if several(result):
        undecided = open_places(result)
        parts = all(place.leader.component for place in bad_places(result))
        told = safe(saying.bad_parts_line(named_parts(result), what="part" if parts else "thing"))
        left = f"; {plural(len(undecided), 'place')} more not settled" if undecided else ""
        return told + left + "".join(f"; and {_claim(place.leader)}" for place in off_card(result))
    first = places[0]
    if first.tied:
        return _tied(first)
    line = place_line(first)
    if first.bad < LIKELY:
        line = f"Not settled; likeliest is {line}"
    if result.mismatch_total and not first.leader.explains and first.on_card:
        line += f"; it would give none of the {plural(result.mismatch_total, 'mismatch', 'mismatches')} seen"
    return line


def _tied(place: BadPlace) -> str:
    """Parts that this capture does not tell apart, and what they do: of each where it is not the same."""
    both = (place.leader, *place.tied)
    does = list(dict.fromkeys(map(what_it_does, both)))
    alike = len(does) == 1
    names = dict.fromkeys(f"{_short(s, '' if alike else what_it_does(s))} {percent(s.probability)}" for s in both)
    open_ = "" if sum(s.probability for s in both) >= LIKELY else "Not settled; likeliest is "
    said = f": {does[0]};" if alike else ":"
    return f"{open_}{_either(list(names))}{said} this capture cannot tell which"


def place_line(place: BadPlace, *, part_first: bool = False) -> str:
    """What is wrong at one place: part, lane, what it does, how often, how sure.

    Where the part is surely bad and only the way is open (or with ``part_first``), the part comes first: the chance at
    the end is always that of the words right before it.
    """
    lead = place.leader
    # In no way that is listed, nor one that is told all the same: the part's chance is all there is.
    if lead.fault == "unlisted" and not lead.detail.get("answers_for") and place.bad >= LIKELY:
        return _full(lead.model_copy(update={"probability": place.bad}))
    one = percent(lead.probability) == percent(place.bad) if part_first else lead.probability >= LIKELY
    if one or place.bad < LIKELY or not place.on_card:
        return _full(lead)
    likeliest = ", ".join(part for part in (what_it_does(lead), how_often(lead), percent(lead.probability)) if part)
    links = ": is" if where(lead) else " is"
    return f"{safe(saying.place(lead))}{links} bad, {percent(place.bad)}; likeliest: {likeliest}"


def _nothing_wrong(result: CheckResult) -> str:
    """All right, as far as it was compared: what was not is named in the same line."""
    compared = sum(region.reads_compared for region in result.regions)
    if compared == 0:
        if any(region.reads_ambiguous for region in result.regions):
            return "Nothing could be judged: with address lines not clipped, no read tells which cell it came from"
        return "Nothing could be judged: no read had a known value to be compared with"
    reads, missed = _reads(result), _not_compared(result)
    if missed:
        return f"{NO_FAULT} in {reads} of {_regions(result)}; not compared: {missed}"
    return f"{NO_FAULT}: {reads} compared in {_regions(result)}, all right"


def _reads(result: CheckResult) -> str:
    """How many reads were compared; of how many, where that was less than half of those in regions with any."""
    some = [region for region in result.regions if region.reads_compared]
    compared, seen = sum(r.reads_compared for r in some), sum(r.reads for r in some)
    return f"{count(compared)} of {plural(seen, 'read')}" if 2 * compared < seen else plural(compared, "read")


def _not_compared(result: CheckResult) -> str:
    """Regions and lanes of regions of which no read was compared; those of devices are not meant to be."""
    meant = [region for region in result.regions if region.kind != "io"]
    whole = [safe(region.name) for region in meant if not region.reads_compared]
    lanes = [
        f"{safe(lane_ranges(left))} of {safe(region.name)}"
        for region in meant
        if region.reads_compared and (left := [lane.lane for lane in region.lanes if not lane.compared])
    ]
    named = [*whole, *lanes]
    more = len(named) - _MOST_NAMED
    return saying.and_list([*named[:_MOST_NAMED], *([f"{more} more"] if more > 0 else [])])


def _short(suspect: Suspect, does: str = "") -> str:
    name = safe(suspect.component) if suspect.component is not None else who(suspect)
    place = ": ".join(part for part in (where(suspect), does) if part)
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
    places = places_of(result)
    if not places:
        if result.mismatch_total:
            yield f"{plural(compared, 'read')} compared, {percent(result.mismatch_total / compared)} of them wrong."
        return
    if several(result):
        yield from _why_several(result)
        return
    first = places[0]
    yield from _explains(result, first.leader)
    yield from evidence_lines(first.leader)[: 2 if first.ways or first.tied or result.intermittence else 3]
    yield from (f"Not told apart by this capture: {_full(s)}." for s in first.tied[:2])
    yield from _other_ways(first)
    yield from (f"And a second fault: {place_line(place)}." for place in places[1:4])
    rivals = [s for s in first.rivals if s not in first.tied and s.probability >= _LEAST][:2]
    if rivals:
        # One that is as likely as the leader alone stands behind it and what is not told apart from it together.
        behind = rivals[0].probability < first.leader.probability
        how = "Less likely" if behind else "Or, less likely than those together"
        yield (f"{how}: " + "; ".join(f"{_claim(s)}, {percent(s.probability)}" for s in rivals) + ".")
    # Where it is an even question whether any part is bad, what the one would give is not called unexplained by it.
    if result.unexplained and first.leader.explains + result.unexplained <= result.mismatch_total:
        left = plural(result.unexplained, "mismatch", "mismatches")
        yield f"{left} of {count(result.mismatch_total)} not explained by this."


def _other_ways(place: BadPlace) -> Iterator[str]:
    """The same part, bad in another way."""
    ways = list(dict.fromkeys(f"{_way(s, place.leader)}, {percent(s.probability)}" for s in place.ways[:3]
                              if s.probability >= _LEAST))  # fmt: skip
    if not ways:
        return
    told = ": this capture does not tell these apart" if place.ways[0].rank in place.leader.tied_with else ""
    same = "the same part" if place.leader.component is not None or place.leader.scope in ("chip", "cell") else "it"
    yield f"Or {same} {'; or '.join(ways[:2])}{told}."


def _way(suspect: Suspect, leader: Suspect) -> str:
    """What it does, told from the leader where only the cells differ."""
    does = what_it_does(suspect)
    if suspect.address is not None and suspect.address != leader.address:
        return f"{does} in cell {suspect.address:04X} alone"
    if suspect.address is None and leader.address is not None and suspect.scope == "chip":
        return f"{does} in any cell" if suspect.fault == leader.fault else does
    return does


_RIVALS_OF_OPEN = 3


def _why_several(result: CheckResult) -> Iterator[str]:
    """How much the bad parts explain together, and who else might be to blame for any of them."""
    total = plural(result.mismatch_total, "mismatch", "mismatches")
    if result.mismatch_total:
        given = result.mismatch_total - result.unexplained
        yield f"Together they would give {count(given)} of the {total} seen."
    for place in bad_places(result):
        rivals = [s for s in place.rivals if s.probability >= _RIVAL][:2]
        if rivals:
            said = "; or ".join(f"{_claim(s)}, {percent(s.probability)}" for s in rivals)
            yield f"Instead of {_short(place.leader)}: {said}."


def place_lines(result: CheckResult) -> list[str]:
    """A line for each place where several things are wrong; none where one is."""
    if not several(result):
        return []
    lines = [place_line(place, part_first=True) for place in bad_places(result)]
    return [*lines, *map(_open_line, open_places(result)), *map(place_line, off_card(result))]


def _open_line(place: BadPlace) -> str:
    """A place where this capture does not tell which part is bad."""
    shown = place.suspects[:_RIVALS_OF_OPEN]
    either = "; or ".join(f"{_claim(s)}, {percent(s.probability)}" for s in shown)
    return f"Not settled: {either}"


def evidence_lines(suspect: Suspect) -> list[str]:
    """The engine's evidence as sentences, without the count that ``_explains`` has given already."""
    lines = [safe(line).strip() for line in suspect.evidence]
    return [
        line[:1].upper() + line[1:].rstrip(".") + "." for line in lines if line and not line.startswith("explains ")
    ]


def _explains(result: CheckResult, suspect: Suspect) -> Iterator[str]:
    if not result.mismatch_total:
        disagree = sum(region.reads_disagree for region in result.regions)
        if disagree:  # else what speaks for it is no read: a select that never came, say
            yield f"{plural(disagree, 'read')} of cells that nobody was seen to write differed from the read before."
        return
    total = plural(result.mismatch_total, "mismatch", "mismatches")
    if suspect.explains > result.mismatch_total:  # reads that differ from one before, with nothing to hold them against
        disagree = sum(region.reads_disagree for region in result.regions)
        total = f"{plural(max(suspect.explains, result.mismatch_total + disagree), 'wrong or differing read')}"
    whole = suspect.explains == result.mismatch_total == 1
    line = f"It would give {'' if whole else f'{count(suspect.explains)} of '}the {total} seen"
    if suspect.contradicted:
        yield f"{line}; {plural(suspect.contradicted, 'read')} came right that it should have spoilt."
        return
    yield f"{line}." if suspect.intermittent else f"{line}, and no read speaks against it."


def gain_words(step: NextStep) -> str:
    """What a step would tell, plain words first; empty where that is not counted.

    ``much`` from half a bit (an even question answered more often than not), ``something`` from a tenth.
    """
    if step.gain_bits is None:
        return ""
    much = "much" if step.gain_bits >= 0.5 else "something" if step.gain_bits >= 0.1 else "little"
    return f"Expected to settle {much} ({step.gain_bits:.1f} bits)."


def capture_line(result: CheckResult) -> str:
    """What was read, in one line."""
    capture = result.capture
    if not capture.channels and "from_list" in result.coverage:
        listed = plural(capture.samples, "listed error")
        return (
            f"{listed}, weighed as {plural(result.cycles.total, 'access', 'accesses')} of {safe(result.profile)}, "
            f"from {safe(capture.path)}"
        )
    return (
        f"{plural(result.cycles.total, 'cycle')} of {safe(result.profile)} in {seconds(capture.duration_s)}, "
        f"{plural(capture.channels, 'channel')}, resolved to {seconds(capture.resolution_s)}, from {safe(capture.path)}"
    )


def region_span(region: RegionCounts) -> str:
    """``4000-43FF``, empty where the result holds no addresses."""
    if region.start is None or region.end is None:
        return ""
    return f"{region.start:04X}-{region.end:04X}"
