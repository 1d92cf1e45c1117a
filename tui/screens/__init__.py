"""Screens of the browser: a module each, imported by ```tui.app`` alone, so that commands start without textual."""

__all__: list[str] = []
