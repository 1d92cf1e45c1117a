"""A result that ``check --json`` printed, read back from its file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from busledger.decoder.errors import UsageError
from busledger.decoder.text import plain

__all__ = ["saved_result"]

_LARGEST = 64 << 20  # bytes: a result is some kilobytes; what is larger is something else


def saved_result(path: Path) -> dict[str, Any]:
    """The JSON object in ``path``.

    Raises
    ------
    UsageError
        it cannot be read, or holds no JSON object.
    """
    where = plain(str(path))
    expected = "what 'busledger check --json' printed earlier"
    try:
        if path.stat().st_size > _LARGEST:
            raise UsageError("this file is too large for a result", where=where, expected=expected)
        found = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(f"cannot read it: {error.strerror or error}", where=where, expected=expected) from error
    except (ValueError, RecursionError) as error:
        raise UsageError(f"this is no JSON ({plain(str(error))})", where=where, expected=expected) from error
    if not isinstance(found, dict):
        raise UsageError("this is no result", where=where, expected=expected)
    if found.get("schema") != "busledger.check/1":
        raise UsageError("this is no result of a check: it has no schema busledger.check/1", where=where,
                         expected=expected)  # fmt: skip
    lacking = [key for key in ("capture", "cycles", "regions", "suspects") if key not in found]
    if lacking:
        raise UsageError(f"this result is not whole: it has no {lacking[0]!r}", where=where, expected=expected,
                         hint="Print it anew: busledger check CAPTURE --board FILE --json > before.json")  # fmt: skip
    return found
