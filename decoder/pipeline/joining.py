"""``join``: several passes of one run, decoded, paired and written as one capture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from busledger.decoder.bus import Cycles, Layout, unwired_data
from busledger.decoder.capture import Capture
from busledger.decoder.errors import UsageError
from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.run import Run, open_run
from busledger.decoder.planning import Joined, JoinResult, Pass, dump_text, join_passes
from busledger.decoder.progress import Progress, silent
from busledger.decoder.wiring import Wiring, canonical

__all__ = ["join_captures", "read_pass"]


def join_captures(
    request: Request,
    captures: Sequence[str],
    out: str,
    write: Callable[[bytes], object],
    progress: Progress = silent,
) -> JoinResult:
    """Join ``captures`` (the first gives the time) and hand the dump to ``write``.

    ``request`` says board or profile and wiring, the same for all passes.

    Raises
    ------
    UsageError
        fewer than two captures, or standard input among them.
    """
    if len(captures) < 2:
        raise UsageError("one capture alone cannot be joined", expected="two or more passes of the same run")
    if "-" in captures:
        raise UsageError("standard input cannot be one of the passes", expected="files")
    passes = [read_pass(replace(request, capture=path, any_subset=True), progress) for path in captures]
    joined = join_passes(passes)
    comments = [f"busledger join: {len(passes)} passes; the scope of a line names the pass it came from"]
    comments += [f"pass{k + 1}: {p.path}" for k, p in enumerate(passes)]
    lines = [replace(line, name=passes[line.source].channels.get(line.name, line.name)) for line in joined.lines]
    for piece in dump_text(lines, passes[0].levels.tick_fs, comments):
        write(piece.encode("utf-8", "backslashreplace"))
    return JoinResult(
        out=out,
        cycles=joined.cycles,
        joined=joined.joined,
        share=joined.joined / max(1, joined.cycles),
        passes=joined.passes,
        cautions=_cautions(joined),
    )


def read_pass(request: Request, progress: Progress = silent) -> Pass:
    """One capture decoded and kept in memory, with its levels: of every channel, for what no board names yet."""
    run = open_run(request, progress)
    try:
        run.layout = _with_every_channel(run)
        blocks = list(run.blocks())
        return Pass(
            path=run.file.path,
            levels=_whole([b.levels for b in blocks], run),
            lines=run.layout.names,
            channels=_named_otherwise(run),
            cycles=Cycles.concat([b.cycles for b in blocks]),
            address_bits=((1 << run.profile.address_bits) - 1) & ~run.unwired,
            data_bits=((1 << run.profile.data_bits) - 1) & ~unwired_data(run.profile, run.layout),
        )
    finally:
        run.file.close()


def _with_every_channel(run: Run) -> Layout:
    """The lines of the run, and behind them every other channel as its name reads best (``/cs0``: CS0).

    A channel that reads like a line that is there already stays out: the joined capture would hold the line twice.
    """
    lines = dict(run.wiring.lines)
    used = set(lines.values())
    for index, signal in enumerate(run.file.header.signals):
        if index not in used:
            lines.setdefault(next(iter(canonical(signal.name)), signal.name), index)
    return Layout(run.profile, Wiring(lines), tuple(lines))


def _named_otherwise(run: Run) -> dict[str, str]:
    """Line → channel where only a wiring table told: the table is to fit the joined capture too."""
    signals = run.file.header.signals
    names = {line: signals[index].name for line, index in run.wiring.lines.items()}
    return {line: name for line, name in names.items() if line not in canonical(name)}


def _whole(blocks: Sequence[Capture], run: Run) -> Capture:
    return Capture(
        time=np.concatenate([b.time for b in blocks]),
        levels=np.concatenate([b.levels for b in blocks]),
        unknown=np.concatenate([b.unknown for b in blocks]),
        tick_fs=run.tick_fs,
    )


def _cautions(joined: Joined) -> tuple[str, ...]:
    told = [
        "The passes are different runs. A fault that comes and goes may be in one of them only: "
        "lanes that come from different passes must not be counted as failing together."
    ]
    short = [p for p in joined.passes if p.share < 0.99]
    if short:
        told.append(
            f"{len(short)} of {len(joined.passes)} passes agree over less than 99 % of what they share: "
            "is the run repeatable, and does each pass start from the same trigger?"
        )
    if joined.joined < joined.cycles:
        told.append(
            f"{joined.cycles - joined.joined} of {joined.cycles} cycles have no partner in every pass; "
            "their lines from the other passes are unknown in the joined capture."
        )
    return tuple(told)
