"""The number of a cycle in its capture, where decoding does not begin at the capture's start."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.run import open_run

__all__ = ["cycles_before"]


def cycles_before(request: Request, first_fs: int) -> int:
    """How many cycles the capture holds before a time (femtoseconds from its start); reads it once more up to there.

    Standard input cannot be read once more: then 0, and numbers count from the window on.

    Raises
    ------
    BusledgerError
        as ``open_run``.
    """
    if str(request.capture) == "-":
        return 0
    # A cycle that begins before and ends after counts by its sampling edge, so both decodings agree on it.
    run = open_run(replace(request, t_from=None, t_to=first_fs, watch=None))
    try:
        return sum(int(np.count_nonzero(block.cycles.time * run.tick_fs < first_fs)) for block in run.blocks())
    finally:
        run.file.close()
