"""Text that came from a file is untrusted: names are shown, never obeyed.

``plain`` makes any string safe for a terminal (no control characters, no
bidirectional overrides); callers that print through rich add
``rich.markup.escape`` or use ``rich.text.Text``; HTML goes through jinja2 with
autoescape.
"""

from __future__ import annotations

import unicodedata

__all__ = ["plain"]

# Categories that move the cursor, hide text or reorder it: control, format,
# surrogate, private use, unassigned, line and paragraph separators.
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def plain(text: str, limit: int = 200) -> str:
    """``text`` with every control or format character written as ``\\xNN`` and cut at ``limit``."""
    if len(text) <= limit and text.isprintable():  # no character of ``_HIDDEN`` is printable
        return text
    shown = []
    for char in text[: limit + 1]:
        if unicodedata.category(char) in _HIDDEN:
            code = ord(char)
            shown.append(f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}")
        else:
            shown.append(char)
    if len(text) > limit:
        return "".join(shown[:limit]) + "…"
    return "".join(shown)
