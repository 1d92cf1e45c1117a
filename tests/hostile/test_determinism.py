"""The same input gives the same bytes of JSON: in blocks of any size, packed or not, on one core and on two."""

from __future__ import annotations

import bz2
import gzip
import json
import lzma
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import busledger.decoder.pipeline.run as run_module
from busledger.decoder.pipeline import Request, run_check
from tests.hostile.small import BOARD, dump

DEMO = Path(__file__).parents[2] / "captures_demo"


@pytest.fixture(scope="module")
def cards(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[bytes, Path]]:
    """Bytes and board file of a good small capture, of a failing one, and of one that was cut."""
    folder = tmp_path_factory.mktemp("cards")
    board = folder / "card.toml"
    board.write_text(BOARD)
    failing = dump(wrong_lane=2).encode()
    return {"good": (dump().encode(), board), "failing": (failing, board), "cut": (failing[:-700], board)}


def _json(path: Path, board: Path | None) -> str:
    request = Request(path, board=board) if board is not None else Request(path, profile="6502")
    found = json.loads(run_check(request).to_json())
    found["capture"]["path"] = "the capture"
    return json.dumps(found)


@settings(
    max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None
)
@given(
    name=st.sampled_from(["good", "failing", "cut"]),
    inferred=st.booleans(),
    rows=st.integers(3, 600),
    piece=st.integers(60, 5000),
    pack=st.sampled_from([None, gzip.compress, bz2.compress, lzma.compress, zstandard.ZstdCompressor().compress]),
)
def test_blocks_pieces_and_packing_change_nothing(
    cards: dict[str, tuple[bytes, Path]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    inferred: bool,
    rows: int,
    piece: int,
    pack: Callable[[bytes], bytes] | None,
) -> None:
    data, board = cards[name]
    given_board = None if inferred else board
    plain = tmp_path / "plain.vcd"
    plain.write_bytes(data)
    whole = _json(plain, given_board)
    other = tmp_path / "other.bin"
    other.write_bytes(data if pack is None else pack(data))
    blocks, opened = run_module.Run.blocks, run_module.open_capture

    def in_pieces(*arguments: object, **options: object) -> object:
        file = opened(*arguments, **options)  # type: ignore[arg-type]
        file.piece_bytes = piece
        return file

    with monkeypatch.context() as patch:
        patch.setattr(run_module.Run, "blocks", lambda self: blocks(self, rows))
        patch.setattr(run_module, "open_capture", in_pieces)
        assert _json(other, given_board) == whole


def test_one_core_or_two_repeated_runs_and_any_hash_seed_change_nothing() -> None:
    code = (
        "import os, sys\n"
        "if sys.argv[1] == '1' and hasattr(os, 'sched_setaffinity'):\n"
        "    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})\n"
        "from busledger.tui.commands.main import main\n"
        "sys.exit(main(['check', sys.argv[2], '--board', sys.argv[3], '--json']))\n"
    )
    folder = DEMO / "loom"
    arguments = [str(folder / "capture.vcd.xz"), str(folder / "board.toml")]
    runs = []
    for cores, seed in (("1", "1"), ("2", "2"), ("2", "3")):
        found = subprocess.run(
            [sys.executable, "-c", code, cores, *arguments],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            cwd=DEMO.parent,
        )
        assert found.returncode == 1 and found.stderr == b""
        runs.append(found.stdout)
    assert runs[0] == runs[1] == runs[2]
    assert json.loads(runs[0])["mismatch_total"] > 0
