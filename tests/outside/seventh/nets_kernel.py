"""The net simulation: chips read levels from nets and drive them; what no one drives floats as its net does.

Two states are settled for each access: the address stands and no strobe is active; the strobe is active.
A net that is driven low by any strong output is low (a TTL or NMOS output sinks far more than it sources).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
OPTIONS: Any = {"cache": True, "_nrt": False}  # no allocation within: calls of small functions stay cheap


def _jit(function: Callable[..., Any]) -> Callable[..., Any]:
    jitted: Callable[..., Any] = numba.njit(**OPTIONS)(function)
    return jitted


@_jit
def _drive(net: int, level: int, weak: int, drv: Any) -> None:
    drv[net] |= (1 << level) << (2 * weak)  # 1 low, 2 high, 4 weakly low, 8 weakly high


@_jit
def _word(p: Any, at: int, count: int, lev: Any) -> int:
    word = 0
    for i in range(count):
        word |= lev[p[at + i]] << i
    return word


@_jit
def _chip_out(c: int, info: Any, p: Any, wk: Any, lev: Any, cells: Any, bad: Any, slow: Any, drv: Any) -> None:
    kind, at = info[c, 0], info[c, 1]
    if not lev[p[at]] or lev[p[at + 1]]:
        return  # no supply: outputs are off
    b = at + 2
    if kind <= 1:
        na, nd = info[c, 2], info[c, 3]
        on = (not lev[p[b]]) and lev[p[b + 3]] and not slow[c]
        writing = kind == 0 and not lev[p[b + 1]]
        if (not on) or lev[p[b + 2]] or (writing and not info[c, 5]):
            return
        address = _word(p, b + 4, na, lev)
        word = cells[info[c, 6] + address]
        if writing:
            word = lev[p[b + 4 + na]]
        for k in range(bad.shape[0]):
            if bad[k, 0] == c and (address & bad[k, 1]) == bad[k, 2] and bad[k, 4] < 2:
                word = (word & ~(1 << bad[k, 3])) | (bad[k, 4] << bad[k, 3])
        first = b + 4 + na + (1 if info[c, 4] else 0)
        for i in range(nd):
            _drive(p[first + i], (word >> i) & 1, wk[first + i], drv)
    elif kind == 2:
        n = 8
        if (not lev[p[b + 3]]) and (not lev[p[b + 4]]) and lev[p[b + 5]]:
            n = _word(p, b, 3, lev)
        for i in range(8):
            _drive(p[b + 6 + i], 0 if i == n else 1, wk[b + 6 + i], drv)
    elif kind == 3:
        for half in range(2):
            h = b + 7 * half
            n = 4 if lev[p[h]] else _word(p, h + 1, 2, lev)
            for i in range(4):
                _drive(p[h + 3 + i], 0 if i == n else 1, wk[h + 3 + i], drv)
    elif kind == 4:
        n = _word(p, b, 4, lev)
        for i in range(10):
            _drive(p[b + 4 + i], 0 if i == n else 1, wk[b + 4 + i], drv)
    elif kind == 5:
        if lev[p[b + 1]]:
            return
        src, dst = (b + 2, b + 10) if lev[p[b]] else (b + 10, b + 2)
        for i in range(8):
            _drive(p[dst + i], lev[p[src + i]], wk[dst + i], drv)
    elif kind == 6:
        for i in range(8):
            if not lev[p[b + i // 4]]:
                _drive(p[b + 10 + i], lev[p[b + 2 + i]], wk[b + 10 + i], drv)
    elif kind == 7:
        for i in range(4):
            if not lev[p[b]]:
                _drive(p[b + 2 + i], lev[p[b + 6 + i]], wk[b + 2 + i], drv)
            if lev[p[b + 1]]:
                _drive(p[b + 6 + i], lev[p[b + 10 + i]], wk[b + 6 + i], drv)
    else:
        for g in range(4):
            h = b + 3 * g
            either = lev[p[h]] | lev[p[h + 1]]
            _drive(p[h + 2], either if kind == 8 else 1 - either, wk[h + 2], drv)


@_jit
def run_kernel(
    act: Any, kinds: Any, addresses: Any, datas: Any, ctl: Any, ctl_nets: Any, a_nets: Any, d_nets: Any, muxed: int,
    info: Any, pins: Any, weak: Any, supply: Any, floats: Any, pulls: Any, slow: Any, bad: Any, cells: Any,
    moved: Any, watch: Any, expect: Any, out: Any, room: Any, seed: int,
) -> int:  # fmt: skip
    """Run all accesses; fill ``out`` (rows: seen address, data at the strobe, data before it, watched nets twice).

    ``kinds``: 0 read, 1 write, 2 a fetch that the program memory beside the processor answers.
    ``act``: 0 sound, 1 with the fault. ``floats``: per net -1 keeps its level,
    0 or 1 goes there, 2+n follows net n, -2 drifts. ``expect`` (or empty): data whose first difference ends the run.
    Gives the number of accesses that were run.
    """
    count = len(kinds)
    nets = supply.shape[1]
    lev, new, drv, lost = room[0], room[1], room[2], room[3]
    for n in range(nets):
        lev[n] = 1
    state = seed
    before = -1
    for i in range(count):
        v = act[i]
        if v != before:
            for k in range(moved.shape[0]):
                src, dst = (moved[k, 0], moved[k, 1]) if v else (moved[k, 1], moved[k, 0])
                if floats[v, dst] == -1:
                    lev[dst] = lev[src]
            before = v
        p, wk = pins[v], weak[v]
        for phase in range(2):
            if phase == 0 and muxed:  # the low address stood on the data lines
                for k in range(8):
                    lev[d_nets[v, k]] = (addresses[i] >> k) & 1
            for turn in range(12):
                for n in range(nets):
                    drv[n] = 0
                for k in range(16):
                    _drive(a_nets[v, k], (addresses[i] >> k) & 1, 0, drv)
                for k in range(len(ctl_nets[v])):
                    _drive(ctl_nets[v, k], ctl[kinds[i] & 1, phase, k], 0, drv)
                if phase == 1 and kinds[i]:
                    for k in range(8):
                        _drive(d_nets[v, k], (datas[i] >> k) & 1, 0, drv)
                for c in range(info.shape[0]):
                    _chip_out(c, info, p, wk, lev, cells, bad, slow[v], drv)
                changed = False
                for n in range(nets):
                    level = lev[n]
                    if supply[v, n] >= 0:
                        level = supply[v, n]
                    elif drv[n]:
                        d = drv[n]
                        level = 0 if d & 1 else 1 if d & 2 else 0 if d & 4 else 1
                    elif pulls[v, n]:
                        level = 1
                    elif floats[v, n] >= 2:
                        level = lev[floats[v, n] - 2]
                    elif floats[v, n] >= 0:
                        level = floats[v, n]
                    elif floats[v, n] == -2 and turn == 0:
                        state = (state * 1103515245 + 12345) & 0x7FFFFFFF
                        level = 1 - lev[n] if (state >> 16) % 23 == 0 else lev[n]
                    if level != lev[n]:
                        changed = True
                    new[n] = level
                for n in range(nets):
                    lev[n] = new[n]
                if not changed and turn > 0:
                    break
            for c in range(info.shape[0]):
                if info[c, 0]:
                    continue
                at = info[c, 1]
                b = at + 2
                if not lev[p[at]] or lev[p[at + 1]]:
                    lost[c] = 1
                    continue
                if lost[c]:  # power came back: static cells wake up at random
                    lost[c] = 0
                    for k in range(1 << info[c, 2]):
                        state = (state * 1103515245 + 12345) & 0x7FFFFFFF
                        cells[info[c, 6] + k] = (state >> 16) & ((1 << info[c, 3]) - 1)
                if lev[p[b]] or lev[p[b + 1]] or not lev[p[b + 3]]:
                    continue
                na = info[c, 2]
                address = _word(p, b + 4, na, lev)
                cells[info[c, 6] + address] = _word(p, b + 4 + na, info[c, 3], lev)
                for k in range(bad.shape[0]):
                    if bad[k, 0] == c and bad[k, 4] >= 2 and address == bad[k, 2]:
                        bit = 1 << bad[k, 3]
                        other = info[c, 6] + bad[k, 5]
                        old = cells[other]
                        cells[other] = (old | bit) if bad[k, 4] == 3 else (old & ~bit)
            out[3 + phase, i] = _word(watch[v], 0, watch.shape[1], lev)
            if phase == 0:
                out[2, i] = _word(d_nets[v], 0, 8, lev)
        out[0, i] = _word(a_nets[v], 0, 16, lev)
        out[1, i] = _word(d_nets[v], 0, 8, lev)
        if expect.shape[0] and (out[1, i] != expect[0, i] or out[0, i] != expect[1, i]):
            return i + 1
    return count


__all__ = ["Ints", "run_kernel"]
