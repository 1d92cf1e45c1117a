"""Suspects in words: one sentence that names the part, and why. Names stay raw; they are escaped where shown."""

from __future__ import annotations

from busledger.decoder.diagnosis.faults.candidate import Candidate, bits_of
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.scoring import Scored, spoken_of

__all__ = ["evidence_lines", "lanes_text", "place", "summary"]


def lanes_text(mask: int) -> str:
    """Lanes for people: ``D4``, ``D0, D3``, ``D0-D7``."""
    bits = bits_of(mask)
    if len(bits) > 2 and bits == list(range(bits[0], bits[-1] + 1)):
        return f"D{bits[0]}-D{bits[-1]}"
    return ", ".join(f"D{b}" for b in bits)


def place(study: Study, c: Candidate) -> str:
    """Where it is: "U14 or its socket, bank3, D4"."""
    region = None if c.region is None else study.card.regions[c.region].name
    lanes = lanes_text(c.lanes)
    if c.scope in ("chip", "cell"):
        part = f"{c.component} or its socket" if c.component else "a memory chip or its socket"
        if c.cell is not None:
            digits = (study.cells.address_bits + 3) // 4
            return f"{part}, {region}, {lanes} at {study.cells.address_of(c.cell):0{digits}X}"
        return f"{part}, {region}, {lanes}"
    if c.scope == "buffer":
        return f"{c.component} or its socket, data buffer, {lanes}"
    if c.scope == "bus":
        return f"the bus itself, {lanes}"
    if c.scope == "decoder":
        part = f"{c.component} or its socket" if c.component else "the select logic"
        return f"{part}, select of {region}"
    if c.scope == "board":
        return f"{c.component} or its socket" if c.component else "the card's address or write lines"
    return f"the wiring of {region}"


def _does(study: Study, c: Candidate) -> str:
    lines = " and ".join(f"A{b}" for b in c.lines)
    other = None if c.other is None else study.card.regions[c.other].name
    if c.fault == "stuck-low":
        return "reads low where high was written"
    if c.fault == "stuck-high":
        return "reads high where low was written"
    if c.fault == "floating":
        return "is not driven in reads"
    if c.fault == "bridged":
        return "are shorted to each other"
    if c.fault == "write-lost":
        return "does not take writes: the old value stays"
    if c.fault == "dead":
        return "answers neither reads nor writes"
    if c.fault == "address-stuck":
        return f"does not follow {lines}: two addresses share a cell"
    if c.fault == "address-bridged":
        return f"sees {lines} shorted: addresses share cells"
    if c.fault == "select-missing":
        return "does not come: writes are lost, reads float"
    if c.fault == "select-extra":
        return f"also comes for the addresses of {other}"
    if c.fault == "select-swapped":
        return f"is exchanged with that of {other}"
    if c.fault == "direction-stuck":
        return "does not turn round"
    if c.fault == "coupled":
        return "changes when another cell is written"
    if c.fault == "slow":
        return "answers too late: reads take the level that was there before"
    return "loses its value with time"


def summary(study: Study, scored: Scored) -> str:
    """One sentence for people."""
    c = scored.candidate
    tally = scored.effect.tally
    text = f"{place(study, c)}: {_does(study, c)}"
    if not scored.hard and tally.hits:
        text += f", 1 in {max(1, round((tally.hits + tally.misses) / tally.hits))}"
    return text


def evidence_lines(study: Study, scored: Scored, rival: Scored | None) -> tuple[str, ...]:
    """Why: what it explains, what speaks against it, what the checks saw, and why not the next best.

    ``rival``: the most probable candidate whose effect is another; None = there is none.
    """
    tally = scored.effect.tally
    reads = "wrong read" if tally.explained == 1 else "wrong reads"
    lines = [f"explains {_count(tally.explained)} {reads}"]
    if scored.variant.label:
        lines[0] += f" ({scored.variant.label})"
    if tally.misses:
        lines.append(f"{_count(tally.misses)} reads came back right where it could have shown")
    checks = study.evidence.checks
    if checks is not None:
        lines += [
            checks.sentences[key] for key in spoken_of(study.evidence, scored.candidate) if key in checks.sentences
        ]
    if rival is not None:
        against = _against(study, scored, rival)
        if against:
            lines.append(against)
    return tuple(lines)


def _against(study: Study, scored: Scored, rival: Scored) -> str:
    """What the next best would have had to show."""
    name = f"{place(study, rival.candidate)} ({rival.candidate.fault})"
    unexplained = scored.covers - rival.covers
    if unexplained > 0:
        return f"next best, {name}: leaves {_count(unexplained)} of them unexplained"
    more = rival.effect.tally.misses + rival.effect.tally.other - scored.effect.tally.misses - scored.effect.tally.other
    if more > 0:
        return f"next best, {name}: would have hurt {_count(more)} more reads that came back right"
    return ""


def _count(number: int) -> str:
    return f"{number:,}".replace(",", "\u202f")
