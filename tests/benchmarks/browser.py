"""How fast the browser is on a long capture: opening a stored one, and every key.

    python -m tests.benchmarks.browser [--cycles 10000000] [--keep FOLDER]

Writes a synthetic decoded capture (four rows of levels a cycle, one read in
about 60 wrong), opens it, and presses keys through textual's pilot. A key's
time runs from the press until the screen is drawn and searches are done. Targets: open < 1 s, any key < 50 ms.
"""

from __future__ import annotations

import argparse
import asyncio
import tempfile
import time
from pathlib import Path
from typing import Any

from textual import events
from textual.pilot import Pilot

from busledger.decoder.progress import Progress, silent
from busledger.decoder.store import Store
from busledger.tui.app import BrowserApp
from busledger.tui.screens.base import BrowserScreen
from tests.tui.builders import BOARD, FakeSession, make_result, make_store

SIZE = (160, 45)
REPEATS = 7
KEYS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("w", ("left", "right", "up", "down")),
    ("y", ("down", "up", "right", "left")),
    (
        "c",
        (
            "down",
            "up",
            "pagedown",
            "pageup",
            "end",
            "home",
            "m",
            "m",
            "M",
            "d",
            "D",
            "p",
            "P",
            "a",
            "A",
            "o",
            "backspace",
        ),
    ),
    (
        "l",
        ("right", "left", "plus", "minus", "minus", "minus", "minus", "0", "e", "E", "full_stop", "down", "enter", "m"),
    ),
    ("l", ("minus",) * 16),
    ("r", ("down", "up")),
    ("s", ("down",)),
    ("n", ("down",)),
)


async def _timed(pilot: Pilot[Any], app: BrowserApp, key: str) -> tuple[float, float]:
    """Wall and CPU seconds from the key to the drawn screen.

    ``Pilot.press`` sleeps at least three times 20 ms to be sure that all is quiet; here the key is
    sent as it sends it, and the pilot's own wait for the screen's queues says when the work is done.
    """
    driver = app._driver
    assert driver is not None
    event = events.Key(key, key if len(key) == 1 else None)
    event.set_sender(app)
    wall, cpu = time.perf_counter(), time.process_time()
    driver.send_message(event)
    for _ in range(3):  # the key's action, the updates that it asked for, their layout
        await pilot._wait_for_screen()
    while app.searching:
        await asyncio.sleep(0)
        await pilot._wait_for_screen()
    await pilot._wait_for_screen()
    app.screen._on_timer_update()  # draws what is due, as the screen's timer does
    return time.perf_counter() - wall, time.process_time() - cpu


async def measure(entry: Path) -> None:
    """Open and press; print a table."""

    def factory(progress: Progress = silent) -> FakeSession:
        store = Store.open(entry)
        return FakeSession(store, make_result(store), BOARD)

    begun, begun_cpu = time.perf_counter(), time.process_time()
    app = BrowserApp(factory, watch_every_s=0)
    async with app.run_test(size=SIZE) as pilot:
        while not (isinstance(app.screen, BrowserScreen) and app.loaded_or_none is not None):
            await pilot.pause(0.001)
        await pilot.pause()
        wall, cpu = time.perf_counter() - begun, time.process_time() - begun_cpu
        print(f"open to first screen {wall:8.3f} s, {cpu:.3f} s CPU  ({app.state.total} cycles)")
        while app._cold:  # views are built while the user looks at the first one
            await pilot.pause(0.05)
        print("view key            median ms   worst ms   median CPU ms  worst")
        slowest = 0.0
        for view, keys in KEYS:
            wall, cpu = await _timed(pilot, app, view)
            print(f"{view:<4} (first)     {wall * 1e3:12.1f} {wall * 1e3:10.1f} {cpu * 1e3:15.1f}")
            taken: dict[str, list[tuple[float, float]]] = {}
            for _ in range(REPEATS):
                for key in keys:
                    taken.setdefault(key, []).append(await _timed(pilot, app, key))
                    await pilot.pause()
            for key, times in taken.items():
                walls, cpus = sorted(w for w, _ in times), sorted(c for _, c in times)
                middle = len(times) // 2
                slowest = max(slowest, walls[middle])
                figures = f"{walls[middle] * 1e3:10.1f} {walls[-1] * 1e3:10.1f} {cpus[middle] * 1e3:15.1f}"
                print(f"{view:<4} {key:<14}{figures} {cpus[-1] * 1e3:6.1f}")
        print(f"slowest median   {slowest * 1e3:12.1f} ms")


def main() -> None:
    """Write the store (unless it is there already) and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cycles", type=int, default=10_000_000)
    parser.add_argument("--keep", type=Path, help="folder in which the store is kept for the next run")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.keep or Path(temporary)
        entry = folder / f"cycles-{given.cycles}"
        if not entry.is_dir():
            start = time.perf_counter()
            make_store(entry, given.cycles)
            print(f"store written in {time.perf_counter() - start:.1f} s")
        asyncio.run(measure(entry))


if __name__ == "__main__":
    main()
