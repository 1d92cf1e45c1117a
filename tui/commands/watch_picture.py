"""The live picture of a watch: pace, what waits, reads, failures over the run, the verdict so far."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from busledger.decoder.figures import count
from busledger.decoder.text import plain

if TYPE_CHECKING:
    from busledger.decoder.watching import Status

__all__ = ["bars", "picture", "plot_of"]

_BARS = " ▁▂▃▄▅▆▇█"
_BLOCK = 4 << 20
_PLOT_WIDTH = 60


def picture(status: Status, width: int) -> RenderableType:
    """How a watch stands, for a terminal of ``width`` columns."""
    counts = status.counts
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    table.add_row("bus", _pace(status))
    table.add_row("watched", f"{_span(status.elapsed_s)}, {_span(counts.bus_s)} of bus, {count(counts.bytes >> 20)} MB")
    reads = f"{count(counts.compared)} compared"
    if counts.dropped_blocks:
        reads += f"; {count(counts.dropped_blocks)} blocks ({_span(counts.dropped_s)} of bus) left out"
    table.add_row("reads", reads)
    wrong = Text(count(counts.failures), style="bold red" if counts.failures else "bold green")
    table.add_row("failures", wrong + Text(f"   {status.kept} windows of signals kept" if status.kept else ""))
    room = max(10, min(_PLOT_WIDTH, width - 24))
    plot, most, minutes = plot_of(counts.minutes, room)
    if plot:
        table.add_row("a minute", f"{plot}  up to {count(most)}; a bar is {minutes} min")
    table.add_row("so far", Text(plain(status.verdict, 300) or "nothing to weigh yet", style="bold"))
    if status.would_settle:
        table.add_row("settles it", plain(status.would_settle, 300))
    saved = "not yet" if status.saved_s_ago is None else f"{status.saved_s_ago:.0f} s ago"
    table.add_row("on disk", saved)
    title = Text(f" {'standard input' if status.source == '-' else plain(status.source, 60)} ")
    return Panel(Group(table), title=title, title_align="left", width=min(width, 110))


def _pace(status: Status) -> Text:
    blocks = -(-status.waiting // _BLOCK)
    waits = f"{blocks} blocks wait" if blocks else "nothing waits"
    if status.dropping:
        return Text(f"faster than the decoding: whole blocks are left out; {waits}", style="bold red")
    if status.quiet_s > 5:
        return Text(f"silent for {_span(status.quiet_s)}", style="yellow")
    if status.pace is None:
        return Text(f"listening; {waits}")
    if not blocks:
        stand = "keeps up"
    elif status.pace >= 1:
        stand = "ahead of a live bus"
    else:
        stand = "behind the bus"
    return Text(f"{status.pace:.2f} s of bus a second, {status.rate_mb_s:.0f} MB/s: {stand}; {waits}")


def plot_of(minutes: dict[int, list[int]], room: int) -> tuple[str, int, int]:
    """(bars, failures a minute that the highest bar is, minutes a bar) over the whole run; "" without failures."""
    if not any(wrong for wrong, _ in minutes.values()):
        return "", 0, 1
    first = min(minutes)
    last = max(max(minutes), first)
    step = -(-(last - first + 1) // room)
    sums = [0] * ((last - first) // step + 1)
    for minute, (wrong, _) in minutes.items():
        sums[(minute - first) // step] += wrong
    return bars(sums), -(-max(sums) // step), step


def bars(values: list[int]) -> str:
    """A character each, of eighths of the highest; anything above nothing is seen."""
    most = max(values, default=0)
    return "".join(_BARS[0 if not v else max(1, round(8 * v / most))] for v in values)


def _span(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours} h {rest // 60:02d} min" if hours else f"{rest // 60} min {rest % 60:02d} s"
