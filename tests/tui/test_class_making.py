"""Data classes whose methods wait for their first call do what Python's own do."""

from __future__ import annotations

import dataclasses
import pickle
from collections.abc import Iterator
from dataclasses import FrozenInstanceError, dataclass, field
from typing import Any

import pytest

from busledger.tui.class_making import compile_methods_later

_PYTHONS_OWN = getattr(dataclasses, "_create_fn", None)


@pytest.fixture(autouse=True)
def _for_one_test() -> Iterator[None]:
    compile_methods_later()
    yield
    if _PYTHONS_OWN is not None:
        dataclasses._create_fn = _PYTHONS_OWN  # type: ignore[attr-defined]


def _made(**options: Any) -> Any:
    @dataclass(**options)
    class Line:
        """A line of a bus."""

        name: str
        level: int = 0
        seen: list[int] = field(default_factory=list, hash=False)

    return Line


@pytest.mark.parametrize("slots", [False, True])
def test_a_frozen_one_compares_hashes_shows_itself_and_stays_as_it_is(slots: bool) -> None:
    line = _made(frozen=True, slots=slots)
    one, same, other = line("A3", 1), line("A3", 1), line("A4")
    assert one == same != other
    assert hash(one) == hash(same) == hash(("A3", 1))
    assert repr(one).endswith("Line(name='A3', level=1, seen=[])")
    assert one != ("A3", 1, [])
    with pytest.raises(FrozenInstanceError, match="cannot assign to field 'level'"):
        one.level = 0
    with pytest.raises(FrozenInstanceError, match="cannot delete field 'level'"):
        del one.level
    assert dataclasses.replace(one, level=2) == line("A3", 2)
    assert dataclasses.asdict(one) == {"name": "A3", "level": 1, "seen": []}


def test_an_ordered_one_is_sorted_by_its_fields() -> None:
    line = _made(order=True)
    assert sorted([line("B"), line("A", 2), line("A", 1)]) == [line("A", 1), line("A", 2), line("B")]
    with pytest.raises(TypeError):
        line("A") < 3  # noqa: B015


def test_one_that_is_not_frozen_has_no_hash_and_may_be_changed() -> None:
    one = _made()("A3")
    one.level = 1
    assert repr(one).endswith("Line(name='A3', level=1, seen=[])")
    with pytest.raises(TypeError, match="unhashable"):
        hash(one)


def test_two_classes_of_a_family_are_not_taken_for_each_other() -> None:
    line = _made(frozen=True)

    @dataclass(frozen=True)
    class Strobe(line):  # type: ignore[misc]
        low: bool = True

    assert Strobe("RD") != line("RD")
    assert Strobe("RD") == Strobe("RD")
    with pytest.raises(FrozenInstanceError):
        Strobe("RD").low = False
    with pytest.raises(FrozenInstanceError):
        Strobe("RD").name = "WR"


@dataclass(frozen=True, slots=True)
class _Kept:
    name: str


def test_one_can_be_pickled() -> None:
    assert pickle.loads(pickle.dumps(_Kept("A3"))) == _Kept("A3")


def test_asked_twice_nothing_is_laid_over_itself() -> None:
    before = getattr(dataclasses, "_create_fn", None)
    compile_methods_later()
    assert getattr(dataclasses, "_create_fn", None) is before
