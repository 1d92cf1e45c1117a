"""One of numba's functions in whose place another stands, which still knows it."""

from __future__ import annotations

from collections.abc import Callable
from inspect import getattr_static
from typing import Any

__all__ = ["put_instead"]


def put_instead(owner: Any, name: str, make: Callable[[Any], Any]) -> None:
    """Put what ``make`` makes of ``owner``'s function ``name`` in its place: once, and only where there is one.

    The new one has the old one as ``instead_of``; of a class method both are its plain function.
    """
    held = getattr_static(owner, name, None)
    of_class = isinstance(held, classmethod)
    old = held.__func__ if of_class else held
    if old is None or hasattr(old, "instead_of"):
        return
    new = make(old)
    new.instead_of = old
    setattr(owner, name, classmethod(new) if of_class else new)
