"""Lines of cycles with what the program says of each written before their ends; one compiled pass, no objects."""

from __future__ import annotations

import numba as nb

from busledger.decoder.report.csv_kernel import put_number, put_word


@nb.njit(cache=True, nogil=True, _nrt=False)
def with_program(text, tail, columns, words, out):
    """Copy ``text``, whose every line ends in a line feed, and put columns ``tail`` bytes before each line's end.

    ``columns``: ``ProgramColumns``, one a line. ``words``: ``ProgramWords``. ``out`` must be large enough.

    Returns
    -------
    bytes written
    """
    of, part, told, instruction, routine = columns
    count = words.keys.start.shape[0] - 2
    at = 0
    row = 0
    length = text.shape[0]
    for i in range(length):
        if i + tail - 1 < length and text[i + tail - 1] == 10:
            at = put_word(out, at, words.keys, 0)
            at = put_word(out, at, words.keys, count) if of[row] < 0 else put_number(out, at, of[row])
            at = put_word(out, at, words.keys, 1)
            at = put_word(out, at, words.parts, part[row])
            at = put_word(out, at, words.keys, 2)
            at = put_word(out, at, words.instructions, instruction[row])
            at = put_word(out, at, words.keys, 3)
            at = put_word(out, at, words.told, told[row])
            if count > 4:
                at = put_word(out, at, words.keys, 4)
                at = put_word(out, at, words.routines, routine[row])
            row += 1
        out[at] = text[i]
        at += 1
    return at
