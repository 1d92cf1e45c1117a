"""Regions, and what is left out of them, as they are stated on the command line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise

from busledger.decoder.board import Region
from busledger.decoder.errors import UsageError

__all__ = ["left_out", "parse_regions"]

_RANGE = re.compile(r"\s*(?:0x|\$)?([0-9A-Fa-f]+)\s*-\s*(?:0x|\$)?([0-9A-Fa-f]+)\s*")


def left_out(ignored: Sequence[str], devices: Sequence[str]) -> list[Region]:
    """What ``--ignore`` and ``--device`` name (``9000-903F``), as regions that are listed and not compared.

    Raises
    ------
    UsageError
        a range that cannot be read, or that ends before it starts.
    """
    found = []
    for option, name, texts in (("--ignore", "ignored", ignored), ("--device", "device", devices)):
        for text in texts:
            match = _RANGE.fullmatch(text)
            if match is None:
                raise UsageError(
                    f"cannot read {text!r} after {option}",
                    expected="START-END in hexadecimal, both included, such as 9000-903F",
                )
            start, end = int(match[1], 16), int(match[2], 16)
            if end < start:
                raise UsageError(f"the range after {option} ends before it starts: {start:04X}-{end:04X}")
            found.append(Region(name=f"{name} {start:04X}-{end:04X}", start=start, end=end, kind="io"))
    return found


_REGION = re.compile(r"\s*([^=]+?)\s*=\s*(?:0x|\$)?([0-9A-Fa-f]+)\s*-\s*(?:0x|\$)?([0-9A-Fa-f]+)\s*")


def parse_regions(texts: Sequence[str]) -> list[Region]:
    """Regions from ``NAME=4000-43FF`` texts, both ends included, hexadecimal."""
    found = []
    for text in texts:
        match = _REGION.fullmatch(text)
        if match is None:
            raise UsageError(
                f"cannot read the region {text!r}", expected="NAME=START-END in hexadecimal, such as bank0=4000-43FF"
            )
        start, end = int(match[2], 16), int(match[3], 16)
        if end < start:
            raise UsageError(f"region {match[1]!r} ends before it starts: {start:04X}-{end:04X}")
        found.append(Region(name=match[1], start=start, end=end, kind="ram"))
    ordered = sorted(found, key=lambda r: r.start)
    for low, high in pairwise(ordered):
        if high.start <= low.end:
            raise UsageError(f"regions {low.name!r} and {high.name!r} overlap at {high.start:04X}")
    return found
