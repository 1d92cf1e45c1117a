"""Part by part: what became of those that an earlier result names, and which are named for the first time.

What a clean run proves of a part is reckoned as in ``retest``, over the reads of that part's own place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from pydantic import ValidationError

from busledger.decoder.diagnosis import KINDS, clean_run_chance, clean_run_needed, saying
from busledger.decoder.errors import UsageError
from busledger.decoder.figures import NO_BREAK, count, lane_ranges, percent
from busledger.decoder.findings import CheckResult, PartSince
from busledger.decoder.planning.retest_run import Failing, Run, SavedSuspect, failing_as, run_of
from busledger.decoder.text import plain

__all__ = ["chance_of_clean_run", "headline", "parts_since", "saved_run", "since", "since_lines"]

_NAMED = 0.5  # from even chances on a part is named, as in the first line of an answer
_PROOFS: tuple[tuple[Literal[95, 99], float], ...] = ((99, 0.01), (95, 0.05))


def saved_run(before: Mapping[str, Any]) -> Run:
    """A saved result as a Run.

    Raises
    ------
    UsageError
        it is no result of ``check``.
    """
    try:
        return run_of(before)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(map(str, first["loc"])) or "the whole"
        raise UsageError(
            f"this is no result of a check: {key}: {first['msg']}",
            expected='the JSON that `busledger check --json` printed, schema "busledger.check/1"',
            hint="Save it before the repair: busledger check CAPTURE --board FILE --json > before.json",
        ) from error


def since(before: Mapping[str, Any], after: CheckResult) -> CheckResult:
    """``after`` with what became of the parts that ``before``, the JSON object of an earlier ``check``, names.

    Raises
    ------
    UsageError
        ``before`` is no result of ``check``.
    """
    new = run_of(after.model_dump(by_alias=True, mode="json"))
    return after.model_copy(update={"since": parts_since(saved_run(before), new)})


def parts_since(old: Run, new: Run) -> tuple[PartSince, ...]:
    """Every part that either run names: those of the earlier one first, in the order of their designators."""
    named, now = _named(old), _named(new)
    order = sorted(named, key=saying.number_in), sorted(set(now) - set(named), key=saying.number_in)
    return (
        *(_then(name, named[name], old, new, now) for name in order[0]),
        *(_first_seen(name, old, new) for name in order[1]),
    )


def chance_of_clean_run(independent: float, eligible: int, clean: int, old: Run, new: Run) -> float:
    """The chance of so clean a run had nothing changed; for bursts the larger of that by accesses and by time."""
    by_access = clean_run_chance(independent, eligible, clean)
    if not old.bursty or old.capture.duration_s <= 0:
        return by_access
    by_time = (old.capture.duration_s / (old.capture.duration_s + new.capture.duration_s)) ** independent
    return float(max(by_access, by_time))


def headline(parts: Sequence[PartSince]) -> str:
    """What became of several parts, in one sentence; empty where fewer than two were named before."""
    groups: dict[str, list[str]] = {}
    for part in parts:
        key = f"proved-{part.proved}" if part.proved else part.state
        groups.setdefault(key, []).append(plain(part.name))
    if sum(part.state != "new" for part in parts) < 2:
        return ""
    words = {
        "still-there": "still there: {}",
        "in-doubt": "not settled: {}",
        "new": "new: {}",
        "not-tried": "not tried by this run: {}",
        "gone": "gone, but not proved: {}",
        "proved-95": "gone, proved at 95 %: {}",
        "proved-99": "gone, proved at 99 %: {}",
    }
    told = "; ".join(line.format(saying.and_list(groups[key])) for key, line in words.items() if key in groups)
    return f"{told[:1].upper()}{told[1:]}."


def since_lines(parts: Sequence[PartSince]) -> list[str]:
    """For people: all of it in a sentence where several parts were named before, then those of which there is more to
    say than that they are gone and proved."""
    together = headline(parts)
    told = [part.text for part in parts if not together or not part.proved]
    return [together, *told] if together else told


def _named(run: Run) -> dict[str, SavedSuspect | None]:
    """What a run names, with its likeliest fault; what has no part's name goes by region and lanes."""
    found: dict[str, SavedSuspect | None] = {part.component: None for part in run.parts if part.bad >= _NAMED}
    for suspect in sorted(run.suspects, key=lambda s: s.probability):
        if not _on_card(suspect):
            continue
        name = _name(suspect)
        if suspect.probability >= _NAMED or name in found:
            found[name] = suspect
    return found


def _on_card(suspect: SavedSuspect) -> bool:
    return suspect.fault not in KINDS or KINDS[suspect.fault].on_card


def _name(suspect: SavedSuspect) -> str:
    if suspect.component is not None:
        return suspect.component
    lines = lane_ranges(suspect.lanes) or lane_ranges(suspect.address_lines)
    return ", ".join(word for word in (suspect.region or "the card", lines) if word)


def _bad(run: Run, name: str) -> float | None:
    """The chance that a part is bad; None where the run does not say."""
    marginals = [part.bad for part in run.parts if part.component == name]
    shares = [suspect.probability for suspect in run.suspects if _name(suspect) == name]
    return max(*marginals, min(1.0, sum(shares)), 0.0) if marginals or shares else None


def _then(name: str, suspect: SavedSuspect | None, old: Run, new: Run, now: Mapping[str, Any]) -> PartSince:
    """What became of a part that the earlier result names."""
    said = plain(name)
    given: dict[str, Any] = {
        "component": name if suspect is None or suspect.component is not None else None,
        "name": name,
        "before": _bad(old, name),
        "now": _bad(new, name),
    }
    failing = failing_as(suspect) if suspect is not None else None
    if failing is not None:
        given["failures"], given["eligible"] = failing.count(new)
    if name in now:
        return PartSince(**given, state="still-there", text=_about(name, "is still there", given["now"], now[name]))
    if failing is None or suspect is None:
        text = f"{said} is not named any more; the earlier result does not say which reads would tell."
        return PartSince(**given, state="in-doubt", text=text)
    if not given["eligible"]:
        return PartSince(**given, state="not-tried", text=f"{said}: this run did not exercise what was failing.")
    if given["failures"]:
        others = saying.and_list([plain(other) for other in sorted(now, key=saying.number_in)])
        whose = f"now put down to {others}" if others else "and no part is named for it"
        found = f"{count(given['failures'])} of {count(given['eligible'])} {failing.counted} are still wrong"
        text = f"{said} is not settled: {found}, {whose}.".replace(NO_BREAK, " ")
        return PartSince(**given, state="in-doubt", text=text)
    return _gone(said, given, failing, suspect, old, new)


def _gone(said: str, given: dict[str, Any], failing: Failing, suspect: SavedSuspect, old: Run, new: Run) -> PartSince:
    failures, of = failing.count(old)
    if suspect.explains is not None:  # other parts may fail at the same place
        failures = min(failures, max(1, suspect.explains))
    independent = max(1.0, failures / (old.spread if old.bursty else 1.0))
    of = max(of, failures, 1)
    chance = chance_of_clean_run(independent, of, given["eligible"], old, new)
    proved = next((level for level, alpha in _PROOFS if chance <= alpha), None)
    more = max(0, clean_run_needed(independent, of, 0.05) - given["eligible"])
    clean = f"{count(given['eligible'])} {failing.counted}, none wrong"
    if proved:
        text = f"{said} is gone, proved at {proved} %: {clean}."
    elif more:
        text = f"{said} is gone, but not proved: {clean}; {count(more)} more such reads would prove it at 95 %."
    else:
        text = f"{said} is gone, but not proved: {clean}; it came in bursts, so the run must last longer."
    text = text.replace(NO_BREAK, " ")
    return PartSince(**given, state="gone", chance=chance, proved=proved, more_eligible=more, text=text)


def _first_seen(name: str, old: Run, new: Run) -> PartSince:
    """A part that this run is the first to name."""
    suspect = _named(new)[name]
    failures, eligible = failing_as(suspect).count(new) if suspect is not None else (0, 0)
    return PartSince(
        component=name if suspect is None or suspect.component is not None else None,
        name=name,
        state="new",
        before=_bad(old, name),
        now=_bad(new, name),
        failures=failures,
        eligible=eligible,
        text=_about(name, "is new", _bad(new, name), suspect),
    )


def _about(name: str, state: str, bad: float | None, suspect: SavedSuspect | None) -> str:
    sure = f", {percent(bad)} sure" if bad is not None else ""
    summary = plain(suspect.summary).rstrip(".") if suspect is not None else ""
    text = f"{plain(name)} {state}{sure}" + (f": {summary}." if summary else ".")
    return text.replace(NO_BREAK, " ")
