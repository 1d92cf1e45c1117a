"""What a ROM or PROM holds, from the file beside the board file: raw bytes, Intel HEX or Motorola S-records.

Which of them it is, the contents tell, never the file's name. The two record
formats carry addresses: those of the bus, or those of the chip from 0 on. Both
are read by bincopy, which checks every record's length and checksum.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

from busledger.decoder.board.draft import Draft
from busledger.decoder.board.model import Region
from busledger.decoder.text import plain

__all__ = ["ImageRequest", "RomImage", "fill_images", "read_image"]

RECORD_FILE_LIMIT = 64 << 20
_LOOK = 4096
# The first record: its mark (a colon, or S and a type), then nothing but pairs of hex digits.
_RECORD = {
    "Intel HEX": re.compile(rb"\s*:(?:[0-9A-Fa-f]{2}){5,}\s"),
    "S-record": re.compile(rb"\s*S[0-9](?:[0-9A-Fa-f]{2}){3,}\s"),
}


@dataclass(frozen=True, slots=True)
class ImageRequest:
    """What a table says of its image: the file, the offset (None: not given), what unprogrammed bytes hold."""

    name: str
    offset: int | None = None
    fill: int | None = None


@dataclass(frozen=True, slots=True)
class RomImage:
    """A file's bytes by address, ascending; ``form`` is ``raw`` or a format's name, ``size`` the file's own length."""

    form: str
    segments: tuple[tuple[int, bytes], ...]
    size: int

    @property
    def raw(self) -> bool:
        """Whether the file is nothing but the bytes."""
        return self.form == "raw"

    @property
    def span(self) -> tuple[int, int]:
        """First and last address that holds a byte."""
        return self.segments[0][0], self.segments[-1][0] + len(self.segments[-1][1]) - 1

    def missing(self, start: int, length: int) -> list[tuple[int, int]]:
        """The spans (first, last) within ``start : start + length`` that hold nothing."""
        gaps, at = [], start
        for first, data in self.segments:
            low, high = max(first, at), min(first + len(data), start + length)
            if low >= high:
                continue
            if low > at:
                gaps.append((at, low - 1))
            at = high
        if at < start + length:
            gaps.append((at, start + length - 1))
        return gaps

    def cut(self, start: int, length: int, fill: int = 0) -> bytes:
        """``length`` bytes from address ``start`` on; ``fill`` where the file holds none."""
        out = bytearray([fill]) * length
        for first, data in self.segments:
            low, high = max(first, start), min(first + len(data), start + length)
            if low < high:
                out[low - start : high - start] = data[low - first : high - first]
        return bytes(out)


def read_image(draft: Draft, table: str, wanted: ImageRequest, most: int) -> RomImage | None:
    """The file that ``wanted`` names; None, and a mistake, where it cannot be read.

    Of a raw file no more than ``most`` + 1 bytes from the offset on are read.
    """
    add, name = draft.mistakes.add, wanted.name
    try:
        path = (draft.folder / name).resolve()
        if not draft.allow_outside and not path.is_relative_to(draft.folder.resolve()):
            found, expected = f'"{plain(name)}" lies outside the board file\'s folder', "a file in that folder or below"
        elif not path.is_file():
            found, expected = f'"{plain(name)}" is not a file', "a file beside the board file"
        else:
            return _read(draft, table, wanted, path, most)
    except (OSError, ValueError, RuntimeError) as error:  # also: a null in the name, a loop of links
        found, expected = f'"{plain(name)}" cannot be read ({error})', "a readable file"
    add(table, "image", found, expected)
    return None


def _read(draft: Draft, table: str, wanted: ImageRequest, path: Path, most: int) -> RomImage | None:
    size, offset = path.stat().st_size, wanted.offset or 0
    with path.open("rb") as stream:
        head = stream.read(_LOOK)
        form = next((form for form, mark in _RECORD.items() if mark.match(head.removeprefix(b"\xef\xbb\xbf"))), None)
        if form is None:
            if not size:
                draft.mistakes.add(table, "image", f'"{plain(path.name)}" is empty', "the bytes of the ROM")
                return None
            if size <= offset:
                found = f"{offset}, but the image has {size} bytes"
                draft.mistakes.add(table, "image_offset", found, f"an offset below {size}")
                return None
            stream.seek(offset)
            return RomImage("raw", ((offset, stream.read(most + 1)),), size)
        stream.seek(0)
        data = stream.read(RECORD_FILE_LIMIT + 1)
    if len(data) > RECORD_FILE_LIMIT:
        found = f'"{plain(wanted.name)}" is {form} of more than {RECORD_FILE_LIMIT >> 20} MB'
        draft.mistakes.add(table, "image", found, "a smaller file")
        return None
    return _records(draft, table, wanted.name, form, data)


def _records(draft: Draft, table: str, name: str, form: str, data: bytes) -> RomImage | None:
    """The bytes of a file of records, each record checked; the mistake names the first bad line."""
    import bincopy

    text = data.decode("utf-8-sig", "replace")
    held = bincopy.BinFile()
    for number, line in enumerate(text.splitlines(), 1):
        if not (record := line.strip()):
            continue
        try:
            # One record alone first: an address record says nothing by itself, so the file is read as a whole below.
            if form == "Intel HEX":
                bincopy.unpack_ihex(record)
            else:
                bincopy.unpack_srec(record)
        except (bincopy.Error, ValueError, IndexError) as error:
            found = f'"{plain(name)}" is {form}, but line {number} is damaged ({plain(str(error), 80)})'
            draft.mistakes.add(table, "image", found, "whole records with right checksums")
            return None
    try:
        (held.add_ihex if form == "Intel HEX" else held.add_srec)(text.strip() + "\n")
    except (bincopy.Error, ValueError, IndexError) as error:
        found = f'"{plain(name)}" is {form} that contradicts itself ({plain(str(error), 80)})'
        draft.mistakes.add(table, "image", found, "each address once")
        return None
    segments = tuple(sorted((int(one.address), bytes(one.data)) for one in held.segments if len(one.data)))
    if not segments:
        draft.mistakes.add(table, "image", f'"{plain(name)}" is {form} without data', "records that hold bytes")
        return None
    return RomImage(form, segments, len(data))


def fill_images(draft: Draft, wide: int) -> None:
    """Give each region with an image its bytes: one for every bus address that it owns.

    wide : bits of the data bus; a region with chips in one byte of two owns every other address.
    """
    step = max(1, wide // 8)
    for index, (table, region) in enumerate(draft.regions):
        held = draft.images.get(table)
        if held is None:
            continue
        wanted, image = held
        bytes_owned = len({bit // 8 for bit in region.lanes}) or step
        needed = region.size * bytes_owned // step
        data = _window(draft, table, region, wanted, image, needed, bytes_owned == step)
        draft.regions[index] = (table, replace(region, image=data))


def _window(
    draft: Draft, table: str, region: Region, wanted: ImageRequest, image: RomImage, needed: int, whole: bool
) -> bytes | None:
    """The ``needed`` bytes of the region; None, and a mistake, where the file does not say them all."""
    span = f"{region.start:04X}-{region.end:04X}"
    if image.raw:
        start = wanted.offset or 0
        if wanted.offset is None and image.size > needed:
            found = f"{image.size} bytes in the file, more than {span} takes"
            draft.mistakes.add(table, "image", found, f"{needed} bytes, or image_offset to say where they begin")
            return None
    else:
        begin = _begin(region, wanted, image, needed, whole)
        low, high = image.span
        if begin is None:
            found = f"the {image.form} file holds {low:04X}-{high:04X}, nothing for {span}"
            draft.mistakes.add(
                table, "image", found, "addresses of the region, or from 0 on, or image_offset = the file's first one"
            )
            return None
        start = begin
        if wanted.offset is None and start != region.start and high >= start + needed:
            found = f"the {image.form} file holds {low:04X}-{high:04X}, more than {span} takes"
            draft.mistakes.add(table, "image", found, "image_offset, where in the file the region begins")
            return None
    gaps = image.missing(start, needed)
    if gaps and wanted.fill is None:
        if image.raw:
            have = needed - sum(last - first + 1 for first, last in gaps)
            draft.mistakes.add(table, "image", f"{have} bytes from the offset on", f"{needed}, to fill {span}")
        else:
            holes = sum(last - first + 1 for first, last in gaps)
            shown = ", ".join(f"{first:04X}-{last:04X}" for first, last in gaps[:3]) + (" …" if len(gaps) > 3 else "")
            found = f"the {image.form} file lacks {holes} of the region's {needed} bytes ({shown})"
            draft.mistakes.add(table, "image", found, "every byte, or image_fill = 0xFF for what was never programmed")
        return None
    return image.cut(start, needed, wanted.fill or 0)


def _begin(region: Region, wanted: ImageRequest, image: RomImage, needed: int, whole: bool) -> int | None:
    """The file's address of the region's first byte: as given, else the bus's own or 0, as leaves fewer holes."""
    if wanted.offset is not None:
        return wanted.offset
    begins = ([region.start] if whole else []) + [0]

    def holes(begin: int) -> int:
        return sum(last - first + 1 for first, last in image.missing(begin, needed))

    best = min(begins, key=holes)
    return best if holes(best) < needed else None
