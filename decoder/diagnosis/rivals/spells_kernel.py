"""Memory of two banks: at which moments it was switched, so that the reads are explained with the least effort."""

import numba as nb

from busledger.decoder.inner_kernel import inner


@inner()
def effort(cell, is_write, data, sure, lanes, asked, bank, content, known, prices):
    """What it takes to have each access in its ``bank``; see ``settle_spells``."""
    total = content.shape[0] // 2
    content[:] = 0
    known[:] = 0
    cost = 0.0
    for i in range(cell.shape[0]):
        if i and bank[i] != bank[i - 1]:
            cost += prices[0]
        at = cell[i] + total * bank[i]
        if is_write[i]:
            known[at] = (known[at] & ~lanes[i]) | sure[i]
        else:
            told = known[at] & sure[i]
            if (content[at] ^ data[i]) & told:
                cost += prices[1]
            elif told != sure[i] and asked[i]:
                cost += prices[2]
            known[at] |= sure[i]
        content[at] = (content[at] & ~sure[i]) | (data[i] & sure[i])
    return cost


@nb.njit(cache=True, nogil=True, _nrt=False)
def settle_spells(cell, is_write, data, sure, lanes, asked, bank, content, known, prices, sweeps):
    """Move each switch between its neighbours, and turn over each stretch of one bank, as long as that spares effort.

    ``cell`` int32 and the columns of each access, in the order of time; ``asked`` bool: a read that is compared;
    ``bank`` uint8, 0 or 1 an access, is changed; ``content``, ``known``: uint32 (2 x cells), to work in. ``prices``:
    float64, of a switch, of a read that its bank contradicts, of one asked of which its bank knows nothing. At most
    ``sweeps`` times over all accesses. Gives the effort left.
    """
    n = cell.shape[0]
    best = effort(cell, is_write, data, sure, lanes, asked, bank, content, known, prices)
    for _ in range(sweeps):
        before = best
        first = 0  # of the stretch before
        begin = 0
        while begin < n:
            end = begin + 1
            while end < n and bank[end] == bank[begin]:
                end += 1
            one = bank[begin]
            where = begin
            if begin:
                for at in range(first + 1, end):
                    for k in range(first, end):
                        bank[k] = one if k >= at else 1 - one
                    cost = effort(cell, is_write, data, sure, lanes, asked, bank, content, known, prices)
                    if cost < best - 1e-9:
                        best = cost
                        where = at
                for k in range(first, end):
                    bank[k] = one if k >= where else 1 - one
            first = where
            begin = end
        begin = 0
        while begin < n:
            end = begin + 1
            while end < n and bank[end] == bank[begin]:
                end += 1
            for k in range(begin, end):
                bank[k] = 1 - bank[k]
            cost = effort(cell, is_write, data, sure, lanes, asked, bank, content, known, prices)
            if cost < best - 1e-9:
                best = cost
            else:
                for k in range(begin, end):
                    bank[k] = 1 - bank[k]
            begin = end
        if best >= before - 1e-9:
            break
    return best
