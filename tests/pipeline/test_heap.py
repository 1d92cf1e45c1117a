"""The allocator is asked to keep what is let go of, where there is one that can be asked."""

from __future__ import annotations

import ctypes

import pytest

from busledger.decoder import heap
from busledger.decoder.heap import fresh_memory, keep_memory


def test_the_answer_is_that_of_the_allocator(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[int, int]] = []

    class Library:
        @staticmethod
        def mallopt(what: int, value: int) -> int:
            asked.append((what, value))
            return 1

    monkeypatch.setattr(ctypes, "CDLL", lambda name: Library())
    assert keep_memory()
    assert [what for what, _ in asked] == [-3, -1]  # M_MMAP_THRESHOLD and M_TRIM_THRESHOLD of mallopt(3)


def test_where_there_is_no_such_allocator_nothing_happens(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda name: object())
    assert not keep_memory()


@pytest.mark.parametrize("used", [0, 5000, 1 << 30])
@pytest.mark.parametrize("advice", [23, 9999])  # one that systems without it refuse
def test_fresh_memory_is_clear_and_writable_however_it_is_fetched(
    monkeypatch: pytest.MonkeyPatch, used: int, advice: int
) -> None:
    monkeypatch.setattr(heap, "_POPULATE_WRITE", advice)
    memory = fresh_memory(100_000, used)
    assert len(memory) == 100_000 and not any(memory[:])
    memory[99_999] = 1
    assert memory[99_999] == 1
