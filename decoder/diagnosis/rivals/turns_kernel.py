"""Two banks that take turns: which accesses were of the same bank, and which were not."""

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner

BACK = 32  # accesses of a cell that are looked back at


@nb.njit(cache=True, nogil=True, _nrt=False)
def tie(before, is_write, data, sure, leader, other):
    """Which accesses are of the same of two banks, as far as reads tell.

    ``before`` int32 a row: the access of the same cell before it, -1; ``data``, ``sure`` uint32. A read gives what its
    cell was last seen to hold in its bank: it is of the bank of the latest access with that value, and all accesses of
    the cell since were of the other one. Where no access had it the last one was of the other bank. Filled: ``leader``
    int32, the row itself each at first, in the end one row of all that hang together; ``other`` uint8, zeros at first,
    in the end 1 where a row is not of the bank of its leader. Gives how often what a read says contradicts what others
    did.
    """
    odd = 0
    for i in range(before.shape[0]):
        if is_write[i] or sure[i] == 0 or before[i] < 0:
            continue
        q = before[i]
        steps = 0
        while q >= 0 and steps < BACK and (data[q] ^ data[i]) & sure[q] & sure[i]:
            q = before[q]
            steps += 1
        if q < 0 or steps == BACK:
            odd += _tied(leader, other, before[i], i, 1)
            continue
        odd += _tied(leader, other, q, i, 0)
        x = before[i]
        while x != q:
            odd += _tied(leader, other, x, i, 1)
            x = before[x]
    for i in range(before.shape[0]):
        _found(leader, other, i)
    return np.int64(odd)


@nb.njit(cache=True, nogil=True, _nrt=False)
def settle(near, leader, other):
    """Tie what no read ties to its neighbour in time: ``near`` int32, rows in the order in which each is tied to the
    next one; ``leader``, ``other`` as ``tie`` left them, all of one leader in the end."""
    for k in range(near.shape[0]):
        _tied(leader, other, near[k], near[k] + 1, 0)
    for i in range(leader.shape[0]):
        _found(leader, other, i)
    return np.int64(0)


@inner(_nrt=False)
def _found(leader, other, i):
    """The leader of a row's set; the way there is made short."""
    root = i
    side = 0
    while leader[root] != root:
        side ^= other[root]
        root = leader[root]
    at = i
    while leader[at] != root and at != root:
        ahead = leader[at]
        mine = other[at]
        leader[at] = root
        other[at] = side
        side ^= mine
        at = ahead
    return root


@inner(_nrt=False)
def _tied(leader, other, a, b, differ):
    """Two rows of one bank, or of two: 1 where they were known to be otherwise."""
    one = _found(leader, other, a)
    two = _found(leader, other, b)
    side = differ
    if one != a:
        side ^= other[a]
    if two != b:
        side ^= other[b]
    if one == two:
        return side
    leader[two] = one
    other[two] = side
    return 0
