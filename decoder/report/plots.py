"""Pictures as SVG text that takes its colours from the page around it.

matplotlib draws with stand-in colours; they are replaced by the page's CSS
variables, so that one picture serves light, dark and print.
"""

from __future__ import annotations

import io
import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from busledger.decoder.report.numbers import NO_BREAK

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Histogram", "Trend", "figure_of", "histogram_svg", "ink", "svg_of", "trend_svg"]

# Stand-ins: colours that nothing else uses, and the variable that each becomes.
_STAND_INS = {"#010203": "ink", "#010204": "faint", "#010205": "rule", "#010206": "wrong", "#010207": "good"}
_COLOUR = {name: colour for colour, name in _STAND_INS.items()}
_STYLE = {
    "svg.fonttype": "none",
    "svg.hashsalt": "busledger",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": _COLOUR["rule"],
    "axes.labelcolor": _COLOUR["ink"],
    "xtick.color": _COLOUR["rule"],
    "ytick.color": _COLOUR["rule"],
    "xtick.labelcolor": _COLOUR["faint"],
    "ytick.labelcolor": _COLOUR["faint"],
    "text.color": _COLOUR["ink"],
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.parse_math": False,
}


@dataclass(frozen=True, slots=True)
class Trend:
    """Failures over time: windows of about equally many accesses each.

    ``edges_s`` seconds, one more than windows; ``accesses`` that could have failed; ``wrong`` of them that did.
    """

    edges_s: tuple[float, ...]
    accesses: tuple[int, ...]
    wrong: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Histogram:
    """Times of one kind, in ns: ``counts[k]`` lie between ``edges_ns[k]`` and the next; limits where published."""

    title: str
    edges_ns: tuple[float, ...]
    counts: tuple[int, ...]
    least_ns: float | None = None
    most_ns: float | None = None


def ink(name: str) -> str:
    """The stand-in for one of the page's colours: ink, faint, rule, wrong, good."""
    return _COLOUR[name]


def trend_svg(trend: Trend, name: str) -> str:
    """Share of accesses that went wrong, window by window; ``name`` makes the ids of this picture its own."""
    with figure_of(6.4, 2.1) as (figure, axes):
        shares = [100 * w / a if a else 0.0 for w, a in zip(trend.wrong, trend.accesses, strict=True)]
        axes.stairs(shares, trend.edges_s, fill=True, color=_COLOUR["wrong"])
        axes.set_xlabel("seconds from the start of the capture")
        axes.set_ylabel(f"wrong,{NO_BREAK}%")
        axes.set_ylim(bottom=0)
        axes.set_xlim(trend.edges_s[0], trend.edges_s[-1])
        return svg_of(figure, name)


def histogram_svg(histogram: Histogram, name: str) -> str:
    """One histogram with its published limits as upright lines."""
    with figure_of(6.4, 1.9) as (figure, axes):
        axes.stairs(histogram.counts, histogram.edges_ns, fill=True, color=_COLOUR["good"])
        for limit, label in ((histogram.least_ns, "least"), (histogram.most_ns, "most")):
            if limit is not None:
                axes.axvline(limit, color=_COLOUR["wrong"], linewidth=1.5)
                axes.text(limit, 1.0, f"{NO_BREAK}{label} {limit:g}", transform=axes.get_xaxis_transform(), va="top")
        axes.set_xlabel("ns")
        return svg_of(figure, name)


@contextmanager
def figure_of(width: float, height: float) -> Iterator[tuple[Figure, Axes]]:
    """A figure of our style, without touching matplotlib's global state or any screen."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # else it tells where it could not keep its list of fonts
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(_STYLE):  # type: ignore[arg-type]
        figure = Figure(figsize=(width, height), layout="constrained")
        figure.patch.set_alpha(0)
        axes = figure.add_subplot()
        axes.patch.set_alpha(0)
        yield figure, axes


def svg_of(figure: Figure, name: str) -> str:
    """SVG for inlining: no prologue, no metadata, ids that are unique on the page, colours of the page."""
    buffer = io.StringIO()
    nothing: dict[str, Any] = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(buffer, format="svg", metadata=nothing)
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'(\bid=")', rf"\g<1>{name}-", text)
    text = re.sub(r'(xlink:href="#|url\(#)', rf"\g<1>{name}-", text)
    for colour, variable in _STAND_INS.items():
        text = text.replace(colour, f"var(--{variable})")
    return re.sub(r"<svg ", '<svg aria-hidden="true" focusable="false" ', text, count=1)
