"""Contrast of every colour pair on screen.

Source: Web Content Accessibility Guidelines (WCAG) 2.2, W3C Recommendation 5 October 2023: definitions of
relative luminance and contrast ratio; success criterion 1.4.3 asks 4.5 : 1 of text. Its worked ends: black on
white is 21 : 1, a colour on itself 1 : 1.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from busledger.tui.palette import HEAT, PAIRS
from tests.contrast import contrast, luminance


def test_the_formula_has_the_published_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#777777") == pytest.approx(1)


@pytest.mark.parametrize(("text", "ground"), PAIRS)
def test_text_can_be_read(text: str, ground: str) -> None:
    assert contrast(text, ground) >= 4.5


def test_heat_grows_in_lightness_so_that_no_hue_is_needed() -> None:
    steps = [luminance(ground) for ground, _ in HEAT]
    assert steps == sorted(steps)
    assert all(contrast(one, two) > 1.25 for (one, _), (two, _) in pairwise(HEAT))
