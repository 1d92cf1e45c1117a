"""One short file a command: arguments in, engine called, report out. The only place that imports typer."""

__all__: list[str] = []
