"""The program of a run: which processor's instructions, and a follower for them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from busledger.decoder.errors import UsageError
from busledger.decoder.pipeline.run import Decoded, Run
from busledger.decoder.program.following import (
    FollowedBlock,
    Follower,
    fetch_is_told,
    fetch_lines,
    load_set,
    set_names,
    set_of_profile,
)

__all__ = ["followed_blocks", "follower_for"]


def follower_for(run: Run, processor: str | None = None) -> Follower:
    """A follower for the processor of the run's bus, or for the one that is named.

    Raises
    ------
    UsageError
        No table of instructions belongs to the bus, or there is none of that name.
    """
    table = load_set(processor) if processor is not None else set_of_profile(run.profile.name)
    if table is None:
        raise UsageError(
            f"no table of instructions belongs to the bus {run.profile.name}",
            expected=f"--processor with one of {', '.join(set_names())}",
        )
    told = fetch_is_told(run.profile, run.clipped)
    if not told and not table.timed:
        raise UsageError(
            f"the lines that tell an opcode fetch are not clipped, and without them the program of {table.file.title} "
            "cannot be followed",
            expected=f"{', '.join(fetch_lines(run.profile)) or 'a bus that tells opcode fetches'} among the clips",
        )
    return Follower(table, told=told)


def followed_blocks(follower: Follower, blocks: Iterable[Decoded]) -> Iterator[FollowedBlock]:
    """Every block of a run with its program; the rows are the same, cut elsewhere."""
    for block in blocks:
        yield follower.feed(block.cycles, block.compared)
    yield follower.finish()
