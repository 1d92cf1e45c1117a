"""The browser while it opens and decodes, when that fails, and when another capture is asked for."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from busledger.decoder.errors import BoardError, CaptureError
from busledger.decoder.progress import Progress
from busledger.tui.app import BrowserApp
from busledger.tui.screens.help_sheet import HelpSheet
from busledger.tui.screens.open_dialog import complete_path
from busledger.tui.screens.opening import OpeningScreen, progress_words
from tests.tui.builders import FakeSession, factory_of, make_result, make_session, make_store
from tests.tui.driving import answer, drive, press, screen_text, settle


def test_a_capture_without_cycles_can_be_looked_at(tmp_path: Path) -> None:
    store = make_store(tmp_path / "entry", 0)
    session = FakeSession(store, make_result(store), None)

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        for key in ("c", "down", "up", "m", "M", "d", "p", "a", "o", "end", "l", "e", "left", "plus", "0", "g"):
            await press(pilot, app, key)
        await answer(pilot, app, "1ms")
        assert app.state.cursor == 0 and "holds no cycles" in screen_text(app)

    drive(BrowserApp(factory_of(session)), script)


def test_a_failure_to_open_is_a_sentence_and_exit_2() -> None:
    def factory(progress: Progress) -> FakeSession:
        raise CaptureError("The file ends inside its header", where="loom.vcd:12", hint="Record it again.")

    app = BrowserApp(factory)

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        assert isinstance(app.screen, OpeningScreen)
        shown = " ".join(screen_text(app).split())
        assert "loom.vcd:12: The file ends inside its header. Record it again." in shown
        await press(pilot, app, "c", "question_mark", "escape", "q")

    drive(app, script)
    assert app.return_value == 2


def test_a_mistake_of_ours_while_opening_is_a_sentence_too() -> None:
    def factory(progress: Progress) -> FakeSession:
        raise ZeroDivisionError("division by zero")

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        assert "ZeroDivisionError: division by zero" in screen_text(app)
        assert "Traceback" not in screen_text(app)

    drive(BrowserApp(factory), script)


def test_several_mistakes_stand_each_on_its_own_and_whole() -> None:
    """A board file's mistakes ran together with a literal ``\\x0a`` between them and were cut."""
    mistakes = [f'/card.toml, [[region]] number {n} "bank{n}", chips: no chip carries D3' for n in range(40)]

    def factory(progress: Progress) -> FakeSession:
        raise BoardError("\n".join(mistakes))

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        shown = screen_text(app)
        assert "40 mistakes in /card.toml:" in shown and "\\x0a" not in shown
        assert '· [[region]] number 3 "bank3", chips: no chip carries D3' in shown
        await pilot.press("end")
        await settle(pilot, app)
        assert '"bank39", chips: no chip carries D3' in screen_text(app)

    drive(BrowserApp(factory), script)


@pytest.mark.parametrize(
    ("given", "title", "words"),
    [
        (("reading", 5, 10, "bytes"), "Decoding the capture", "reading: 5 of 10 bytes"),
        (("weighing suspects", 0, None, "sets of faults"), "Weighing which faults", ""),
        (("weighing suspects", 9, None, "sets of faults"), "Weighing", "suspects: 9 sets of faults tried so far"),
    ],
)
def test_the_opening_names_what_is_being_done(given: Any, title: str, words: str) -> None:
    """``weighing suspects: 0 faults`` under ``Decoding`` read as a result of the decoding."""
    shown_title, shown_words = progress_words(*given)
    assert shown_title.startswith(title) and shown_words.endswith(words) and bool(words) == bool(shown_words)


def test_decoding_shows_its_progress_and_escape_stops_it(session: FakeSession) -> None:
    go_on, begun = threading.Event(), threading.Event()

    def factory(progress: Progress) -> FakeSession:
        progress("decode", 5_000_000, 10_000_000, "cycles")
        begun.set()
        go_on.wait(10)
        for done in range(100):
            progress("decode", done, 10_000_000, "cycles")
        return session

    async def run() -> int | None:
        app = BrowserApp(factory)
        async with app.run_test(size=(80, 24)) as pilot:
            while not begun.is_set():
                await pilot.pause(0.01)
            await pilot.pause(0.05)
            assert "decode: 5 000 000 of 10 000 000 cycles" in screen_text(app)
            await pilot.press("escape")
            go_on.set()
            await settle(pilot, app)
        return app.return_value

    import asyncio

    assert asyncio.run(run()) == 130


def test_a_capture_that_changes_on_disk_is_decoded_again(tmp_path: Path) -> None:
    capture = tmp_path / "loom.vcd"
    capture.write_text("first")
    sessions = [make_session(tmp_path / "one", capture_path=str(capture))]
    sessions.append(make_session(tmp_path / "two", 1000, capture_path=str(capture)))
    calls = []

    def factory(progress: Progress) -> FakeSession:
        calls.append(1)
        return sessions[min(len(calls), 2) - 1]

    app = BrowserApp(factory, watch_every_s=0.02)

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "end")
        assert app.state.total == 4096
        capture.write_text("second, longer")
        for _ in range(100):
            await pilot.pause(0.02)
            if app.state.total == 1000:
                break
        assert app.state.total == 1000 and app.state.cursor == 999
        assert len(calls) == 2

    drive(app, script)


def test_a_mistake_of_ours_later_ends_with_a_sentence_and_no_traceback(
    session: FakeSession, capsys: pytest.CaptureFixture[str]
) -> None:
    class Broken(BrowserApp):
        def action_help(self) -> None:
            raise ZeroDivisionError("[bold]division[/bold] by\x1b zero")

    async def press_help(pilot: Pilot[Any]) -> None:
        await pilot.pause()
        await pilot.app.workers.wait_for_complete()
        await pilot.press("question_mark")

    app = Broken(factory_of(session))
    app.warm_every_s = 0
    app.run(headless=True, auto_pilot=press_help)
    out = capsys.readouterr()
    told = " ".join((out.out + out.err).split())
    assert "The browser had to stop over a mistake of its own" in told
    assert "ZeroDivisionError: [bold]division[/bold] by\\x1b zero" in told
    assert "Traceback" not in told and app.return_code == 1


def test_views_are_built_beforehand_without_showing(session: FakeSession) -> None:
    import asyncio

    async def run() -> None:
        app = BrowserApp(factory_of(session))
        app.warm_every_s = 0.001
        async with app.run_test(size=(80, 24)) as pilot:
            await settle(pilot, app)
            seen = set()
            while app._cold:
                seen.add(app.screen.name if not hasattr(app.screen, "view") else app.screen.view)
                await pilot.pause(0.005)
            await settle(pilot, app)
            assert seen <= {"where"} and app.screen is app.get_screen("where")
            assert all(app.get_screen(name).is_running for name in ("why", "cycles", "levels", "notes"))
            await pilot.press("c")
            await settle(pilot, app)
            assert "0401" in screen_text(app) or "0000" in screen_text(app)

    asyncio.run(run())


def test_a_sheet_open_while_decoding_ends_gives_way(session: FakeSession) -> None:
    go_on = threading.Event()

    def factory(progress: Progress) -> FakeSession:
        go_on.wait(10)
        return session

    import asyncio

    async def run() -> None:
        app = BrowserApp(factory)
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.press("question_mark")
            await pilot.pause()
            assert isinstance(app.screen, HelpSheet)
            go_on.set()
            await settle(pilot, app)
            assert "compared reads are wrong" in screen_text(app)

    asyncio.run(run())


def test_a_failed_reload_keeps_what_is_open(session: FakeSession) -> None:
    calls = []

    def factory(progress: Progress) -> FakeSession:
        calls.append(1)
        if len(calls) > 1:
            raise CaptureError("The file is empty", where="loom.vcd")
        return session

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "down", "ctrl+r")
        assert "loom.vcd: The file is empty." in screen_text(app)
        await press(pilot, app, "down")
        assert app.state.cursor == 2

    drive(BrowserApp(factory), script)


def test_another_capture_of_the_board_is_opened_by_its_path(session: FakeSession, tmp_path: Path) -> None:
    other = tmp_path / "after repair.vcd"
    other.write_text("x")
    fresh = make_session(tmp_path, 500, capture_path=str(other))
    asked: list[str] = []

    def opener(path: str):  # type: ignore[no-untyped-def]
        asked.append(path)
        return factory_of(fresh)

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "ctrl+o")
        await answer(pilot, app, str(tmp_path / "none.vcd"))
        assert "There is no file" in screen_text(app)
        await answer(pilot, app, str(other))
        assert asked == [str(other)] and app.state.total == 500
        assert "after repair.vcd" in screen_text(app)

    drive(BrowserApp(factory_of(session), opener=opener), script)


def test_a_path_is_completed_as_far_as_its_folder_agrees(tmp_path: Path) -> None:
    for name in ("warm-1.vcd", "warm-2.vcd", "cold.vcd"):
        (tmp_path / name).write_text("")
    (tmp_path / "folder").mkdir()
    assert complete_path(f"{tmp_path}/w") == f"{tmp_path}/warm-"
    assert complete_path(f"{tmp_path}/c") == f"{tmp_path}/cold.vcd"
    assert complete_path(f"{tmp_path}/f") == f"{tmp_path}/folder/"
    assert complete_path(f"{tmp_path}/warm-") is None
    assert complete_path(f"{tmp_path}/nothing/x") is None
