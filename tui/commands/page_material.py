"""What a page shows beside the result, kept while the capture is decoded for it: a pipe passes only once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busledger.decoder.marks import Marks

if TYPE_CHECKING:
    from busledger.decoder.checks import TimingCheck
    from busledger.decoder.pipeline import Decoded, Run
    from busledger.decoder.report import SceneCollector, TimeCounts, TimingFigures, Trend

__all__ = ["PageMaterial"]


class PageMaterial:
    """Sees every block of one run (``see``); then gives the levels around wrong reads, the counts over time and the
    timing.

    Its timing check is its own: the one that weighs suspects speaks only of chips whose grade is known, and a page
    that was asked for must not change the answer.
    """

    def __init__(self) -> None:
        self._scenes: SceneCollector | None = None
        self._timing: TimingCheck | None = None
        self._counts: TimeCounts | None = None
        self._grade: str | None = None
        self._marks = Marks()

    def see(self, run: Run, block: Decoded) -> None:
        """One block, as it is decoded."""
        if self._timing is None:
            self._begin(run)
        assert self._timing is not None
        self._timing.feed(block.levels, block.cycles)
        if self._counts is not None:
            self._counts.feed(block.cycles, block.compared, run.last_tick)
        if self._scenes is not None and not self._scenes.full:
            self._scenes.feed(block.levels, block.cycles, block.compared)

    def _begin(self, run: Run) -> None:
        from busledger.decoder.checks import TimingCheck
        from busledger.decoder.report import SceneCollector, TimeCounts

        self._timing = TimingCheck(run.board, run.profile, run.layout, run.tick_fs, run.grid_ticks)
        self._grade = run.request.grade
        self._marks = run.marks
        if run.board_given:  # else the regions, and so the wrong reads, are known only at the end
            bits = run.profile.address_bits, run.profile.data_bits
            names = tuple(map(run.marks.name, run.layout.names))
            self._scenes = SceneCollector(names, run.tick_fs, *bits)
            self._counts = TimeCounts(run.tick_fs)

    def pictures(self) -> list[tuple[str, str]]:
        """(SVG, caption) of the levels around the first wrong reads."""
        from busledger.decoder.report import scene_svg

        return [] if self._scenes is None else [(scene_svg(scene), scene.caption) for scene in self._scenes.scenes]

    def over_time(self) -> Trend | None:
        """Compared and wrong reads over the whole capture; None where none was wrong."""
        return None if self._counts is None else self._counts.windows()

    def timing(self) -> TimingFigures | None:
        """Timing against the published limits."""
        from busledger.decoder.report import timing_figures

        if self._timing is None:
            return None
        found = self._timing.finish(grade=self._grade)
        return timing_figures(self._marks.shown(found))
