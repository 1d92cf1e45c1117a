"""ROM images: read from beside the board file, as long as the region, and from nowhere else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from busledger.decoder.board import load_board
from busledger.decoder.errors import BoardError
from tests.board.card import spoil

Write = Callable[[str], Path]
ROM = 'kind   = "rom"'


def test_an_image_fills_the_region_from_its_offset(board_file: Write) -> None:
    path = board_file(spoil((ROM, ROM + '\nimage = "roms/monitor.bin"\nimage_offset = 2')))
    (path.parent / "roms").mkdir()
    (path.parent / "roms" / "monitor.bin").write_bytes(b"xy" + bytes(range(256)) * 5)
    assert load_board(path).regions[0].image == bytes(range(256)) * 4


@pytest.mark.parametrize(
    ("key", "content", "said"),
    [
        ('image = "m.bin"', None, 'image: "m.bin" is not a file; expected a file beside the board file'),
        ('image = "m.bin"', b"", 'image: "m.bin" is empty; expected the bytes of the ROM'),
        ('image = "m.bin"', b"abc", "image: 3 bytes from the offset on; expected 1024, to fill 0000-03FF"),
        (
            'image = "m.bin"\nimage_offset = 3',
            b"abc",
            "image_offset: 3, but the image has 3 bytes; expected an offset below 3",
        ),
        (
            'image = "../m.bin"',
            b"",
            'image: "../m.bin" lies outside the board file\'s folder; expected a file in that folder',
        ),
        ('image = "/etc/hosts"', None, 'image: "/etc/hosts" lies outside the board file\'s folder'),
        ("image_offset = 3", None, "image_offset: an offset without an image"),
        ('image = "."', None, 'image: "." is not a file'),
        ("image = 3", None, "image: found 3; expected the path of a file, in quotes"),
        ('image = "m.bin"\nimage_offset = -1', b"abc", "image_offset: found -1; expected a number of bytes, 0 or more"),
        ('image = "a\\u0000b"', None, 'image: "a\\x00b" cannot be read'),
    ],
)
def test_an_image_that_does_not_fit_is_a_mistake(board_file: Write, key: str, content: bytes | None, said: str) -> None:
    path = board_file(spoil((ROM, f"{ROM}\n{key}")))
    if content is not None:
        path.with_name("m.bin").write_bytes(content)
    with pytest.raises(BoardError) as caught:
        load_board(path)
    assert said in str(caught.value)


def test_an_image_outside_is_read_only_when_allowed(board_file: Write) -> None:
    path = board_file(spoil((ROM, ROM + '\nimage = "../m.bin"')))
    (path.parent.parent / "m.bin").write_bytes(bytes(1024))
    assert load_board(path, allow_outside=True).regions[0].image == bytes(1024)


def test_a_link_that_leaves_the_folder_is_outside(board_file: Write) -> None:
    path = board_file(spoil((ROM, ROM + '\nimage = "m.bin"')))
    outside = path.parent.parent / "secret.bin"
    outside.write_bytes(bytes(1024))
    path.with_name("m.bin").symlink_to(outside)
    with pytest.raises(BoardError, match="outside the board file's folder"):
        load_board(path)


def test_only_a_rom_has_an_image(board_file: Write) -> None:
    path = board_file(spoil((ROM, 'kind   = "ram"\nimage = "m.bin"')))
    with pytest.raises(BoardError, match='image: an image in a region of kind ram; expected kind = "rom"'):
        load_board(path)


def test_half_of_a_wide_bus_needs_half_the_image(board_file: Write) -> None:
    text = """
[board]
name = "Planetarium drive"
bus = "68000"
[[region]]
name = "odd"
start = 0
end = 15
kind = "rom"
image = "odd.bin"
chips = [{ designator = "U2", part = "2764", lanes = "D0-D7" }]
"""
    path = board_file(text)
    path.with_name("odd.bin").write_bytes(bytes(8))
    assert load_board(path, data_bits=16).regions[0].image == bytes(8)
    with pytest.raises(BoardError, match="8 bytes from the offset on; expected 16"):
        load_board(path, data_bits=8)
