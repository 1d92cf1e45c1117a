"""One TOML file a bus; ``busledger.decoder.bus`` reads them, ``WRITING.md`` tells how to write one."""

__all__: list[str] = []
