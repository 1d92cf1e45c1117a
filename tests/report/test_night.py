"""The night on a page: failures by the time of day, drawn."""

from __future__ import annotations

import subprocess
import sys
import time

import pytest

from busledger.decoder.report import night_pictures
from busledger.decoder.report.night import night_scale


def test_the_time_of_day_is_on_the_axis(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    begin = 1_000_000 // 1440 * 1440 + 21 * 60  # 21:00
    minutes = [(begin + k, int(k == 400), 100) for k in range(600) if not 200 < k < 300]
    ((svg, caption),) = night_pictures(minutes, [(0.0, begin * 60.0), (9.0, begin * 60.0 + 5000)])
    monkeypatch.undo()
    time.tzset()
    assert svg.startswith("<svg") and ">00:00<" in svg and ">06:00<" in svg
    assert "21:00 to" in caption and "2" in caption and "grey" in caption
    assert night_pictures([(5, 0, 0)], []) == []


def test_the_night_is_drawn_without_the_plotting_library() -> None:
    """Loading it takes as long as reading 30 MB of capture, and every watch ends with a page."""
    code = "import sys\nfrom busledger.decoder.report import night_pictures\n"
    code += (
        "print(night_pictures([(29000000, 3, 9), (29000004, 12, 9)], [])[0][0].count('M'), 'matplotlib' in sys.modules)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.split()[1] == "False"


@pytest.mark.parametrize(
    ("most", "marks"),
    [
        (0.0, [0]),
        (0.2, [0, 0.05, 0.1, 0.15, 0.2]),
        (1.0, [0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (3.0, [0, 1, 2, 3]),
        (999.0, [0, 200, 400, 600, 800, 1000]),
    ],
)
def test_marks_of_the_night_s_axis_are_round(most: float, marks: list[float]) -> None:
    top, found = night_scale(most)
    assert found == pytest.approx(marks) and top >= most and (top == pytest.approx(marks[-1]) or not most)
