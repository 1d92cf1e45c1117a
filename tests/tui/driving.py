"""Runs the browser without a terminal: a coroutine presses keys through textual's pilot."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

from textual.pilot import Pilot
from textual.widgets import Input

from busledger.tui.app import BrowserApp

__all__ = ["answer", "drive", "press", "screen_text", "settle"]

Script = Callable[[Pilot[Any], BrowserApp], Awaitable[None]]


async def settle(pilot: Pilot[Any], app: BrowserApp) -> None:
    """Wait for workers and for what they posted."""
    await pilot.pause()
    await app.workers.wait_for_complete()
    await pilot.pause()


async def press(pilot: Pilot[Any], app: BrowserApp, *keys: str) -> None:
    """Keys one after the other, each answered before the next."""
    for key in keys:
        await pilot.press(key)
        await settle(pilot, app)


async def answer(pilot: Pilot[Any], app: BrowserApp, text: str) -> None:
    """A dialog's field filled in, and Enter."""
    app.screen.query_one(Input).value = text
    await press(pilot, app, "enter")


def drive(app: BrowserApp, script: Script, size: tuple[int, int] = (80, 24)) -> None:
    """Open the app, build no views beforehand, wait until the capture is loaded, run the script.

    An error in the app is an error here.
    """

    app.warm_every_s = 0

    async def run() -> None:
        async with app.run_test(size=size) as pilot:
            await settle(pilot, app)
            await script(pilot, app)

    asyncio.run(run())


def screen_text(app: BrowserApp) -> str:
    """What the terminal shows, line by line."""
    return "\n".join("".join(s.text for s in strip) for strip in app.screen._compositor.render_strips())
