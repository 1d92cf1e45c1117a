"""Keys that move among cycles, the same in every view that shows one."""

from __future__ import annotations

from busledger.decoder.errors import UsageError
from busledger.decoder.text import plain
from busledger.tui import state as states
from busledger.tui.filters import Filter, parse_place
from busledger.tui.loaded import Search, address_search, find_around, lane_search, part_search
from busledger.tui.program import ProgramView
from busledger.tui.screens.base import BrowserScreen
from busledger.tui.screens.filter_dialog import FilterDialog
from busledger.tui.screens.go_dialog import GoDialog
from busledger.tui.source import find_match

__all__ = ["SteppingScreen"]


class SteppingScreen(BrowserScreen):
    """Actions of ``busledger.tui.keys.CYCLES`` and of the searches that the views share."""

    def action_step(self, by: int) -> None:
        """One cycle up or down the list."""
        self.host.act(states.move, by)

    def action_cycle(self, by: int) -> None:
        """To the neighbour in the capture."""
        self.host.act(states.step, by)

    def action_end(self, last: bool) -> None:
        """First or last cycle of the list."""
        self.host.act(states.move_to_end, last)

    def action_mismatch(self, step: int) -> None:
        """Next or previous mismatch: known beforehand, no search needed."""
        host = self.host
        found = states.neighbour(host.loaded.source.mismatch_rows, host.state.cursor, step)
        if found is None:
            none = not len(host.loaded.source.mismatch_rows)
            host.act(states.say, "No cycle is wrong." if none else f"No {_direction(step)} cycle is wrong.")
        else:
            host.act(states.go_to, found)

    def _search(self, wanted: Search | str, step: int) -> None:
        host = self.host
        if isinstance(wanted, str):
            host.act(states.say, wanted)
            return
        run = find_match(host.loaded.source, wanted.match, host.state.cursor, step)
        host.search(run, wanted.nothing.format(_direction(step)))

    def action_lane(self, step: int) -> None:
        """Next or previous mismatch on the chosen lane."""
        self._search(lane_search(self.host.loaded, self.host.state), step)

    def action_part(self, step: int) -> None:
        """Next or previous mismatch on the part at hand."""
        self._search(part_search(self.host.loaded, self.host.state), step)

    def action_address(self, step: int) -> None:
        """Next or previous cycle at this address."""
        host = self.host
        if not host.loaded.source.total:
            return
        row = host.loaded.source.row(host.state.cursor)
        if row.address_unknown:
            host.act(states.say, "This cycle's address is not wholly known.")
        else:
            self._search(address_search(host.loaded, row.address), step)

    def action_origin(self) -> None:
        """To the last write to this cell."""
        host = self.host
        if not host.loaded.source.total:
            return
        writer = host.loaded.source.row(host.state.cursor).writer
        if writer < 0:
            host.act(states.say, "No write to this cell was seen before this cycle.")
        else:
            host.act(states.go_to, writer)

    def action_program(self) -> None:
        """The program beside the cycles; then folded, a line an instruction; then no longer."""
        host = self.host
        if host.program is not None and not host.program.folded:
            host.program.folded = True
            host.fold(host.program)
            return
        if host.program is not None:
            host.program = None
            host.act(states.clear_filter)
        else:
            made = ProgramView(host.loaded.source, getattr(host.loaded.session, "symbols", None))
            if made.none_because:
                host.act(states.say, made.none_because)
                return
            host.program = made
        self.show(host.loaded, host.state)

    def action_derailed(self) -> None:
        """To the read with which the machine left its road, where it did."""
        program = self.host.loaded.session.result.program
        if program is None or program.derailed is None:
            self.host.act(states.say, "The program did not leave its road, as far as it was followed.")
            return
        self.host.act(states.go_to, program.derailed.cycle)
        self.host.act(states.say, plain(program.derailed.sentence, 800), "wrong")

    def action_back(self) -> None:
        """To where the last jump came from."""
        self.host.act(states.go_back)

    def action_choose_lane(self, lane: int) -> None:
        """Choose a lane, or none if it is chosen already."""
        host = self.host
        bits = host.loaded.source.facts.data_bits
        if lane >= bits:
            host.act(states.say, f"This bus has data lanes D0 to D{bits - 1}.")
        else:
            host.act(states.select_lane, None if host.state.lane == lane else lane)

    def action_go(self) -> None:
        """Ask where to go."""
        self.app.push_screen(GoDialog(self.host.loaded.source.facts), self._gone)

    def _gone(self, text: str | None) -> None:
        if not text:
            return
        host = self.host
        source = host.loaded.source
        try:
            kind, value = parse_place(text, source.facts.tick_fs, source.facts.address_bits)
        except UsageError as error:
            host.act(states.say, str(error), "wrong")
            return
        if not source.total:
            host.act(states.say, "The capture holds no cycles.")
        elif kind == "time":
            host.act(states.go_to, source.at_time(value))
        elif kind == "cycle":
            host.act(states.go_to, value)
            if value >= source.total:
                host.act(states.say, f"The last cycle is #{source.total - 1}.")
        else:
            wanted = address_search(host.loaded, value)
            host.search(find_around(source, wanted.match, host.state.cursor + 1), wanted.nothing.replace("{} ", ""))

    def action_filter(self) -> None:
        """Ask what to show."""
        state = self.host.state
        present = state.lifted[0] if state.lifted is not None else state.filter
        self.app.push_screen(FilterDialog(self.host.loaded.source.facts, present), self._filtered)

    def _filtered(self, wanted: Filter | None) -> None:
        if wanted is None:
            return
        if wanted.empty:
            self.host.act(states.clear_filter)
        else:
            self.host.select(wanted)


def _direction(step: int) -> str:
    return "later" if step > 0 else "earlier"
