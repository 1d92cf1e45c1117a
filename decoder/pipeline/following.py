"""The program of a run: which processor's instructions, and a follower for them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.errors import UsageError
from busledger.decoder.findings import ProgramFinding
from busledger.decoder.pipeline.run import Decoded, Run
from busledger.decoder.program.following import (
    FollowedBlock,
    Follower,
    InstructionSet,
    fetch_is_told,
    fetch_lines,
    load_set,
    load_symbols,
    reached_by,
    set_names,
    set_of_profile,
)
from busledger.decoder.program.following.columns import Instructions

if TYPE_CHECKING:
    from busledger.decoder.planning import ProgramRun

__all__ = ["ProgramAccount", "ProgramParts", "followed_blocks", "follower_for"]


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
    if not fetch_lines(run.profile) and not table.timed:
        raise UsageError(
            f"no line of the bus {run.profile.name} tells reads of the program from reads of data, and its processor "
            "reads ahead: what it ran cannot be told from the bus",
            expected="a bus whose status lines tell the reads of the program",
        )
    if not told and not table.timed:
        missing = [name for name in fetch_lines(run.profile) if name not in run.clipped]
        raise UsageError(
            f"the lines that tell an opcode fetch are not clipped, and without them the program of {table.file.title} "
            "cannot be followed",
            expected=f"{', '.join(missing) or 'a bus that tells opcode fetches'} among the clips",
        )
    return Follower(table, told=told, unwired=run.unwired)


def followed_blocks(follower: Follower, blocks: Iterable[Decoded]) -> Iterator[FollowedBlock]:
    """Every block of a run with its program; the rows are the same, cut elsewhere."""
    for block in blocks:
        yield follower.feed(block.cycles, block.compared)
    yield follower.finish()


def _plain_ram(run: Run) -> NDArray[np.bool_]:
    """bool, of each region: RAM of which the capture shows every write."""
    odd = ("when", "mirror_of", "shared", "write_protect", "image")
    regions = run.region_map.regions
    return np.array([r.kind == "ram" and not any(getattr(r, name, None) for name in odd) for r in regions], np.bool_)


class ProgramAccount:
    """What the program of a run did: where it left its road, and what it says of the bytes that the clips saw.

    Inferring from cycle counts where instructions begin takes as long as decoding: it is done for the first
    ``INFERRED_CYCLES`` only, and given up where the first ``SILENT_CYCLES`` hold none.
    """

    INFERRED_CYCLES, SILENT_CYCLES = 1 << 20, 1 << 17

    def __init__(self, run: Run) -> None:
        from busledger.decoder.program.following import Beginning, RoadWatch, Witness

        self._follower: Follower | None = None
        symbols = load_symbols(run.request.symbols) if run.request.symbols is not None else None
        try:
            self._follower = follower_for(run)
        except UsageError:  # no table, or a clip that is missing: nothing is said of the program
            return
        glossary = self._follower.glossary
        self._road = RoadWatch(
            glossary,
            run.tick_s,
            whole_card=run.board_given,
            address_digits=-(-run.profile.address_bits // 4),
            symbols=symbols,
            ram=_plain_ram(run) if run.board_given else None,
        )
        self._beginning = Beginning(glossary)
        bytewise = isinstance(glossary.instructions, InstructionSet)
        self._witness = Witness(glossary) if self._follower.told and bytewise else None
        self._instructions = self._cycles = 0

    def take(self, block: Decoded) -> None:
        """One block, in the order of time."""
        if self._follower is None or (self._follower.slow and self._cycles > self._most()):
            return
        self._cycles += len(block.cycles)
        self._look(self._follower.feed(block.cycles, block.compared))

    def _most(self) -> int:
        return self.INFERRED_CYCLES if self._instructions else self.SILENT_CYCLES

    def _look(self, some: FollowedBlock) -> None:
        self._instructions += len(some.instructions)
        self._road.feed(some)
        self._beginning.feed(some)
        if self._witness is not None:
            self._witness.feed(some.instructions)

    def finding(self) -> ProgramFinding | None:
        """All of it; None where no program was followed."""
        if self._follower is None:
            return None
        self._look(self._follower.finish())
        beginning = self._beginning.sentence()
        if not (self._instructions or beginning) or (self._witness is not None and not self._witness.credible):
            return None
        return ProgramFinding(
            processor=self._follower.instructions.name,
            instructions=self._instructions,
            inferred=not self._follower.told,
            beginning=beginning,
            derailed=self._road.found,
            witness=self._witness.finding() if self._witness is not None else None,
        )


class ProgramParts:
    """All instructions of a run; none where its program cannot be followed."""

    def __init__(self, run: Run) -> None:
        self._parts: list[Instructions] = []
        self._reached: list[NDArray[np.int64]] = []
        try:
            self._follower: Follower | None = follower_for(run)
        except UsageError:
            self._follower = None

    def take(self, block: Decoded) -> None:
        """One block, in the order of time."""
        if self._follower is not None:
            self._add(self._follower.feed(block.cycles, block.compared))

    def _add(self, some: FollowedBlock) -> None:
        self._parts.append(some.instructions)
        self._reached.append(reached_by(some))

    def run(self) -> ProgramRun | None:
        """What was found."""
        if self._follower is None:
            return None
        self._add(self._follower.finish())
        found = Instructions.concat(self._parts)
        from busledger.decoder.planning import ProgramRun  # only ``match`` holds programs against each other

        return ProgramRun(found, self._follower.glossary, np.concatenate(self._reached)) if len(found) else None
