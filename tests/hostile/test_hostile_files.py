"""Files made to hurt: endless lines and headers, bombs, paths that lead outside, times beyond all bounds."""

from __future__ import annotations

import bz2
import csv
import gzip
import io
import lzma
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import zstandard

from busledger.decoder.capture import open_capture
from busledger.decoder.errors import CaptureError
from tests.hostile.small import BOARD, Bench, dump

HEAD = b"$timescale 1 ns $end $var wire 1 ! a $end $var wire 8 # b $end $enddefinitions $end\n#0 0! b0 #\n#1 "
PEAK = """
import resource, sys
from busledger.decoder.capture import open_capture
from busledger.decoder.errors import CaptureError
def read(path, stdin=None):
    try:
        with open_capture(path, stdin=stdin) as file:
            for block in file.blocks(range(len(file.header.signals))):
                pass
            return "read"
    except CaptureError as error:
        return error.what
def peak():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
read(sys.argv[1])
before = peak()
said = read("-", sys.stdin.buffer)
print(peak() - before, said)
"""


def _growth(tmp_path: Path, pieces: Iterator[bytes]) -> tuple[int, str]:
    """(megabytes of memory that reading the stream took beyond a small capture, what was said)."""
    small = tmp_path / "small.vcd"
    small.write_text(dump())
    with subprocess.Popen(
        [sys.executable, "-c", PEAK, str(small)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=False
    ) as process:
        assert process.stdin is not None and process.stdout is not None
        try:
            for piece in pieces:
                process.stdin.write(piece)
            process.stdin.close()
        except BrokenPipeError:
            pass  # it has read enough to give up
        grown, _, said = process.stdout.read().decode().partition(" ")
    return int(grown), said.strip()


def test_a_line_without_end(tmp_path: Path) -> None:
    def line() -> Iterator[bytes]:
        yield HEAD
        piece = b"1! b101 # 0! b1 # " * 60_000
        for _ in range((1 << 27) // len(piece)):
            yield piece

    grown, said = _growth(tmp_path, line())
    assert said == "read"
    assert grown < 300


@pytest.mark.parametrize("piece", [b"1" * (1 << 20), b"b" + b"x" * (1 << 20)], ids=["scalar", "vector"])
def test_a_word_without_end(tmp_path: Path, piece: bytes) -> None:
    grown, said = _growth(tmp_path, (HEAD if k == 0 else piece for k in range(64)))
    assert "not a value change" in said or "one word of more than 1 MB" in said
    assert grown < 100


def test_ten_million_variables(tmp_path: Path) -> None:
    def header() -> Iterator[bytes]:
        yield b"$timescale 1 ns $end\n"
        for k in range(0, 10_000_000, 10_000):
            yield b"".join(b"$var wire 1 c%x n%d $end\n" % (j, j) for j in range(k, k + 10_000))
        yield b"$enddefinitions $end\n#0\n#1\n"

    grown, said = _growth(tmp_path, header())
    assert "more than 262144 bits are declared" in said
    assert grown < 300


@pytest.mark.parametrize(
    "pack",
    [gzip.compress, bz2.compress, lambda d: lzma.compress(d, preset=1), zstandard.ZstdCompressor().compress],
    ids=["gzip", "bzip2", "xz", "zstd"],
)
def test_compression_bombs(tmp_path: Path, pack: Callable[[bytes], bytes]) -> None:
    # 128 MB of blanks in some kilobytes, then one word of 32 MB
    small = pack(HEAD) + pack(b" " * (16 << 20)) * 8 + pack(b"\n#5 1!\n")
    grown, said = _growth(tmp_path, iter([small]))
    assert (said, grown < 150) == ("read", True), (said, grown)
    grown, said = _growth(tmp_path, iter([pack(HEAD), pack(b"x" * (32 << 20))]))
    assert ("not a value change" in said or "one word" in said) and grown < 150


@pytest.mark.parametrize("image", ["../secret.bin", "/etc/hostname", "inside/../../secret.bin", "link.bin"])
def test_an_image_outside_the_folder_of_the_board(bench: Bench, image: str) -> None:
    folder = bench.folder / "card"
    folder.mkdir()
    (bench.folder / "secret.bin").write_bytes(bytes(1024))
    (folder / "link.bin").symlink_to(bench.folder / "secret.bin")
    rom = BOARD.replace('kind = "ram"', f'kind = "rom"\nimage = "{image}"').replace('"2114"', '"2708"')
    board = folder / "card.toml"
    board.write_text(rom.split("chips")[0])
    err = bench.refused("check", bench.vcd, "--board", board)
    assert "image" in err and "outside" in err


def test_links_to_outputs_are_followed_and_stay(bench: Bench) -> None:
    (bench.folder / "real").mkdir()
    target, link = bench.folder / "real" / "out.csv", bench.folder / "out.csv"
    target.write_text("old\n")
    link.symlink_to(target)
    assert bench.call("cycles", bench.vcd, "--board", bench.board, "--csv", link)[0] == 0
    assert link.is_symlink() and target.read_text().startswith("index,")
    link.unlink()
    link.symlink_to(link)
    assert "could not be written" in bench.refused("cycles", bench.vcd, "--board", bench.board, "--csv", link)


@pytest.mark.parametrize(
    "time", ["nan", "NaN", "inf", "-inf", "1e999", "-1", "0x10", "1e30", "9223372036854775808", ""]
)
def test_times_in_a_table_that_are_none(bench: Bench, time: str) -> None:
    path = bench.folder / "run.csv"
    path.write_text(f"time_s,PHI2,RW\n0,0,1\n{time},1,1\n1e40,0,1\n")
    err = bench.refused("probes", path)
    assert "line 3" in err or "line 4" in err


@pytest.mark.parametrize("level", ["nan", "inf", "2", "-1", "1.5", "true"])
def test_levels_in_a_table_that_are_none(bench: Bench, level: str) -> None:
    path = bench.folder / "run.csv"
    path.write_text(f"time_s,PHI2,RW\n0,0,1\n1e-6,{level},1\n2e-6,0,1\n")
    assert "line 3" in bench.refused("probes", path)


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns", "ps", "fs"])
@pytest.mark.parametrize("number", [1, 10, 100])
def test_every_legal_timescale(bench: Bench, number: int, unit: str) -> None:
    """IEEE 1364-2005 18.2.3.8: 1, 10 or 100 of s, ms, us, ns, ps or fs."""
    scale = number * {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}[unit]
    for spelled in (f"{number} {unit}", f"{number}{unit}", f"\n  {number}\n{unit}\n"):
        bench.vcd.write_text(dump(timescale=spelled))
        status, out, err = bench.call("cycles", bench.vcd, "--board", bench.board, "--csv", "-")
        assert (status, err) == (0, "")
        rows = list(csv.DictReader(io.StringIO(out)))
        times = np.array([float(row["time_s"]) for row in rows])
        assert len(rows) == 128
        np.testing.assert_allclose(times, np.arange(1, 129) * 1000 * scale, rtol=1e-9)
        status, out, err = bench.check()
        # At 1 GHz and more no level rests for the time that the part asks for: nothing can be judged.
        assert status == (3 if scale <= 1e-12 else 0) and err == ""


@pytest.mark.parametrize("scale", ["1 as", "ns", "1", "1 ns 1", "-1 ns", "1e1 ns", "0 ns"])
def test_no_other_timescale(bench: Bench, scale: str) -> None:
    bench.vcd.write_text(dump(timescale=scale))
    assert "timescale" in bench.refused("check", bench.vcd, "--board", bench.board)


def test_a_file_that_grows_shrinks_or_goes_while_it_is_read(tmp_path: Path) -> None:
    def body(first: int, count: int) -> str:
        return "".join(f"#{10 * k} {k & 1}!\n" for k in range(first, first + count))

    path = tmp_path / "live.vcd"
    for what in ("grows", "shrinks", "goes"):
        path.write_bytes(HEAD[: HEAD.index(b"#0 ")] + body(0, 400_000).encode())
        with open_capture(path) as file:
            file.piece_bytes = 1 << 16
            rows = 0
            for number, block in enumerate(file.blocks([0], block_rows=1000)):
                rows += len(block)
                if number == 3 and what == "grows":
                    with path.open("a") as more:
                        more.write(body(400_000, 50_000))
                elif number == 3 and what == "shrinks":
                    with path.open("r+b") as cut:
                        cut.truncate(1 << 20)
                elif number == 3:
                    path.unlink()
            codes = [note.code for note in file.notes]
        assert rows == {"grows": 450_000, "goes": 400_000}.get(what, rows)
        assert rows > 1000 and codes == (["truncated"] if what == "shrinks" else [])


def test_errors_in_a_file_that_went_are_still_one_error(tmp_path: Path) -> None:
    path = tmp_path / "gone.vcd"
    path.write_bytes(
        HEAD + b"\n" + b"".join(b"#%d %d!\n" % (k, k & 1) for k in range(2, 200_000)) + b"#900000 wobble\n#900001\n"
    )
    with open_capture(path) as file:
        file.piece_bytes = 1 << 16
        blocks = file.blocks([0], block_rows=100)
        next(blocks)
        path.unlink()
        with pytest.raises(CaptureError, match="wobble"):
            list(blocks)
