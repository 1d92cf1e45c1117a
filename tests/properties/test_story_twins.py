"""The rivals' kernels over whole captures equal their slow twins."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.rivals import banks_kernel, story_kernel
from busledger.decoder.diagnosis.rivals.arrays import BecameOf, CellMemory, StoryRows
from tests.reference.story_twin import Access, StoryTwin, either, folded

CELLS = 5
TOOK = ["no test", "took", "stayed", "neither", "to and fro"]
REPEAT = ["first", "same", "other"]
FOLD = ["-", "hit", "miss", "other", "first"]

# Few cells and few values, so that everything meets; a read is compared on some lanes and wrong on some of them.
access = st.builds(
    lambda cell, write, data, compared, wrong: Access(
        cell, write, data, 0 if write else compared, 0 if write else compared & wrong
    ),
    st.integers(0, CELLS - 1),
    st.booleans(),
    st.integers(0, 7),
    st.sampled_from([0, 3, 7]),
    st.sampled_from([0, 0, 1, 7]),
)
stories = st.lists(access, max_size=60)


def columns(accesses):
    full = np.full(len(accesses), 7, np.uint32)
    return {
        "cell": np.array([a.cell for a in accesses], np.int32),
        "is_write": np.array([a.write for a in accesses], np.bool_),
        "data": np.array([a.data for a in accesses], np.uint32),
        "sure": full,
        "lanes": full,
        "compared": np.array([a.compared for a in accesses], np.uint32),
        "wrong": np.array([a.wrong for a in accesses], np.uint32),
    }


@settings(max_examples=80)
@given(stories)
def test_what_became_of_each_cell_equals_twin(accesses):
    rows, n = columns(accesses), len(accesses)
    took, repeat, older = (np.zeros(n, np.uint8) for _ in range(3))
    since = np.zeros(n, np.int64)
    held, count = np.zeros((CELLS, 3), np.uint32), np.zeros(CELLS, np.int8)
    words = (np.zeros(CELLS, np.uint32) for _ in range(4))
    memory = CellMemory(held, count, *words, np.zeros(CELLS, np.uint8), np.full(CELLS, -1, np.int64))
    story_kernel.tell(StoryRows(**rows), memory, BecameOf(took, repeat, older, since))
    twin = StoryTwin(held=3)
    got = [(TOOK[t], REPEAT[r], int(o), int(s)) for t, r, o, s in zip(took, repeat, older, since, strict=True)]
    assert got == [twin.tell(k, a) for k, a in enumerate(accesses)]


@settings(max_examples=60)
@given(stories, st.lists(st.integers(-1, CELLS - 1), min_size=CELLS, max_size=CELLS))
def test_folded_memory_equals_twin(accesses, target):
    rows = columns(accesses)
    memory, known = np.zeros(CELLS, np.uint32), np.zeros(CELLS, np.uint32)
    said = np.zeros(len(accesses), np.uint8)
    story_kernel.folded(*rows.values(), np.array(target, np.int32), memory, known, said)
    assert [FOLD[v] for v in said] == folded(accesses, target)


@settings(max_examples=60)
@given(stories, st.integers(0, 20), st.lists(st.integers(-1, CELLS - 1), min_size=CELLS, max_size=CELLS))
def test_either_side_of_a_line_equals_twin(accesses, first, partner):
    rows = columns(accesses)
    del rows["lanes"]
    hit, open_ = (np.zeros(len(accesses), np.uint8) for _ in range(2))
    held, count = np.zeros((CELLS, 3), np.uint32), np.zeros(CELLS, np.int8)
    story_kernel.either(*rows.values(), first, np.array(partner, np.int32), held, count, hit, open_)
    assert list(zip(hit.tolist(), open_.tolist(), strict=True)) == either(accesses, first, partner, 3)


@settings(max_examples=40)
@given(stories)
def test_a_followed_bank_never_contradicts_itself(accesses):
    """Whatever is read, every read is told: by a bank that agrees, by a switch, by learning, or as odd."""
    rows, n = columns(accesses), len(accesses)
    bank, said = np.zeros(n, np.int8), np.zeros(n, np.uint8)
    content, known = (np.zeros((banks_kernel.MOST_BANKS, CELLS), np.uint32) for _ in range(2))
    inside = rows["cell"] < CELLS - 1
    used = banks_kernel.follow(
        rows["cell"], rows["is_write"], rows["data"], rows["sure"], rows["lanes"], inside, content, known,
        np.zeros(CELLS, np.int32), np.empty((banks_kernel.PENDING, banks_kernel.WAITS), np.uint32), bank, said,
    )  # fmt: skip
    read = inside & ~rows["is_write"]
    assert ((said != banks_kernel.SILENT) == read).all()
    assert bank.max(initial=0) < used <= banks_kernel.MOST_BANKS
