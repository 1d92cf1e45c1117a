"""Contrast of every colour pair on screen.

Source: Web Content Accessibility Guidelines (WCAG) 2.2, W3C Recommendation 5 October 2023: definitions of
relative luminance and contrast ratio; success criterion 1.4.3 asks 4.5 : 1 of text. Its worked ends: black on
white is 21 : 1, a colour on itself 1 : 1.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from busledger.tui.palette import HEAT, PAIRS


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, two: str) -> float:
    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


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
