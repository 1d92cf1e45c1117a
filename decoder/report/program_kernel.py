"""Lines of cycles with what the program says of each written before their ends; one compiled pass, no objects."""

from __future__ import annotations

import numba as nb

from busledger.decoder.report.csv_kernel import put_number, put_word


@nb.njit(cache=True, nogil=True)
def with_program(
    text, tail, of, part, told, instruction, routine, key_text, key_start, part_text, part_start, told_text, told_start,
    instruction_text, instruction_start, routine_text, routine_start, out,
):  # fmt: skip
    """Copy ``text``, whose every line ends in a line feed, and put columns ``tail`` bytes before each line's end.

    ``of`` int64 (-1: none), ``part``, ``told``, ``instruction`` and ``routine`` number words; the words are tables as
    in ``csv_kernel``, word 0 stands for nothing. ``key_*`` holds what goes before each of the columns (as many as there
    are keys but one), and last what stands for no number. ``out`` must be large enough.

    Returns
    -------
    bytes written
    """
    columns = key_start.shape[0] - 2
    at = 0
    row = 0
    length = text.shape[0]
    for i in range(length):
        if i + tail - 1 < length and text[i + tail - 1] == 10:
            at = put_word(out, at, key_text, key_start, 0)
            at = put_word(out, at, key_text, key_start, columns) if of[row] < 0 else put_number(out, at, of[row])
            at = put_word(out, at, key_text, key_start, 1)
            at = put_word(out, at, part_text, part_start, part[row])
            at = put_word(out, at, key_text, key_start, 2)
            at = put_word(out, at, instruction_text, instruction_start, instruction[row])
            at = put_word(out, at, key_text, key_start, 3)
            at = put_word(out, at, told_text, told_start, told[row])
            if columns > 4:
                at = put_word(out, at, key_text, key_start, 4)
                at = put_word(out, at, routine_text, routine_start, routine[row])
            row += 1
        out[at] = text[i]
        at += 1
    return at
