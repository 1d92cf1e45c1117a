"""What the cells of a group may hold between them where a fault leads accesses of some to one of them, now and then.

An access to a cell of the group comes to where it should, or, at the fault's rate, to the first cell of the group. What
all of them hold is followed as a small set of stories, each with its chance: of a write that went astray both cells
tell, the one that keeps what it held and the one that got what was not meant for it, until reads settle which it was.
Or nobody takes the access, or the write alone (``NOWHERE``, ``NOT_WRITTEN``): then the first cell has no part.
"""

import math

import numba as nb

from busledger.decoder.diagnosis.replay.effect_kernel import ones
from busledger.decoder.diagnosis.replay.memory_kernel import undriven
from busledger.decoder.inner_kernel import inner

# Cells of a group, and stories kept of them, at the most.
MEMBERS, STORIES = 4, 24
# A story that is less likely than that beside the others is dropped.
_FORGOTTEN = 1e-9
_TINY, _SMALL = 1e-300, 1e-100
SCALES = 7
MIDDLE = 3
# Where a group's accesses are led: to its first cell, to nobody, or the writes alone to nobody.
THERE, NOWHERE, NOT_WRITTEN = 0, 1, 2


@inner(_nrt=False)
def _matches(read, cmp, value, known):
    """(chance that a cell which holds this gives what was read, whether it may): each lane that nobody knows says
    either level with even chance."""
    if (read ^ value) & known & cmp:
        return 0.0, 0.0
    return 0.5 ** ones(cmp & ~known), 1.0


@inner(_nrt=False)
def _same(one, other, members, values, known):
    for m in range(members):
        if known[one, m] != known[other, m] or (values[one, m] ^ values[other, m]) & known[one, m]:
            return False
    return True


@inner(_nrt=False)
def _copy(source, to, members, values, known, weights):
    for m in range(members):
        values[to, m] = values[source, m]
        known[to, m] = known[source, m]
    for k in range(SCALES):
        weights[to, k] = weights[source, k]


@inner(_nrt=False)
def _tidied(many, members, values, known, weights):
    """Stories that tell the same are one; the unlikely ones are dropped, and chances made to sum to 1."""
    kept = 0
    for s in range(many):
        at = -1
        for other in range(kept):
            if _same(other, s, members, values, known):
                at = other
                break
        if at >= 0:
            for k in range(SCALES):
                weights[at, k] += weights[s, k]
        else:
            if kept != s:
                _copy(s, kept, members, values, known, weights)
            kept += 1
    for k in range(SCALES):
        total = 0.0
        for s in range(kept):
            total += weights[s, k]
        total = max(total, _TINY)
        for s in range(kept):
            weights[s, k] /= total
    many, kept = kept, 0
    for s in range(many):
        likely = False
        for k in range(SCALES):
            likely = likely or weights[s, k] > _FORGOTTEN
        if likely:
            if kept != s:
                _copy(s, kept, members, values, known, weights)
            kept += 1
    while kept > STORIES:
        least = 0
        for s in range(1, kept):
            if weights[s, MIDDLE] < weights[least, MIDDLE]:
                least = s
        kept -= 1
        if least != kept:
            _copy(kept, least, members, values, known, weights)
    return kept


@inner(_nrt=False)
def _put(story, m, lanes, data, sure, values, known):
    values[story, m] = (values[story, m] & ~lanes) | (data & lanes)
    known[story, m] = (known[story, m] & ~lanes) | (sure & lanes)


@inner(_nrt=False)
def _written(many, m, lost, rate, lanes, data, sure, members, state):
    """One write to member ``m``: where it came, or to the first one, or ``lost`` where that takes none."""
    values, known, weights = state
    if m == 0:
        for s in range(many):
            _put(s, 0, lanes, data, sure, values, known)
        return _tidied(many, members, values, known, weights)
    for s in range(many):
        _copy(s, many + s, members, values, known, weights)
        _put(s, m, lanes, data, sure, values, known)
        if not lost:
            _put(many + s, 0, lanes, data, sure, values, known)
        for k in range(SCALES):
            weights[s, k] *= 1.0 - rate[k]
            weights[many + s, k] *= rate[k]
    return _tidied(2 * many, members, values, known, weights)


@inner(_nrt=False)
def _chances(many, m, nowhere, floating, rate, read, cmp, state, there, led, found):
    """Of each story the chances that the read gives this where it should come to and where the fault leads it;
    ``found``: of the read, at each scale; returned: that it may, contents that nobody knows taken as they are."""
    values, known, weights = state
    for k in range(SCALES):
        found[k] = 0.0
    may = 0.0
    for s in range(many):
        there[s], may_there = _matches(read, cmp, values[s, m], known[s, m])
        led[s], may_led = 0.0, 0.0
        if m > 0 and nowhere:
            may_led = led[s] = 1.0 if (read ^ floating) & cmp == 0 else 0.0
        elif m > 0:
            led[s], may_led = _matches(read, cmp, values[s, 0], known[s, 0])
        share = rate[MIDDLE] if m > 0 else 0.0
        may += weights[s, MIDDLE] * ((1.0 - share) * may_there + share * may_led)
        for k in range(SCALES):
            share = rate[k] if m > 0 else 0.0
            found[k] += weights[s, k] * ((1.0 - share) * there[s] + share * led[s])
    return may


@inner(_nrt=False)
def _told(many, m, nowhere, rate, read, cmp, members, state, there, led):
    """The stories after a read: as likely as they foretold it, and what it came to known."""
    values, known, weights = state
    more = many
    for s in range(many):
        open_there = there[s] > 0.0 and cmp & ~known[s, m] != 0
        open_led = led[s] > 0.0 and not nowhere and cmp & ~known[s, 0] != 0
        if m > 0 and there[s] > 0.0 and led[s] > 0.0 and (open_there or open_led):
            _copy(s, more, members, values, known, weights)
            for k in range(SCALES):
                weights[more, k] *= rate[k] * led[s]
            if open_led:
                _put(more, 0, cmp & ~known[more, 0], read, cmp, values, known)
            more += 1
            led[s] = 0.0
        for k in range(SCALES):
            share = rate[k] if m > 0 else 0.0
            weights[s, k] *= (1.0 - share) * there[s] + share * led[s]
        if there[s] > 0.0:
            if open_there:
                _put(s, m, cmp & ~known[s, m], read, cmp, values, known)
        elif open_led:
            _put(s, 0, cmp & ~known[s, 0], read, cmp, values, known)
    return _tidied(more, members, values, known, weights)


@inner(_nrt=False)
def _unknown(many, m, nowhere, rate, cmp, state, there, led):
    """The lanes that nobody knew in what the read most likely came to."""
    _, known, weights = state
    best, lanes = -1.0, cmp & ~cmp
    share = rate[MIDDLE] if m > 0 else 0.0
    for s in range(many):
        if weights[s, MIDDLE] * (1.0 - share) * there[s] > best:
            best, lanes = weights[s, MIDDLE] * (1.0 - share) * there[s], cmp & ~known[s, m]
        if weights[s, MIDDLE] * share * led[s] > best:
            best = weights[s, MIDDLE] * share * led[s]
            lanes = cmp & ~cmp if nowhere else cmp & ~known[s, 0]
    return lanes


@nb.njit(cache=True, nogil=True, _nrt=False)
def led(rows, order, first, groups, fault, rates, work, logs, explained, unknown):
    """Every group followed by itself: log likelihood of the reads added to ``logs`` (float64[regions, SCALES]), and of
    each row whether a wrong read is explained (``explained`` uint8), and by which lanes that nobody knew (``unknown``
    uint32).

    ``rows``, ``groups``, ``fault``, ``rates``, ``work``: ``LedRows``, ``LedGroups``, ``LedFault``, ``LedRates`` and
    ``LedWork`` of ``arrays.py``; ``order``, ``first``: rows cell by cell, and where those of each cell begin.
    Returned: right reads that no story could tell.
    """
    _, is_write, data, lanes_in, sure_in, kept, expected, compared, wrong, window, rest = rows
    begin, member, place, takes, nowhere_of, region = groups
    mask, floats, least, floor = fault
    values, known, weights, there, came, found, chance, idle, at, touched = work
    for k in range(SCALES):
        chance[k], idle[k] = 1.0, 0.0
    state = (values, known, weights)
    contradicted = 0
    log_floor = math.log(floor)
    for g in range(begin.shape[0] - 1):
        members = begin[g + 1] - begin[g]
        nowhere = nowhere_of[g]
        at_region = logs[region[g]]
        for m in range(members):
            p = place[begin[g] + m]
            at[m, 0], at[m, 1] = (first[p], first[p + 1]) if p >= 0 else (0, 0)
            values[0, m] = member[begin[g] + m, 0]
            known[0, m] = member[begin[g] + m, 1]
            touched[m] = 0
        for k in range(SCALES):
            weights[0, k] = 1.0
        many = 1
        while True:
            m, i = -1, -1
            for other in range(members):
                if at[other, 0] < at[other, 1] and (m < 0 or order[at[other, 0]] < i):
                    m, i = other, order[at[other, 0]]
            if m < 0:
                break
            at[m, 0] += 1
            rate = rates[window[i]]
            if is_write[i]:
                lanes = lanes_in[i] & mask
                if lanes:
                    touched[m] = 1
                    touched[0] = 1
                    lost = nowhere or not takes[begin[g] + m]
                    many = _written(many, m, lost, rate, lanes, data[i], sure_in[i] & lanes, members, state)
                continue
            read = data[i]
            cmp = compared[i] & mask
            for s in range(many):
                if not touched[m]:  # it was held against what most reads of the cell showed
                    learn = cmp & ~known[s, m]
                    _put(s, m, learn, expected[i], learn, values, known)
                learn = sure_in[i] & mask & ~cmp & ~known[s, m]
                _put(s, m, learn, read, learn, values, known)
            if cmp == 0:
                continue
            floating = undriven(floats, kept[i], rest[i])
            astray = idle if nowhere == NOT_WRITTEN else rate
            may = _chances(many, m, nowhere, floating, astray, read, cmp, state, there, came, found)
            if wrong[i] & mask:
                if may < least * rate[MIDDLE] or wrong[i] & ~mask:
                    continue
                explained[i] = 1
                unknown[i] = _unknown(many, m, nowhere, astray, cmp, state, there, came)
            elif found[MIDDLE] < floor:
                # It is right all the same: nothing else is known any more.
                contradicted += 1
                for s in range(many):
                    _put(s, m, cmp, read, cmp, values, known)
                for k in range(SCALES):
                    at_region[k] += log_floor
                many = _tidied(many, members, values, known, weights)
                continue
            for k in range(SCALES):  # a logarithm now and then, not one a read
                if found[k] < _SMALL:
                    at_region[k] += math.log(max(found[k], _TINY))
                    continue
                chance[k] *= found[k]
                if chance[k] < _SMALL:
                    at_region[k] += math.log(chance[k])
                    chance[k] = 1.0
            if many > 1 or cmp & ~known[0, m] or (m > 0 and not nowhere and cmp & ~known[0, 0]):
                many = _told(many, m, nowhere, astray, read, cmp, members, state, there, came)
        if g + 2 == begin.shape[0] or region[g + 1] != region[g]:
            for k in range(SCALES):
                at_region[k] += math.log(chance[k])
                chance[k] = 1.0
    return contradicted
