"""One capture bound to a bus and a board: what may be asked for, and what comes of it."""

from __future__ import annotations

import lzma
from dataclasses import replace
from pathlib import Path

import pytest

from busledger.captures_demo import scenarios
from busledger.decoder.errors import BoardError, UsageError
from busledger.decoder.pipeline import Request, cycles_before, open_run, run_check

LOOM = next(s for s in scenarios() if s.name == "loom")
MS = 10**12  # femtoseconds


def cycles_of(request: Request) -> list[tuple[int, int, int]]:
    run = open_run(request)
    try:
        return [
            (int(t), int(a), int(d))
            for block in run.blocks()
            for t, a, d in zip(block.cycles.time, block.cycles.address, block.cycles.data, strict=True)
        ]
    finally:
        run.file.close()


def test_neither_board_nor_bus_is_an_error_that_says_where_to_look():
    with pytest.raises(UsageError, match="busledger profiles"):
        open_run(Request(capture=LOOM.capture))


def test_a_window_of_time_gives_the_same_cycles_as_the_whole_capture_there():
    whole = cycles_of(Request(capture=LOOM.capture, board=LOOM.board))
    part = cycles_of(Request(capture=LOOM.capture, board=LOOM.board, t_from=5 * MS, t_to=10 * MS))
    tick_fs = 1_000_000
    inside = [c for c in whole if 5 * MS <= c[0] * tick_fs <= 10 * MS]
    # The first and the last cycle may be cut by the window's ends.
    assert part[1:-1] == inside[inside.index(part[1]) : inside.index(part[-2]) + 1]
    assert len(inside) - len(part) <= 2


def test_small_blocks_give_the_same_cycles():
    run = open_run(Request(capture=LOOM.capture, board=LOOM.board))
    small = [int(t) for block in run.blocks(block_rows=1000) for t in block.cycles.time]
    run.file.close()
    assert small == [c[0] for c in cycles_of(Request(capture=LOOM.capture, board=LOOM.board))]


@pytest.mark.parametrize(
    ("texts", "told"),
    [
        (("bank0",), "NAME=START-END"),
        (("bank0=43FF-4000",), "ends before it starts"),
        (("a=4000-43FF", "b=4200-45FF"), "overlap at 4200"),
    ],
)
def test_a_region_that_cannot_be_is_explained(texts, told):
    with pytest.raises(UsageError, match=told):
        open_run(Request(capture=LOOM.capture, profile="6502", regions=texts))


def test_a_board_file_and_stated_regions_exclude_each_other():
    with pytest.raises(UsageError, match="--region and --board"):
        open_run(Request(capture=LOOM.capture, board=LOOM.board, regions=("a=0000-03FF",)))


def test_without_a_board_the_answer_names_region_and_lane():
    result = run_check(Request(capture=LOOM.capture, profile="6502"))
    assert result.board is None
    assert all(region.inferred for region in result.regions)
    first = result.suspects[0]
    assert (first.component, first.lanes) == (None, ("D3",))


def test_a_window_past_the_end_says_where_the_capture_ends():
    run = open_run(Request(capture=LOOM.capture, board=LOOM.board, t_from=900 * MS))
    with pytest.raises(UsageError, match=r"ends at 22\.\d*ms"):
        list(run.blocks())


def test_a_line_wired_that_neither_bus_nor_board_has_is_an_error_with_the_nearest(tmp_path):
    board = tmp_path / "board.toml"
    board.write_text(
        '[board]\nname = "Loom controller"\nbus = "z80"\n[wiring]\nA00 = "a0"\nADDR0 = "a1"\nMRQE = "m"\n'
        '[[region]]\nname = "work"\nkind = "ram"\nstart = 0x4000\nend = 0x43FF\n'
    )
    with pytest.raises(BoardError) as told:
        open_run(Request(capture="no-such-capture.vcd", board=str(board)))
    assert "[wiring], A00: unknown line; expected a line of the bus or of this board; nearest: A0" in str(told.value)
    assert "[wiring], MRQE: unknown line; expected a line of the bus or of this board; nearest: MREQ" in str(told.value)


def test_an_end_asked_for_after_the_end_of_the_capture_is_told():
    def told(t_to):
        result = run_check(Request(capture=LOOM.capture, board=LOOM.board, t_to=t_to))
        return [note.text for note in result.capture.warnings if note.code == "short-of-to"]

    assert told(20 * MS) == told(None) == []
    (note,) = told(900 * MS)
    assert note.startswith("the capture ends at 22.") and "--to" in note


def _stamped_from(folder: Path, ticks: int) -> str:
    """The beginning of a run with another first stamp, as of an analyser that counts from its own start."""
    with lzma.open(LOOM.capture, "rt") as file:
        lines = file.read().splitlines()[:30_000]
    shifted = [f"#{int(line[1:]) + ticks}" if line.startswith("#") else line for line in lines]
    path = folder / f"from{ticks}.vcd"
    path.write_text("\n".join(shifted) + "\n")
    return str(path)


def test_times_count_from_the_first_stamp_whatever_it_is(tmp_path):
    early, late = (Request(capture=_stamped_from(tmp_path, ticks), profile="6502") for ticks in (0, 7_000_000))
    assert cycles_of(early) == cycles_of(late)
    window = {"t_from": MS // 5, "t_to": MS // 2}
    assert cycles_of(replace(early, **window)) == cycles_of(replace(late, **window)) != []
    run = open_run(late)
    list(run.blocks())
    run.file.close()
    assert any("first stamp is 7ms; times are counted from there" in note.text for note in run.notes())


def test_the_cycles_before_a_window_are_counted(tmp_path):
    asked = Request(capture=_stamped_from(tmp_path, 5000), profile="6502", t_from=MS // 5)
    whole = cycles_of(replace(asked, t_from=None))
    first = cycles_of(asked)[0]
    assert cycles_before(asked, first[0] * 1_000_000) == whole.index(first) > 100
    assert cycles_before(replace(asked, capture="-"), 10) == 0
