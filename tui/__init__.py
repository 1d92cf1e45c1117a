"""All that a person meets in a terminal: the commands and the browser."""

__all__: list[str] = []
