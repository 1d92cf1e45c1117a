"""The card in motion: one access after another, chips, buffers, selects and what the bus keeps.

A fault is a row of the table `faults`; the columns and the codes are named below.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any

import numpy as np


def _compiler() -> Callable[[Any], Any]:
    """What compiles the functions below; without numba they run as they are, slower, with the same answer."""
    try:
        numba: Any = importlib.import_module("numba")
    except ImportError:
        return lambda function: function
    compiler: Callable[[Any], Any] = numba.njit(cache=True)
    return compiler


compiled = _compiler()


COLUMNS = 20
(C_TYPE, C_REGION, C_REGIONS, C_LANES, C_LEVEL, C_OR, C_BITS, C_CELL, C_AGG, C_AGGLANE, C_CMASK, C_CVALUE, C_VARIANT,
 C_PATH, C_AGE, C_SEED, C_SHARE, C_OTHER, C_SPARE, C_SPARE2) = range(COLUMNS)  # fmt: skip
(T_STUCK, T_FLOAT, T_BRIDGE, T_WLOST, T_DEAD, T_ASTUCK, T_ABRIDGE, T_SMISS, T_SEXTRA, T_SSWAP, T_DIR, T_COUPLED, T_SLOW,
 T_LEAKY, T_NOANSWER, T_BSTUCK, T_BFLOAT, T_BBRIDGE, T_USTUCK, T_UBRIDGE, T_STRANGE,
 T_BSTRANGE) = range(1, 23)  # fmt: skip


@compiled
def mix(a: int, b: int) -> int:
    """A small hash, 0 to 1023."""
    x = (a * 2654435761 + b * 40503 + 12345) & 0xFFFFFFFF
    x ^= x >> 13
    x = (x * 1274126177) & 0xFFFFFFFF
    x ^= x >> 16
    return x & 1023


@compiled
def holds(row: Any, la: int) -> bool:
    """Whether the fault's condition on the cell address is met."""
    if row[C_CELL] >= 0 and row[C_CELL] != la:
        return False
    if row[C_CMASK] and (la & row[C_CMASK]) != row[C_CVALUE]:
        return False
    return not (row[C_SHARE] and mix(la, row[C_SEED]) >= row[C_SHARE])


@compiled
def bridge(value: int, mask: int, wired_or: int) -> int:
    """Lanes of a mask shorted together."""
    got = value & mask
    high = got != 0 if wired_or else got == mask
    return value | mask if high else value & ~mask


@compiled
def card(
    kind: Any, addr: Any, data: Any, src: Any, add: Any, pre: Any, when: Any, noise: Any, base: Any,
    start: Any, size: Any, offset: Any, is_rom: Any, chip_at: Any, chip_lanes: Any, memory: Any,
    faults: Any, active: Any, on: Any, pulled: int, pull: int, fight: int,
) -> Any:  # fmt: skip
    """Runs every cycle. Gives what was on the data bus, which lanes were driven, the selects, and the data written."""
    n = kind.shape[0]
    nf = faults.shape[0]
    nr = start.shape[0]
    seen = np.zeros(n, np.int64)
    driven = np.zeros(n, np.int64)
    selected = np.zeros(n, np.int64)
    wrote = np.zeros(n, np.int64)
    mem = memory.copy()
    age = np.zeros((mem.shape[0], 8), np.int64)
    last = np.zeros(chip_lanes.shape[0] + 1, np.int64)
    bus = pull
    far = np.zeros(nr, np.int64)
    for i in range(n):
        k = kind[i]
        a = addr[i]
        before = pull if pulled else (pre[i] if pre[i] >= 0 else bus)
        sel = 0
        if base[i] >= 0:
            sel = 1 << base[i]
        out = sel
        for f in range(nf):
            if not (on[f] and active[f, i]):
                continue
            t = faults[f, C_TYPE]
            r = faults[f, C_REGION]
            o = faults[f, C_OTHER]
            if t == T_SMISS and sel >> r & 1:
                out &= ~(1 << r)
            elif t == T_SEXTRA and sel >> o & 1:
                out |= 1 << r
            elif t == T_SSWAP:
                if sel >> r & 1:
                    out = (out & ~(1 << r)) | (1 << o)
                elif sel >> o & 1:
                    out = (out & ~(1 << o)) | (1 << r)
        selected[i] = out
        if k == 3:
            if pulled:
                bus = pull
            elif pre[i] >= 0:
                bus = pre[i]
            seen[i] = bus
            continue
        if k == 5 or k == 6:
            bus = data[i]
            seen[i] = bus
            wrote[i] = bus
            driven[i] = 255
            continue
        write = k == 1
        word = data[i]
        if write:
            if src[i] >= 0:
                word = (seen[src[i]] + add[i]) & 255
            wrote[i] = word
        value = 255 if fight == 0 else 0
        drive = 0
        clash = 0
        if base[i] < 0 and not write:
            value = data[i]
            drive = 255
        for r in range(nr):
            if not out >> r & 1:
                continue
            bit = 1 << r
            lost = 0
            silent = False
            instore = word
            for f in range(nf):
                if not (on[f] and active[f, i] and faults[f, C_REGIONS] & bit):
                    continue
                row = faults[f]
                t = row[C_TYPE]
                if t == T_NOANSWER:
                    silent = True
                elif write and t == T_WLOST and row[C_LANES] == 255 and row[C_REGION] < 0:
                    lost = 255
                elif write and t == T_BSTUCK and row[C_PATH] > 0:
                    instore = instore | row[C_LANES] if row[C_LEVEL] else instore & ~row[C_LANES]
                elif write and t == T_BBRIDGE and row[C_PATH] > 0:
                    instore = bridge(instore, row[C_LANES], row[C_OR])
                elif write and t == T_DIR and row[C_VARIANT] == 1:
                    lost |= row[C_LANES]
                elif write and t == T_DIR and row[C_VARIANT] == 2:
                    kept = pull if pulled else far[0]
                    instore = (instore & ~row[C_LANES]) | (kept & row[C_LANES])
            rv = 0
            rd = 0
            if write and (is_rom[r] or silent):
                continue
            for c in range(chip_at[r], chip_at[r + 1]):
                lanes = chip_lanes[c]
                la = a & (size[r] - 1)
                raw = la
                for f in range(nf):
                    row = faults[f]
                    t = row[C_TYPE]
                    if t != T_ASTUCK and t != T_ABRIDGE:
                        continue
                    if not (on[f] and active[f, i] and row[C_REGIONS] & bit and row[C_LANES] & lanes):
                        continue
                    if not holds(row, raw):
                        continue
                    if t == T_ASTUCK:
                        la = la | row[C_BITS] if row[C_LEVEL] else la & ~row[C_BITS]
                    else:
                        la = bridge(la, row[C_BITS], row[C_OR])
                la &= size[r] - 1
                at = offset[r] + la
                if write:
                    keep = lost
                    twice = -1
                    for f in range(nf):
                        row = faults[f]
                        if not (on[f] and active[f, i] and row[C_REGION] == r and row[C_LANES] & lanes):
                            continue
                        t = row[C_TYPE]
                        if (t in (T_WLOST, T_DEAD)) and holds(row, la):
                            keep |= row[C_LANES]
                        elif t == T_STRANGE and row[C_VARIANT] == 4 and holds(row, la):
                            twice = offset[r] + (la ^ row[C_BITS])
                    m = lanes & ~keep
                    old = mem[at]
                    mem[at] = (old & ~m) | (instore & m)
                    if twice >= 0:
                        mem[twice] = (mem[twice] & ~m) | (instore & m)
                    for lane in range(8):
                        if m >> lane & 1:
                            age[at, lane] = when[i]
                    for f in range(nf):
                        row = faults[f]
                        if row[C_TYPE] != T_COUPLED or not (on[f] and active[f, i] and row[C_REGION] == r):
                            continue
                        if row[C_AGG] != la or not row[C_AGGLANE] & m:
                            continue
                        was = (old & row[C_AGGLANE]) != 0
                        now = (mem[at] & row[C_AGGLANE]) != 0
                        v = row[C_VARIANT]
                        ups, downs = now and not was, was and not now
                        if (v == 1 and was == now) or (v == 2 and not ups) or (v == 3 and not downs):
                            continue
                        victim = offset[r] + row[C_CELL]
                        if row[C_LEVEL] == 2:
                            mem[victim] ^= row[C_LANES]
                        elif row[C_LEVEL] == 1:
                            mem[victim] |= row[C_LANES]
                        else:
                            mem[victim] &= ~row[C_LANES]
                    continue
                v8 = mem[at] & lanes
                d8 = lanes
                for f in range(nf):
                    row = faults[f]
                    if not (on[f] and active[f, i] and row[C_REGIONS] & bit and row[C_LANES] & lanes):
                        continue
                    t = row[C_TYPE]
                    if t == T_SLOW:
                        if holds(row, la):
                            d8 &= ~row[C_LANES]
                        continue
                    if row[C_REGION] != r or t == T_COUPLED or not holds(row, la):
                        continue
                    m = row[C_LANES] & lanes
                    if t == T_STUCK:
                        v8 = v8 | m if row[C_LEVEL] else v8 & ~m
                    elif t in (T_FLOAT, T_DEAD):
                        d8 &= ~m
                    elif t == T_BRIDGE:
                        v8 = bridge(v8, m, row[C_OR])
                    elif t == T_LEAKY:
                        for lane in range(8):
                            if m >> lane & 1:
                                span = row[C_AGE] * (600 + mix(la * 8 + lane, row[C_SEED])) // 1112
                                if when[i] - age[at, lane] > span:
                                    v8 = v8 | (1 << lane) if row[C_LEVEL] else v8 & ~(1 << lane)
                    elif t == T_STRANGE:
                        v = row[C_VARIANT]
                        if v == 0:
                            v8 ^= noise[i] & m
                        elif v == 1:
                            v8 ^= m
                        elif v == 2:
                            v8 = (v8 & ~m) | (last[c] & m)
                        elif v == 3:
                            v8 = v8 | m if mix(la ^ v8, row[C_SEED]) & 1 else v8 & ~m
                        elif v == 5:
                            v8 &= (mem[offset[r] + (la ^ row[C_BITS])] & m) | ~m
                last[c] = mem[at] & lanes
                rv = (rv & ~d8) | (v8 & d8)
                rd |= d8
            if write:
                far[0] = instore
                continue
            if silent:
                rd = 0
            far[0] = (far[0] & ~rd) | (rv & rd)
            for f in range(nf):
                if not (on[f] and active[f, i] and faults[f, C_REGIONS] & bit):
                    continue
                row = faults[f]
                t = row[C_TYPE]
                if t == T_BSTUCK and row[C_PATH] < 2:
                    rv = rv | row[C_LANES] if row[C_LEVEL] else rv & ~row[C_LANES]
                    rd |= row[C_LANES]
                elif t == T_BFLOAT or (t == T_DIR and row[C_VARIANT] == 0):
                    rd &= ~row[C_LANES]
                elif t == T_BSTRANGE:
                    if row[C_VARIANT] == 0:
                        rv ^= noise[i] & row[C_LANES]
                    else:
                        change = (rv ^ bus) & 255
                        moving = 0
                        for lane in range(8):
                            moving += change >> lane & 1
                        if moving >= 5:
                            rv ^= row[C_LANES]
                elif t == T_BBRIDGE and row[C_PATH] < 2:
                    whole = (rv & rd) | (before & ~rd)
                    rv = bridge(whole, row[C_LANES], row[C_OR])
            clash = drive & rd
            both = value & rv
            if fight == 1:
                both = value | rv
            elif fight == 2:
                both = (value & noise[i]) | (rv & ~noise[i])
            value = (value & drive & ~rd) | (rv & rd & ~drive) | (both & clash)
            drive |= rd
        if write:
            bus = word
            driven[i] = 255
        else:
            value = (value & drive) | (before & ~drive)
            for f in range(nf):
                row = faults[f]
                t = row[C_TYPE]
                if (t != T_USTUCK and t != T_UBRIDGE) or not (on[f] and active[f, i]):
                    continue
                if base[i] < 0 and row[C_VARIANT] == 0:
                    continue
                if t == T_USTUCK:
                    value = value | row[C_LANES] if row[C_LEVEL] else value & ~row[C_LANES]
                    drive |= row[C_LANES]
                else:
                    value = bridge(value, row[C_LANES], row[C_OR])
            bus = value & 255
            driven[i] = drive
        seen[i] = bus
    return seen, driven, selected, wrote
