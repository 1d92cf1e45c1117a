"""Raw samples: words of a sampler, held against the same levels written as a dump (IEEE 1364-2005, clause 18)."""

from __future__ import annotations

import json
import random
from pathlib import Path

import numpy as np
import pytest

from busledger.decoder.capture import RawFormat, channel_names, open_capture
from busledger.decoder.errors import UsageError
from busledger.tui.commands.main import main

SCENARIO = Path(__file__).parents[2] / "captures_demo" / "tide_gauge"
NAMES = tuple(f"CH{k}" for k in range(12))


def _dump(samples: list[int], tick_ps: list[int]) -> bytes:
    """The same levels as a VCD with a tick of 1 ps."""
    out = ["$timescale 1 ps $end", *(f"$var wire 1 {chr(33 + k)} {n} $end" for k, n in enumerate(NAMES))]
    out.append("$enddefinitions $end")
    held = None
    for word, at in zip(samples, tick_ps, strict=True):
        changed = [k for k in range(len(NAMES)) if held is None or (word ^ held) >> k & 1]
        if changed:
            out += [f"#{at}", *(f"{word >> k & 1}{chr(33 + k)}" for k in changed)]
        held = word
    return ("\n".join([*out, f"#{tick_ps[-1]}"]) + "\n").encode()


@pytest.mark.parametrize(("bits", "piece"), [(16, 1 << 20), (16, 64), (32, 100), (64, 8)])
@pytest.mark.parametrize("rate", [24e6, 1e6, 33.3e6, 7.5])
def test_the_same_levels_as_raw_samples_and_as_a_dump(tmp_path: Path, bits: int, piece: int, rate: float) -> None:
    draw = random.Random(bits + piece)
    samples = [draw.choice((0, 0xABC, 0xFFF, draw.randrange(1 << 12))) for _ in range(300)]
    samples = [word for word in samples for _ in range(draw.randrange(1, 5))]
    form = RawFormat(bits, rate, NAMES)
    (tmp_path / "run.raw").write_bytes(b"".join(word.to_bytes(bits // 8, "little") for word in samples))
    (tmp_path / "run.vcd").write_bytes(_dump(samples, [form.tick_of(k) for k in range(len(samples))]))
    select = [3, 0, -1, 11]
    with open_capture(tmp_path / "run.raw", raw=form) as raw, open_capture(tmp_path / "run.vcd") as dump:
        raw.piece_bytes = piece
        found, wanted = raw.read(select), dump.read(select)
        assert raw.end_time == dump.end_time
        assert raw.notes == []
    for column in ("time", "levels", "unknown"):
        assert np.array_equal(getattr(found, column), getattr(wanted, column)), column


def test_times_stay_exact_after_a_week() -> None:
    """The sample of the 604 800th second at 24 MHz is at that second, to the picosecond."""
    assert RawFormat(16, 24e6, NAMES).tick_of(604_800 * 24_000_000) == 604_800 * 10**12


def test_a_cut_word_is_told_and_left_out(tmp_path: Path) -> None:
    (tmp_path / "cut.raw").write_bytes(b"\1\0\2\0\3")
    with open_capture(tmp_path / "cut.raw", raw=RawFormat(16, 1e6, NAMES)) as file:
        assert len(file.read([0, 1])) == 2
        assert [note.code for note in file.notes] == ["truncated"]


def test_bytes_that_look_packed_are_samples_all_the_same(tmp_path: Path) -> None:
    """1F 8B begins a gzip file (RFC 1952); as a sample it is only a number."""
    (tmp_path / "run.raw").write_bytes(b"\x1f\x8b" * 8)
    with open_capture(tmp_path / "run.raw", raw=RawFormat(16, 1e6, NAMES)) as file:
        assert len(file.read([0])) == 1


def test_names_a_line_with_bits_left_out(tmp_path: Path) -> None:
    (tmp_path / "names").write_text("// clip 1\nA0\n-\n#WR\n\n# nothing here\nD7\n\n", encoding="utf-8")
    assert channel_names(tmp_path / "names") == ("A0", "", "#WR", "", "D7")


@pytest.mark.parametrize(
    ("text", "what"), [("", "names no channel"), ("A0\nA0\n", "two channels"), (None, "cannot be read")]
)
def test_names_that_cannot_be(tmp_path: Path, text: str | None, what: str) -> None:
    if text is not None:
        (tmp_path / "names").write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=what):
        channel_names(tmp_path / "names")


@pytest.mark.parametrize(("bits", "rate", "names"), [(12, 1e6, ("A",)), (8, 0.0, ("A",)), (8, 1e6, NAMES)])
def test_forms_that_cannot_be(bits: int, rate: float, names: tuple[str, ...]) -> None:
    with pytest.raises(UsageError):
        RawFormat(bits, rate, names)


@pytest.fixture(scope="module")
def sampled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo capture again as words of 64 bits, and the names of its channels."""
    folder = tmp_path_factory.mktemp("raw")
    with open_capture(SCENARIO / "capture.vcd.xz") as file:
        names = [signal.name for signal in file.header.signals]
        levels = file.read(range(len(names)))
    rate = 24e6
    assert levels.tick_fs == 10**6
    count = int(levels.time[-1] * 1e-9 * rate) + 2
    at = np.searchsorted(levels.time, np.arange(count) * (1e9 / rate) + 0.5, side="right") - 1
    levels.levels[np.maximum(at, 0), 0].astype("<u8").tofile(folder / "run.raw")
    (folder / "names.txt").write_text("\n".join(names) + "\n", encoding="utf-8")
    return folder


def test_check_names_the_same_part_from_raw_samples(sampled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    raw = ["--raw", "64", "--rate", "24M", "--channels", str(sampled / "names.txt")]
    answers = []
    for line in ([str(SCENARIO / "capture.vcd.xz")], [str(sampled / "run.raw"), *raw]):
        assert main(["check", *line, "--board", str(SCENARIO / "board.toml"), "--json"]) == 1
        answers.append(json.loads(capsys.readouterr().out))
    dump, samples = answers
    assert samples["mismatch_total"] == dump["mismatch_total"] > 0
    first, other = dump["suspects"][0], samples["suspects"][0]
    assert (first["component"], first["fault"], first["lanes"]) == (other["component"], other["fault"], other["lanes"])


@pytest.mark.parametrize("left_out", ["--raw", "--rate", "--channels"])
def test_raw_rate_and_channels_belong_together(
    sampled: Path, left_out: str, capsys: pytest.CaptureFixture[str]
) -> None:
    given = {"--raw": "64", "--rate": "24M", "--channels": str(sampled / "names.txt")}
    del given[left_out]
    line = [word for pair in given.items() for word in pair]
    assert main(["check", str(sampled / "run.raw"), "--board", str(SCENARIO / "board.toml"), *line]) == 2
    assert left_out in capsys.readouterr().err
