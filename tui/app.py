"""The terminal browser: holds the one state, runs the workers, routes their messages."""

from __future__ import annotations

import gc
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.theme import Theme

from busledger.decoder.text import plain
from busledger.tui import palette
from busledger.tui import state as states
from busledger.tui.arrangements import Arrangements, default_file
from busledger.tui.host import HostApp
from busledger.tui.keys import ANYWHERE, FLIP, VIEWS, bindings
from busledger.tui.loaded import Loaded
from busledger.tui.messages import Opened, OpenFailed, OpenProgress
from busledger.tui.pinning import Notebook
from busledger.tui.screens.base import TALL, WIDE, BrowserScreen
from busledger.tui.screens.cycles import CyclesScreen
from busledger.tui.screens.help_sheet import HelpSheet
from busledger.tui.screens.levels import LevelsScreen
from busledger.tui.screens.notes import NotesScreen
from busledger.tui.screens.open_dialog import OpenDialog
from busledger.tui.screens.opening import OpeningScreen
from busledger.tui.screens.pictures import BuffersScreen, SelectsScreen, TimingScreen, TrendScreen
from busledger.tui.screens.where import WhereScreen
from busledger.tui.screens.why import WhyScreen
from busledger.tui.session import Opener, SessionFactory
from busledger.tui.watch import FileWatch
from busledger.tui.widgets.heat import worst_cell
from busledger.tui.workers import open_work

__all__ = ["BrowserApp", "run_browser"]

_THEME = Theme(
    name="busledger",
    primary=palette.ACCENT,
    secondary=palette.KEY,
    warning=palette.CAUTION,
    error=palette.WRONG,
    success=palette.GOOD,
    foreground=palette.TEXT,
    background=palette.GROUND,
    surface=palette.PANEL,
    panel=palette.PANEL,
    dark=True,
)


class BrowserApp(HostApp):
    """Runs a factory in a worker, then shows its session.

    Parameters
    ----------
    factory
        Decodes the capture (or finds it in the cache).
    opener
        Makes a factory for another capture of the same board; None: opening is not offered.
    watch_every_s
        How often to look whether the capture or the board file changed; 0: never.
    arrangements
        Keeps the order of lines in the levels view from run to run; None: it is forgotten.
    """

    CSS_PATH = Path(__file__).with_name("browser.tcss")
    TITLE = "busledger"
    ENABLE_COMMAND_PALETTE = False
    VERTICAL_BREAKPOINTS: list[tuple[int, str]] | None = [(0, "-low"), (TALL, "-tall")]  # noqa: RUF012 - as textual declares it
    HORIZONTAL_BREAKPOINTS: list[tuple[int, str]] | None = [(0, "-narrow"), (120, "-broad"), (WIDE, "-wide")]  # noqa: RUF012
    SCREENS: ClassVar[dict[str, Callable[[], Screen[Any]]]] = {
        "opening": OpeningScreen,
        "where": WhereScreen,
        "why": WhyScreen,
        "cycles": CyclesScreen,
        "levels": LevelsScreen,
        "selects": SelectsScreen,
        "buffers": BuffersScreen,
        "timing": TimingScreen,
        "trend": TrendScreen,
        "notes": NotesScreen,
    }
    BINDINGS: ClassVar[list[BindingType]] = [
        *bindings((*ANYWHERE, FLIP)),
        *(Binding(key, f"view('{name}')", word, show=False) for name, key, word in VIEWS),
        Binding("ctrl+c", "leave", "quit", show=False, priority=True),
    ]

    def __init__(
        self,
        factory: SessionFactory,
        *,
        opener: Opener | None = None,
        watch_every_s: float = 1.0,
        arrangements: Arrangements | None = None,
    ) -> None:
        super().__init__()
        self._arrangements = arrangements
        self.factory = factory
        self.opener = opener
        self._ticket = 0  # of the latest opening
        self.warm_every_s = 0.1  # how long to wait between two views built beforehand; 0: build them when asked for
        self._cold: list[str] = []  # views not built yet
        self._watch: FileWatch | None = None
        self._watch_every_s = watch_every_s

    # -- opening ----------------------------------------------------------------------------------

    def on_mount(self) -> None:
        """Start decoding at once."""
        self.register_theme(_THEME)
        self.theme = _THEME.name
        self.push_screen("opening")
        self._open(self.factory)
        if self._watch_every_s:
            self.set_interval(self._watch_every_s, self._look)

    def _open(self, factory: SessionFactory) -> None:
        self._ticket += 1
        top = self._top()
        if isinstance(top, OpeningScreen) and top.is_mounted:
            top.restart()
        self.run_worker(open_work(self._ticket, factory, self.post_message), thread=True, exclusive=True, group="open")

    def on_open_progress(self, message: OpenProgress) -> None:
        """Show how far decoding is: on the opening screen, or in the status line."""
        if message.ticket != self._ticket:
            return
        top = self._top()
        if isinstance(top, OpeningScreen):
            top.progress(message.stage, message.done, message.total, message.unit)
        else:
            share = f" {100 * message.done // message.total} %" if message.total else " …"
            self._opening = f"{plain(message.stage, 20)}{share}"
            self._draw()

    def on_opened(self, message: Opened) -> None:
        """Take the session; after a reload the place and the levels' arrangement stay where they can."""
        if message.ticket != self._ticket:
            return
        before = self.state if self.loaded_or_none is not None else None
        loaded = Loaded.of(message.session)
        self.factory = message.factory
        self._opening = ""
        self._search += 1
        self.loaded_or_none = loaded
        self.program = None
        self.state = states.initial_state(loaded.source.facts, loaded.source.total, loaded.span)
        if self._arrangements is not None:
            self.state = self._arrangements.applied(self.state)
        if before is not None:
            self.state = states.carry_over(before, self.state)
        elif (worst := worst_cell(message.session.result)) is not None:
            self.state = states.select_cell(self.state, *worst)
        session = message.session
        self.notebook_or_none = Notebook(session.board_path, session.capture_path)
        paths = [Path(session.capture_path), *([session.board_path] if session.board_path else [])]
        self._watch = FileWatch(path for path in paths if path.is_file())
        if any(isinstance(screen, OpeningScreen) for screen in self.screen_stack):
            while not isinstance(self.screen, OpeningScreen):  # the help sheet, say
                self.pop_screen()
            self.switch_screen(VIEWS[0][0])
            self._cold = [name for name, _, _ in VIEWS[1:]]
            if self.warm_every_s:
                self.set_timer(self.warm_every_s, self._warm)
        else:
            if before is not None and not before.filter.empty:
                self.select(before.filter)
            self._draw()

    def _warm(self) -> None:
        """Build one more view while nothing else happens, so that its key answers at once the first time too.

        On and off the stack without waiting: no key can come in between.
        """
        top = self._top()
        if top is None:
            return
        if not self._cold:
            # What is loaded by now stays: without this the garbage collector walks all of it every
            # few hundred keys, which takes longer than a key may.
            gc.freeze()
            return
        if isinstance(top, BrowserScreen) and top.ready:
            name = self._cold.pop(0)
            if not self.is_screen_installed(name) or not self.get_screen(name).is_running:
                with self.batch_update():
                    self.push_screen(name)
                    self.pop_screen()
        self.set_timer(self.warm_every_s, self._warm)

    def on_open_failed(self, message: OpenFailed) -> None:
        """A sentence: on the opening screen, or in the status line over what is still open."""
        if message.ticket != self._ticket:
            return
        self._opening = ""
        opening = next((screen for screen in self.screen_stack if isinstance(screen, OpeningScreen)), None)
        if opening is not None:
            if message.stopped:
                self.exit(130)
            else:
                opening.fail(message.sentence)
        elif self.loaded_or_none is not None:
            first, *more = message.sentence.splitlines() or [""]
            told = f" and {len(more)} more mistakes" if more else ""
            self.act(states.say, plain(first, 400) + told, "wrong")

    def _look(self) -> None:
        if self._watch is None or self._opening:
            return
        changed = self._watch.poll()
        if changed is not None:
            self._opening = f"{plain(changed.name, 40)} changed, decoding"
            self._open(self.factory)
            self._draw()

    # -- keys -------------------------------------------------------------------------------------

    def action_view(self, name: str) -> None:
        """Another view."""
        self.view(name)

    def action_help(self) -> None:
        """The help sheet."""
        self.push_screen(HelpSheet())

    def action_leave(self) -> None:
        """Leave; 2 if nothing could be opened."""
        self.workers.cancel_all()
        if self._arrangements is not None:
            self._arrangements.keep(self.state)
        self.exit(0 if self.loaded_or_none is not None else 2)

    def action_stop(self) -> None:
        """Stop a search or the decoding."""
        if self.searching:
            self.stop_search()
        elif self.loaded_or_none is None or self._opening:
            self.workers.cancel_group(self, "open")

    def action_reload(self) -> None:
        """Decode again."""
        self._open(self.factory)

    def action_open_other(self) -> None:
        """Ask for another capture."""
        if self.opener is None:
            if self.loaded_or_none is not None:
                self.act(states.say, "Opening another capture is not offered here.")
            return
        present = self.loaded_or_none.session.capture_path if self.loaded_or_none is not None else ""
        self.push_screen(OpenDialog(present), self._open_path)

    def _open_path(self, path: str | None) -> None:
        if path and self.opener is not None:
            self._open(self.opener(path))

    def _fatal_error(self) -> None:
        """A mistake of ours ends the browser with a sentence, not with a traceback."""
        error = self._exception
        words = f"{type(error).__name__}: {error}" if error is not None else "unknown"
        self._exit_renderables.append(
            Text(
                f"The browser had to stop over a mistake of its own ({plain(words, 300)}). Nothing of yours was"
                " changed. Please report what you pressed; 'busledger check' gives the same findings without the"
                " browser."
            )
        )
        self._close_messages_no_wait()


def run_browser(factory: SessionFactory, *, opener: Opener | None = None) -> int:
    """Run the browser on the terminal until the user leaves. Returns the exit status."""
    app = BrowserApp(factory, opener=opener, arrangements=Arrangements(default_file()))
    status = app.run()
    return status if status is not None else app.return_code or 0
