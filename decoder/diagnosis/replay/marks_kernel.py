"""Which cells take part when a fault is judged by a few cells only: plain functions of arrays."""

import numba as nb

from busledger.decoder.diagnosis.replay.reads_kernel import JUDGED, TAKES_PART
from busledger.decoder.inner_kernel import inner

_AIM, _LISTED, _JUDGED = 1, 2, 4


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
def mark(w1, w2, r1, r2, first, last, focus, judged, seen, touched, goes):
    """Fill ``touched`` and ``goes``; how many cells may be touched.

    ``w1`` … ``r2`` int32 a cell, the cells that an access to it writes and reads, -1 = none; ``first``, ``last``
    int64, spans of cells that the fault can hurt; ``focus`` int32, the cells to judge, ``judged`` bool whether they are
    in those spans. ``seen`` uint8 a cell, all zero before and after.
    ``touched`` int32 a cell: first those that take part, which are all that lead to a cell of ``focus`` or to one that
    such a cell leads to; then the others that these lead to. ``goes`` int32[cells, 5]: of each of them what it is
    (``TAKES_PART``, ``JUDGED``, or 0) and where accesses to it go, as in the four tables.
    """
    for k in range(focus.shape[0]):
        c = focus[k]
        seen[c] |= _AIM
        if judged[k]:
            seen[c] |= _JUDGED
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
        c = touched[k]
        goes[k, 0] = 0
        if k < n:
            goes[k, 0] = TAKES_PART | JUDGED if seen[c] & _JUDGED else TAKES_PART
        goes[k, 1] = w1[c]
        goes[k, 2] = w2[c]
        goes[k, 3] = r1[c]
        goes[k, 4] = r2[c]
    for k in range(m):
        seen[touched[k]] = 0
    for k in range(focus.shape[0]):
        c = focus[k]
        for table in (w1, w2, r1, r2):
            if table[c] >= 0:
                seen[table[c]] = 0
        seen[c] = 0
    return m
