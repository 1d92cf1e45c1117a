"""Arguments in ``--help`` without the programming language's types: ``CAPTURE...``, not ``CAPTURE <list[str]>``."""

from __future__ import annotations

from typing import Any

__all__ = ["without_types"]


def without_types(command: Any) -> Any:
    """A command of typer's (with its commands) whose arguments are shown by their names alone; other versions of typer
    show them so by themselves."""
    for parameter in command.params:
        if parameter.param_type_name == "argument":
            many = "..." if parameter.nargs != 1 else ""
            name = f"{parameter.metavar or parameter.name.upper()}{many}"
            shown = name if parameter.required else f"[{name}]"
            parameter.display_type_rich = lambda ctx: None
            parameter._usage_display_name = lambda shown=shown: shown
    for inner in getattr(command, "commands", {}).values():
        without_types(inner)
    return command
