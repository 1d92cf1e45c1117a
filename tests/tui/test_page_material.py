"""The page's pictures come from the one pass over the capture, so that a pipe has them too."""

from __future__ import annotations

import io
import lzma

from busledger.decoder.pipeline import Request, run_check
from busledger.decoder.progress import silent
from busledger.tui.commands.page_material import PageMaterial
from tests.tui.guide import DEMO

CAPTURE, BOARD = DEMO / "tide_gauge" / "capture.vcd.xz", DEMO / "tide_gauge" / "board.toml"


def test_a_piped_capture_has_the_pictures_of_a_file_and_the_answer_of_a_run_without_a_page() -> None:
    """A pipe can be read only once: a second look at the capture would find nothing."""
    whole = run_check(Request(CAPTURE, board=BOARD))
    material, piped = PageMaterial(), PageMaterial()
    of_file = run_check(Request(CAPTURE, board=BOARD), silent, material.see)
    with lzma.open(CAPTURE) as capture:
        once = io.BytesIO(capture.read())
    run_check(Request("-", board=BOARD, stdin=once), silent, piped.see)
    assert of_file == whole, "looking on changes nothing"
    assert len(material.pictures()) == 1, "one region, one lane"
    assert piped.pictures() == material.pictures()
    assert piped.timing() == material.timing() is not None
    counted = material.over_time()
    assert counted is not None and piped.over_time() == counted
    assert sum(counted.wrong) == whole.mismatch_total
    assert sum(counted.accesses) == sum(region.reads_compared for region in whole.regions)
    assert counted.edges_s[0] == 0 and abs(counted.edges_s[-1] - whole.capture.duration_s) < 1e-6


def test_without_regions_there_are_timing_figures_but_no_pictures() -> None:
    """Which reads are wrong is known only at the end, when the regions are."""
    material = PageMaterial()
    run_check(Request(CAPTURE, profile="z80"), silent, material.see)
    assert material.pictures() == []
    figures = material.timing()
    assert figures is not None and figures.rows
