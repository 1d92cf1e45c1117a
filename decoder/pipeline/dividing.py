"""Regions without chips, divided where the failures themselves draw the line between two banks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busledger.decoder.board import Buffer, Region
from busledger.decoder.ledger import AccessLog, Counter, failing_blocks
from busledger.decoder.pipeline.gathered import Gathered
from busledger.decoder.pipeline.request import region_map_of

__all__ = ["divide"]


def divide(gathered: Gathered) -> Gathered:
    """The same evidence with finer regions, or ``gathered`` itself where nothing speaks for a division.

    Inferred regions are replaced by their parts. Regions that a user stated keep
    their counts; only the diagnosis sees the parts (``parents`` tells whose they are).
    """
    from busledger.decoder.diagnosis import TrafficCounter

    regions = gathered.board.regions
    failing = any(c.mismatches and not r.chips for c, r in zip(gathered.counts, regions, strict=True))
    # Accesses are sorted anew by address alone, which tells neither banks nor mirrors apart.
    if not failing or any(r.when is not None or r.mirror_of is not None for r in regions):
        return gathered
    spans = [(r.start, r.end) for r in regions]
    bits = gathered.run.profile.data_bits
    blocks = failing_blocks((gathered.log.blocks(), gathered.log.blocks()), spans, bits)
    blocks = {r: found for r, found in blocks.items() if not regions[r].chips}
    if not blocks:
        return gathered
    parts, parents = _parts(regions, blocks)
    board = replace(
        gathered.board,
        regions=tuple(parts),
        buffers=tuple(_served(b, parts, parents) for b in gathered.board.buffers),
    )
    region_map = region_map_of(board.regions, gathered.run.profile)
    counter, log = Counter(region_map), AccessLog()
    traffic = TrafficCounter(len(parts), bits)
    names = [r.name for r in regions]
    wholes = [names.index(parents.get(part.name, part.name)) for part in parts]
    for cycles, told in gathered.log.blocks():
        compared = told.divided(wholes)
        region_map.locate(cycles, region_map.spaces(cycles))
        counter.feed(cycles, compared)
        traffic.feed(cycles)
        log.append(cycles, compared)
    traffic.high[-1], traffic.low[-1] = gathered.traffic.high[-1], gathered.traffic.low[-1]
    traffic.differ[-1], traffic.values[:] = gathered.traffic.differ[-1], gathered.traffic.values
    gathered.log.close()
    inferred = all(r.inferred for r in regions)
    return replace(
        gathered,
        board=board,
        region_map=region_map,
        counts=counter.counts() if inferred else gathered.counts,
        fine_counts=counter.counts(),
        log=log,
        traffic=traffic,
        parents={} if inferred else parents,
        coverage=None,
    )


def _parts(regions: Sequence[Region], blocks: dict[int, list[tuple[int, int]]]) -> tuple[list[Region], dict[str, str]]:
    """The regions with those in ``blocks`` cut at the blocks' ends, and part name → name of the whole."""
    parts: list[Region] = []
    parents: dict[str, str] = {}
    for index, region in enumerate(regions):
        cuts = {region.start}
        for start, end in blocks.get(index, ()):
            cuts |= {start, end + 1}
        starts = sorted(c for c in cuts if region.start <= c <= region.end)
        for start, stop in zip(starts, [*starts[1:], region.end + 1], strict=True):
            if len(starts) == 1:
                parts.append(region)
                continue
            text = f"{start:04X}-{stop - 1:04X}"
            name = text if region.inferred else f"{region.name} {text}"
            parents[name] = region.name
            image = region.image[start - region.start :] if region.image is not None else None
            parts.append(replace(region, name=name, start=start, end=stop - 1, image=image))
    return parts, parents


def _served(buffer: Buffer, parts: Sequence[Region], parents: dict[str, str]) -> Buffer:
    """A driver serves every part of what it served as a whole."""
    wanted = set(buffer.serves)
    return replace(buffer, serves=tuple(p.name for p in parts if parents.get(p.name, p.name) in wanted))
