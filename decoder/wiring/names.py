"""The trade's ways of writing a line's name, brought to one form.

``/WR``, ``WR_n``, ``nWR``, ``WR#``, ``~WR``, ``WR*``, ``!WR``, ``WR_L`` are all WR;
``A[3]``, ``A3``, ``addr3``, ``A(3)``, ``A_3`` are all A3, and ``AD3`` may be A3 or D3 too.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

__all__ = ["canonical", "ranges_text"]

_GREEK = {"Φ": "PHI", "φ": "PHI", "ϕ": "PHI", "Ø": "PHI", "ø": "PHI"}
_INDEXED = re.compile(r"^([A-Z_/\-\s.]*?[A-Z])[\s_]*[\[(<{]?\s*(\d+)\s*[\])>}]?$")
# Words for address, data and a bus that carries both, each with the short forms tried, best first.
_STEMS = {
    "A": ("A",),
    "AB": ("A", "AB"),
    "ADR": ("A", "ADR"),
    "ADDR": ("A",),
    "ADDRESS": ("A",),
    "ABUS": ("A",),
    "ADDRBUS": ("A",),
    "ADDRESSBUS": ("A",),
    "D": ("D",),
    "DB": ("D", "DB"),
    "DQ": ("D", "DQ"),
    "DAT": ("D", "DAT"),
    "DATA": ("D",),
    "DBUS": ("D",),
    "DATABUS": ("D",),
    "IO": ("D", "IO"),
    "AD": ("AD", "A", "D"),
    "DIN": ("DI", "DIN"),
    "DOUT": ("DO", "DOUT"),
    "PH": ("PHI", "PH"),
}
_MARKS_BEFORE = re.compile(r"^[/~!\-\\#*]+")
_MARKS_AFTER = re.compile(r"(?:[#*~\\!/'\-]+|_+(?:N|L|B|BAR|NEG|X))$")


def canonical(name: str) -> list[str]:
    """Line names, upper case, that a channel called ``name`` may mean; the likeliest first.

    A name is its own first candidate once marks for "active low" are off; a bare N or L that
    might be such a mark is tried both ways (NRDS is a line, nRD is RD).
    """
    return list(_canonical(name))


@lru_cache(maxsize=1024)  # a channel is asked for as often as there are tables of lines
def _canonical(name: str) -> tuple[str, ...]:
    text = "".join(_GREEK.get(char, char) for char in name).strip()
    found: list[str] = []
    for variant in dict.fromkeys([text, text.rsplit(".", 1)[-1] if "." in text else text]):
        lower_n = bool(re.match(r"^n_?[A-Z]", variant))
        for core in _unmarked(variant.upper(), lower_n):
            found.extend(_forms(core))
    return tuple(form for form in dict.fromkeys(found) if form)


def _unmarked(text: str, lower_n: bool) -> list[str]:
    """``text`` without marks; second, without an N that may be one."""
    core = _MARKS_BEFORE.sub("", text.strip())
    while True:
        shorter = _MARKS_AFTER.sub("", core).strip()
        if shorter == core or not shorter:
            break
        core = shorter
    without = re.sub(r"^N_?(?=[A-Z])", "", core) if re.match(r"^N_?[A-Z]", core) else core
    back = re.sub(r"(?<=[A-Z0-9])N$", "", core)
    whole = _MARKS_BEFORE.sub("", text.strip())
    order = [without, core, back, whole] if lower_n else [core, without, back, whole]
    return list(dict.fromkeys(order))


def _forms(core: str) -> list[str]:
    match = _INDEXED.match(core)
    if match:
        stem, index = re.sub(r"[^A-Z]", "", match.group(1)), int(match.group(2))
        stems = (*_STEMS.get(stem, (stem,)), stem)
        return [f"{s}{index}" for s in dict.fromkeys(stems)]
    return [re.sub(r"[^A-Z0-9]", "", core)]


def ranges_text(names: Sequence[str]) -> str:
    """Names with runs drawn together: A0, A1, A2, RW → "A0-A2, RW"."""
    runs: list[list[tuple[str, int | None]]] = []
    for name in names:
        match = re.match(r"^(.*?)(\d+)$", name)
        stem, number = (match.group(1), int(match.group(2))) if match else (name, None)
        last = runs[-1][-1] if runs else ("", None)
        if number is not None and last[1] is not None and last == (stem, number - 1):
            runs[-1].append((stem, number))
        else:
            runs.append([(stem, number)])
    shown = []
    for run in runs:
        first, last = run[0], run[-1]
        text = f"{first[0]}{'' if first[1] is None else first[1]}"
        shown.append(text if len(run) == 1 else f"{text}-{last[0]}{last[1]}")
    return ", ".join(shown)
