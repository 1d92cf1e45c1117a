"""Passes of a run of independently written CPU cores, split into halves of the lines, become one capture again."""

from __future__ import annotations

import re

import pytest

from busledger.decoder.bus import KIND_NAMES, Kind
from busledger.decoder.pipeline import Request, join_captures, match_captures, open_run
from tests.analyser import sample_again
from tests.shared_captures import SharedCapture, each_shared


def is_clean(capture: SharedCapture) -> bool:
    """Every change, of a run without a fault."""
    return "events" in capture.file and capture.fault["component"] is None


def line(name: str) -> tuple[str, int]:
    match = re.fullmatch(r"(addr|data)\[(\d+)\]", name)
    return (match[1], int(match[2])) if match else (name, -1)


@pytest.mark.parametrize("shared", [4, 0], ids=["four address lines shared", "strobes shared only"])
@pytest.mark.parametrize("capture", each_shared(is_clean))
def test_two_passes_with_their_own_skew_and_start_join_to_what_the_memory_served(capture, shared, tmp_path):
    addresses = tmp_path / "addresses.vcd"
    data = tmp_path / "data.vcd"
    sample_again(capture.path, addresses, keep=lambda n: line(n)[0] != "data" and not n.startswith("cs"),
                 start_ns=7_000, rate_hz=24e6, seed=1)  # fmt: skip
    sample_again(capture.path, data, keep=lambda n: not n.startswith("cs")
                 and (line(n)[0] != "addr" or line(n)[1] < shared), start_ns=9_300, rate_hz=24e6, seed=2)  # fmt: skip
    whole = tmp_path / "whole.vcd"
    with whole.open("wb") as out:
        result = join_captures(
            Request(capture="", board=capture.board), [str(addresses), str(data)], str(whole), out.write
        )
    assert result.share >= 0.99

    run = open_run(Request(capture=whole, board=capture.board))
    got = []
    for block in run.blocks():
        c = block.cycles
        for i in range(len(c)):
            if c.kind[i] not in (Kind.IDLE, Kind.REFRESH):
                unknown = int(c.address_unknown[i]) | int(c.data_unknown[i] & 0xFF)
                got.append((KIND_NAMES[c.kind[i]], int(c.address[i]), int(c.data[i]), unknown))
    truth = [entry[1:] for entry in capture.truth()]
    start = next(k for k in range(64) if all(g[:2] == t[:2] for g, t in zip(got[:500], truth[k:], strict=False)))
    pairs = list(zip(got, truth[start:], strict=False))
    assert all(g[:3] == t for g, t in pairs if not g[3])
    assert sum(not g[3] for g, _ in pairs) >= 0.99 * len(pairs)


@pytest.mark.parametrize("good", each_shared(lambda c: is_clean(c) and c.folder.name.startswith("z80")))
def test_a_good_run_against_a_bad_one_parts_at_the_first_wrong_read(good):
    bad = SharedCapture(good.folder.with_name("z80-stuck-lane"), good.file)
    result = match_captures(Request(capture="", board=bad.board), str(good.path), str(bad.path))
    assert result.first is not None
    assert (result.first.cause, result.first.region, result.first.lanes) == ("wrong-read", "bank1", ("D5",))
    assert next(g for g in result.groups if g.cause == "wrong-read").places == bad.fault["mismatches"]
