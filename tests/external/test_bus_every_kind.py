"""Every kind of cycle of every profile stands in at least one diagram drawn by hand.

The drawings are the tests of the modules below, each of which names its figure; they are run again here, once, to
see which kinds they decode to and assert.
"""

from __future__ import annotations

import inspect
import itertools
from collections import defaultdict
from collections.abc import Iterator
from typing import Any

import pytest

from busledger.decoder.bus import KIND_NAMES, load_profile, profile_names
from tests.external import (
    test_bus_backplanes,
    test_bus_clocked,
    test_bus_grants,
    test_bus_intel,
    test_bus_others,
    waveform,
)

DRAWINGS = (test_bus_backplanes, test_bus_clocked, test_bus_grants, test_bus_intel, test_bus_others)


@pytest.fixture(scope="module")
def drawn() -> dict[str, set[str]]:
    """Profile → the kinds its drawings decode to."""
    found: dict[str, set[str]] = defaultdict(set)

    def told_once(wave: waveform.Wave, profile: str, grid_ns: float = 0.0, seeds: tuple[int, ...] = (), **how: Any):
        cycles, _ = wave.decode(profile)
        found[profile].update(KIND_NAMES[kind] for kind in set(cycles.kind.tolist()))
        return waveform.told(cycles, **how)

    with pytest.MonkeyPatch.context() as patch:
        for module in DRAWINGS:
            patch.setattr(module, "both", told_once)
            for draw in _drawings(module):
                draw()
    return found


def _drawings(module: Any) -> Iterator[Any]:
    """Each test of a module, ready to be called, with the values it is given."""
    for name, function in inspect.getmembers(module, inspect.isfunction):
        if not name.startswith("test_") or function.__module__ != module.__name__:
            continue
        marks = [m for m in getattr(function, "pytestmark", []) if m.name == "parametrize"]
        for given in itertools.product(*(list(_given(mark)) for mark in marks)):
            named = {name: value for one in given for name, value in one.items()}
            yield lambda function=function, named=named: function(**named)


def _given(mark: Any) -> Iterator[dict[str, Any]]:
    """What one mark hands to the test, each time."""
    names, values = mark.args
    names = [name.strip() for name in names.split(",")] if isinstance(names, str) else list(names)
    for value in values:
        yield dict(zip(names, value if len(names) > 1 else (value,), strict=True))


@pytest.mark.parametrize("name", profile_names())
def test_every_kind_is_drawn(drawn: dict[str, set[str]], name: str) -> None:
    assert drawn[name] == set(load_profile(name).kinds)
