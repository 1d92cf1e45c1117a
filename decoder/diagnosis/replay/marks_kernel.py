"""Which cells take part when a fault is judged by a few cells only: plain functions of arrays."""

import numba as nb

from busledger.decoder.diagnosis.replay.memory_kernel import LINKS, OWNER, OWNER2, WORDS
from busledger.decoder.diagnosis.replay.replay_kernel import JUDGED, TAKES_PART
from busledger.decoder.inner_kernel import inner

_AIM, _LISTED = 1, 2


@inner(_nrt=False)
def _is_aim(table, c, seen):
    there = table[c]
    return there >= 0 and seen[there] & _AIM != 0


@inner(_nrt=False)
def _aim(table, c, seen):
    if table[c] >= 0:
        seen[table[c]] |= _AIM


@inner(_nrt=False)
def _list(table, c, seen, touched, n):
    there = table[c]
    if there >= 0 and seen[there] & _LISTED == 0:
        seen[there] |= _LISTED
        touched[n] = there
        return n + 1
    return n


@nb.njit(cache=True, nogil=True, _nrt=False)
def mark(w1, w2, r1, r2, first, last, focus, judged, part, seen, touched):
    """Fill ``part`` and ``touched``; how many cells take part, and how many may be touched.

    ``w1`` … ``r2`` int32 a cell, the cells that an access to it writes and reads, -1 = none; ``first``, ``last``
    int64, spans of cells that the fault can hurt; ``focus`` int32, the cells to judge, ``judged`` bool whether they are
    in those spans. ``part`` uint8 a cell, ``seen`` uint8 a cell: both all zero before, ``seen`` also after.
    ``touched`` int32 a cell: first those that take part, which are all that lead to a cell of ``focus`` or to one that
    such a cell leads to; then the others that these lead to.
    """
    for k in range(focus.shape[0]):
        c = focus[k]
        seen[c] |= _AIM
        _aim(w1, c, seen)
        _aim(w2, c, seen)
        _aim(r1, c, seen)
        _aim(r2, c, seen)
    n = 0
    for s in range(first.shape[0]):
        for c in range(first[s], last[s]):
            takes = seen[c] & _AIM != 0
            takes = takes or _is_aim(w1, c, seen) or _is_aim(r1, c, seen)
            if takes or _is_aim(w2, c, seen) or _is_aim(r2, c, seen):
                part[c] = TAKES_PART
                touched[n] = c
                n += 1
    for k in range(n):
        seen[touched[k]] |= _LISTED
    m = n
    for k in range(n):
        c = touched[k]
        m = _list(w1, c, seen, touched, m)
        m = _list(w2, c, seen, touched, m)
        m = _list(r1, c, seen, touched, m)
        m = _list(r2, c, seen, touched, m)
    for k in range(m):
        seen[touched[k]] = 0
    for k in range(focus.shape[0]):
        c = focus[k]
        if judged[k]:
            part[c] |= TAKES_PART | JUDGED
        for table in (w1, w2, r1, r2):
            if table[c] >= 0:
                seen[table[c]] = 0
        seen[c] = 0
    return n, m


@nb.njit(cache=True, nogil=True, _nrt=False)
def unmark(touched, n, part):
    """Take back what ``mark`` put into ``part``."""
    for k in range(n):
        part[touched[k]] = 0


@nb.njit(cache=True, nogil=True, _nrt=False)
def wipe(touched, n, fresh, words, links):
    """The first ``n`` of ``touched``: ``words`` as they are in ``fresh``, ``links`` as before any access."""
    for k in range(n):
        c = touched[k]
        for column in range(WORDS):
            words[c, column] = fresh[c, column]
        for column in range(LINKS):
            links[c, column] = 0
        links[c, OWNER] = -1
        links[c, OWNER2] = -1
