"""Slow twin of the dump reader: words, dicts and strings, nothing shared with it.

Rules from IEEE 1364-2005 clause 18; ``$dumpoff`` as 18.1.3 has it.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class TwinResult:
    """rows: (time, one letter of 0 1 x a line); gaps: (start, end); end: the last time stamp."""

    rows: list[tuple[int, str]] = field(default_factory=list)
    gaps: list[tuple[int, int]] = field(default_factory=list)
    end: int = 0


def extend(digits: str, size: int) -> str:
    """Table 18-1: a leading 1 or 0 is extended with 0, x with x, z with z; too long keeps the low digits."""
    lead = {"1": "0", "0": "0"}.get(digits[0], digits[0])
    return (lead * size + digits)[-size:].lower().replace("z", "x")


def read_header(text: str) -> tuple[dict[str, int | None], list[tuple[str, int] | None], str]:
    """(bits of each code, the lines in order of declaration, the body) of a whole dump that is legal."""
    sizes: dict[str, int | None] = {}
    lines: list[tuple[str, int] | None] = []
    shown: set[tuple[str, str]] = set()
    words = iter(_words(text))
    for word in words:
        section = list(iter(lambda: next(words), "$end"))
        if word == "$enddefinitions":
            break
        if word == "$var":
            kind, digits, code = section[:3]
            size = None if kind in ("real", "realtime", "event", "string") else int(digits)
            sizes[code] = sizes.get(code) or size
            if (code, "".join(section[3:])) not in shown:  # the same net under the same name is one channel
                lines += [(code, bit) for bit in range(size or 0)]
            if size:
                shown.add((code, "".join(section[3:])))
    return sizes, lines, " ".join(words)


def _words(text: str) -> list[str]:
    """Words as the C library parts them; ``str.split`` would part at other characters too."""
    return [word.decode("latin-1") for word in text.encode("latin-1").split()]


def read_body(text: str, sizes: dict[str, int | None], lines: list[tuple[str, int] | None]) -> TwinResult:
    """Rows of a body. ``sizes``: bits of each code, None = not a level. ``lines[k]``: (code, bit from the right)."""
    result = TwinResult()
    values: dict[str, str] = {code: "x" * size for code, size in sizes.items() if size}
    given: set[str] = set()
    shown: str | None = None
    off: int | None = None
    now = 0
    forced = False

    def close_time() -> None:
        nonlocal shown, forced
        row = "".join("x" if line is None else values[line[0]][-1 - line[1]] for line in lines)
        touched = any(line is not None and line[0] in given for line in lines)
        if forced or (touched and row != shown):
            result.rows.append((now, row))
            shown = row
        forced = False

    words = _words(text)
    i = 0
    while i < len(words):
        word = words[i]
        i += 1
        if word == "$dumpoff":
            values = {code: "x" * len(value) for code, value in values.items()}
            off = now if off is None else off
            forced = True
        elif word == "$dumpon":
            if off is not None and now > off:
                result.gaps.append((off, now))
            off = None
            forced = True
        elif word in ("$dumpvars", "$dumpall", "$end"):
            pass
        elif word[0] == "$":
            while words[i] != "$end":
                i += 1
            i += 1
        elif word[0] == "#":
            if int(word[1:]) > now:
                close_time()
                now = int(word[1:])
        else:
            if word[0] in "bBrRsS":
                digits, code = word[1:], words[i]
                i += 1
            else:
                digits, code = word[0], word[1:]
            if word[0] not in "rRsS" and sizes[code]:
                values[code] = extend(digits, sizes[code] or 0)
                given.add(code)
    close_time()
    if off is not None and now > off:
        result.gaps.append((off, now))
    result.end = now
    return result
