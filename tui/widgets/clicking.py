"""Text that can be clicked: a span carries its action and keeps its own look."""

from __future__ import annotations

from rich.style import Style
from textual import events
from textual.widgets import Static

__all__ = ["Clickable", "acts"]

_KEY = "act"  # not textual's own "@click", which draws a link


def acts(action: str) -> Style:
    """The style that makes a span of text run an action: ``app.view('why')``, ``screen.suspect(2)``."""
    return Style(meta={_KEY: action})


class Clickable(Static):
    """Runs the action of the span under the pointer."""

    async def on_click(self, event: events.Click) -> None:
        """The span's action, if it has one."""
        action = event.style.meta.get(_KEY)
        if isinstance(action, str):
            event.stop()
            await self.run_action(action)
