"""Data classes whose methods are compiled when first called.

``dataclasses`` writes each class's ``__repr__``, ``__eq__``, ``__hash__``, ``__setattr__`` and the like as text and has
Python compile each by itself: of two hundred classes a twentieth of the start, for methods of which hardly any is ever
called. Here the same text waits for its first call; ``__init__``, which is called, is compiled at once.

From Python 3.13 on a class's methods are compiled together, and nothing is changed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

__all__ = ["compile_methods_later"]


def compile_methods_later() -> None:
    """From now on, for this process."""
    create = getattr(dataclasses, "_create_fn", None)
    if create is not None and not hasattr(create, "instead_of"):
        dataclasses._create_fn = _creating_later(create)  # type: ignore[attr-defined]


def _creating_later(create: Any) -> Callable[..., Any]:
    def create_fn(name: str, args: Any, body: Any, **rest: Any) -> Any:
        if name == "__init__":
            return create(name, args, body, **rest)
        made: list[Any] = []

        def method(*given: Any) -> Any:
            if not made:
                made.append(create(name, args, body, **rest))
            return made[0](*given)

        method.__name__ = name
        return method

    create_fn.instead_of = create  # type: ignore[attr-defined]
    return create_fn
