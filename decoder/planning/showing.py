"""What a pass shows, in sentences."""

from __future__ import annotations

from collections.abc import Iterable

from busledger.decoder.board import Board
from busledger.decoder.bus import Profile
from busledger.decoder.planning.sight import Bench, Sight

__all__ = ["cannot_show", "shows", "trigger"]


def shows(bench: Bench, alone: Sight, before: Sight, joined: Sight, number: int) -> tuple[str, ...]:
    """What the pass adds: by itself, and joined with those before it."""
    names = [region.name for region in bench.board.regions]
    told = []
    if lanes := _lanes(bench, alone.lanes & ~before.lanes):
        told.append(f"{lanes}: whether a lane stands still while others move")
    if found := _newly(names, before.located, joined.located):
        told.append(f"which cycles belong to {_list(found)}")
    selects = [r.select for r in bench.board.regions if r.select in alone.lines and r.select not in before.lines]
    if selects:
        told.append(f"{_list(dict.fromkeys(s for s in selects if s))}: when they come, and two that come at once")
    if found := _newly(names, before.comparable, joined.comparable):
        how = "" if number == 1 else f" once passes 1 to {number} are joined"
        lanes = _lanes(bench, joined.lanes) or "no lane yet"
        told.append(f"reads of {_list(found)} held against what was written there ({lanes}){how}")
    elif any(joined.comparable) and alone.lanes & ~before.lanes:
        told.append("these lanes held against what was written, once the passes are joined")
    if far := [line for line in bench.far if line in alone.lines]:
        told.append(f"{_list(far)}: on which side of the driver a level goes wrong")
    return tuple(told) or ("lines that a later pass needs",)


def cannot_show(bench: Bench, joined: Sight) -> tuple[str, ...]:
    """What stays hidden with all passes up to this one joined."""
    told = []
    regions = bench.board.regions
    unlocated = [r.name for k, r in enumerate(regions) if not joined.located[k]]
    if unlocated:
        told.append(
            f"which cycles belong to {_list(unlocated)}: neither their select nor all address lines are clipped"
        )
    blind: dict[str, list[str]] = {}
    for k, region in enumerate(regions):
        missing = [bench.address[b] for b in bench.cell_bits[k] if bench.address[b] not in joined.lines]
        if missing and region.kind != "io":
            blind.setdefault(_ranges(missing), []).append(region.name)
    for missing_lines, where in blind.items():
        told.append(f"which cell of {_list(where)} is meant ({missing_lines} missing), so no read can be called wrong")
    if lanes := _lanes(bench, sum(1 << b for b in bench.data) & ~joined.lanes):
        told.append(f"{lanes}: not clipped yet")
    return tuple(told)


def _newly(names: list[str], before: Iterable[bool], after: Iterable[bool]) -> list[str]:
    return [name for name, old, new in zip(names, before, after, strict=True) if new and not old]


def _lanes(bench: Bench, mask: int) -> str:
    return _ranges([bench.data[b] for b in sorted(bench.data) if mask >> b & 1])


def _ranges(lines: Iterable[str]) -> str:
    """Numbered lines in rising order as ranges: D0-D3, D7."""
    spans: list[list[tuple[str, int]]] = []
    for line in lines:
        stem = line.rstrip("0123456789")
        number = int(line[len(stem) :] or -1)
        if spans and spans[-1][-1] == (stem, number - 1):
            spans[-1].append((stem, number))
        else:
            spans.append([(stem, number)])
    ends = [(span[0], span[-1]) for span in spans]
    names = [[f"{stem}{number}" if number >= 0 else stem for stem, number in pair] for pair in ends]
    return ", ".join(first if first == last else f"{first}-{last}" for first, last in names)


def _list(names: Iterable[str]) -> str:
    held = list(names)
    return held[0] if len(held) == 1 else f"{', '.join(held[:-1])} and {held[-1]}"


def trigger(board: Board, profile: Profile, question: str | None, shared: tuple[str, ...]) -> str:
    """Where to start each pass: at the same place of the same run, or they cannot be joined."""
    word = (question or "").casefold()
    for region in board.regions:
        if word and word in (region.name.casefold(), (region.select or "").casefold()):
            if region.select is not None:
                return (
                    f"Trigger every pass on the first time that {region.select} comes after reset, from a channel or "
                    f"the analyser's trigger input; the same event each time, with a tenth of the depth before it."
                )
            return f"Trigger every pass on the first access to {region.start:04X} after reset, the same each time."
    strobe = next((n for n in shared if profile.lines[n].role in ("clock", "strobe")), shared[0] if shared else "")
    return (
        f"Start every pass from the end of reset (the first {strobe} after it), with the same program from the same "
        "state of the machine; a memory test that runs by itself after reset is best."
    )
