"""The program as a file: S-records, Intel HEX, raw bytes or the listing, as the file's ending says."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from busledger.decoder.errors import UsageError
from busledger.decoder.program.exercises.columns import Program
from busledger.decoder.program.exercises.listing import listing
from busledger.decoder.program.exercises.rom import rom_image
from busledger.decoder.text import plain

__all__ = ["file_bytes", "format_of"]

_ENDINGS = {
    "s-record": (".s19", ".s1", ".s28", ".s2", ".s37", ".srec", ".mot", ".s"),
    "intel-hex": (".hex", ".ihex", ".ihx", ".h80", ".a43"),
    "raw": (".bin", ".rom", ".img", ".com", ".raw"),
    "listing": (".lst", ".txt", ".list"),
}
_RECORD_BYTES = 16


def format_of(name: str) -> str:
    """``s-record``, ``intel-hex``, ``raw`` or ``listing``. UsageError for an ending that says none of them."""
    ending = PurePath(name).suffix.lower()
    for form, endings in _ENDINGS.items():
        if ending in endings:
            return form
    usual = "; ".join(f"{endings[0]} ({form.replace('-', ' ')})" for form, endings in _ENDINGS.items())
    raise UsageError(f"the ending of {plain(name)!r} does not say in which form to write", expected=usual)


def file_bytes(program: Program, form: str, *, rom_size: int | None = None, told: Sequence[str] = ()) -> bytes:
    """The file's content in one of the forms of ``format_of``; a whole ROM image where ``rom_size`` is given."""
    if form == "listing":
        return listing(program, told).encode()
    start, data = (program.origin, program.data) if rom_size is None else rom_image(program, rom_size)
    if form == "raw":
        return data
    import bincopy  # slow to load

    file = bincopy.BinFile()
    file.add_binary(data, address=start)
    if form == "intel-hex":
        text = file.as_ihex(number_of_data_bytes=_RECORD_BYTES, address_length_bits=16 if start + len(data) <= 0x10000
                            else 32)  # fmt: skip
    else:
        file.execution_start_address = program.origin
        wide = 16 if start + len(data) <= 0x10000 else 24
        text = file.as_srec(number_of_data_bytes=_RECORD_BYTES, address_length_bits=wide)
    return str(text).encode()
