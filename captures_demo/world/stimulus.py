"""What the CPU does: data accesses, and the instruction fetches between them.

A test or a program is first a list of data accesses (``Accesses``); ``weave``
then lets a processor run it from ROM, so that the bus carries opcodes between
any two of them, as it does in life. Nothing waits for an answer: a test program
that finds a wrong byte notes it and goes on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Accesses",
    "Stimulus",
    "address_in_data",
    "block_copy",
    "checker",
    "counters",
    "pause",
    "program",
    "random_reads",
    "weave",
]


@dataclass(slots=True)
class Accesses:
    """Data accesses in order: ``write`` bool, ``address`` int64, ``value`` int64 (what is written),
    ``copy`` uint8 (1 = the value is added to what the last read gave; 2 = an idle pause of ``value`` cycles)."""

    write: NDArray[np.bool_]
    address: NDArray[np.int64]
    value: NDArray[np.int64]
    copy: NDArray[np.uint8]

    def __len__(self) -> int:
        return int(self.address.shape[0])

    @classmethod
    def join(cls, parts: Sequence[Accesses]) -> Accesses:
        """One after another."""
        return cls(
            np.concatenate([p.write for p in parts]),
            np.concatenate([p.address for p in parts]),
            np.concatenate([p.value for p in parts]),
            np.concatenate([p.copy for p in parts]),
        )

    @classmethod
    def plain(cls, write: NDArray[np.bool_], address: NDArray[np.int64], value: NDArray[np.int64]) -> Accesses:
        """Accesses that copy nothing."""
        return cls(write, address.astype(np.int64), value.astype(np.int64), np.zeros(address.shape[0], np.uint8))


@dataclass(slots=True)
class Stimulus:
    """Bus cycles in order, all of length n.

    ``op`` int64: 0 read, 1 write, 2 idle. ``opcode`` bool: the read fetches an
    instruction. ``address``, ``value`` int64; ``copy`` uint8 as in ``Accesses``;
    ``cycles`` int64: how many bus cycles the idle lasts (1 for transfers).
    """

    op: NDArray[np.int64]
    opcode: NDArray[np.bool_]
    address: NDArray[np.int64]
    value: NDArray[np.int64]
    copy: NDArray[np.uint8]
    cycles: NDArray[np.int64]

    def __len__(self) -> int:
        return int(self.op.shape[0])


def _scatter(address: NDArray[np.int64], salt: int) -> NDArray[np.int64]:
    """A byte for each address that no two neighbours, power-of-two partners or banks share."""
    mixed = (address + salt * 0x9E37) * 0x2545F491 & 0xFFFFFFFF
    return ((mixed >> 11) ^ (mixed >> 23) ^ address) & 0xFF


def address_in_data(addresses: NDArray[np.int64], salt: int = 0, scattered: bool = True) -> Accesses:
    """Write something of its own to every address, then read all back."""
    values = _scatter(addresses, salt) if scattered else (addresses ^ (addresses >> 8) ^ salt) & 0xFF
    n = addresses.shape[0]
    return Accesses.plain(np.repeat([True, False], n), np.tile(addresses, 2), np.tile(values, 2))


def checker(addresses: NDArray[np.int64], first: int = 0x55) -> Accesses:
    """Checkerboard and its complement, each written and read back."""
    even = np.asarray(np.where(addresses & 1, first ^ 0xFF, first), np.int64)
    n = addresses.shape[0]
    values = np.concatenate([even, even, even ^ 0xFF, even ^ 0xFF])
    return Accesses.plain(np.repeat([True, False, True, False], n), np.tile(addresses, 4), values)


def block_copy(source: NDArray[np.int64], target: NDArray[np.int64]) -> Accesses:
    """Read a source byte, write it to the target, on and on."""
    n = source.shape[0]
    address = np.column_stack([source, target]).ravel()
    copy = np.tile(np.array([0, 1], np.uint8), n)
    return Accesses(np.tile([False, True], n), address, np.zeros(2 * n, np.int64), copy)


def random_reads(addresses: NDArray[np.int64], count: int, rng: np.random.Generator) -> Accesses:
    """Read ``count`` of the addresses in any order."""
    return _fetches(rng.choice(addresses, count))


def pause(cycles: int) -> Accesses:
    """Nothing but instruction fetches and idle time for ``cycles`` bus cycles."""
    return Accesses(np.array([False]), np.array([0]), np.array([cycles]), np.array([2], np.uint8))


def program(
    variables: NDArray[np.int64],
    stack_top: int,
    table: NDArray[np.int64],
    count: int,
    rng: np.random.Generator,
) -> Accesses:
    """Ordinary work: counters that are read and written back, a stack, table entries stored and fetched.

    About ``count`` accesses; the stack grows down from ``stack_top`` by at most 24 bytes.
    """
    parts = [_stores(variables, rng)]
    done = len(parts[0])
    while done < count:
        what = rng.random()
        if what < 0.4:
            cell = rng.choice(variables, 1)
            step = Accesses(np.array([False, True]), np.repeat(cell, 2), np.array([0, 1]), np.array([0, 1], np.uint8))
        elif what < 0.6:
            down = stack_top - np.arange(int(rng.integers(2, 24)))
            pushed = _stores(down, rng)
            step = Accesses.join([pushed, _fetches(down[::-1])])
        elif what < 0.8:
            step = _stores(_piece_of(table, rng), rng)
        elif what < 0.95:
            step = _fetches(_piece_of(table, rng))
        else:
            step = _stores(rng.choice(variables, 1), rng)
        parts.append(step)
        done += len(step)
    return Accesses.join(parts)


def counters(cells: NDArray[np.int64], count: int, rng: np.random.Generator) -> Accesses:
    """A main loop: about ``count`` accesses to a few cells, looked at, counted up, now and then set anew."""
    picked = rng.choice(cells, count // 2)
    what = rng.random(picked.shape[0])
    # Each visit reads the cell, then reads it again, counts it up (2 accesses either way) or sets it.
    write = np.column_stack([what < 0.1, what < 0.5]).ravel()
    copy = np.column_stack([np.zeros(picked.shape[0]), (what >= 0.1) & (what < 0.5)]).ravel().astype(np.uint8)
    value = np.where(copy == 1, 1, rng.integers(0, 256, write.shape[0]))
    fill = Accesses.plain(np.ones(cells.shape[0], np.bool_), cells, np.asarray(rng.integers(0, 256, cells.shape[0])))
    return Accesses.join([fill, Accesses(write, np.repeat(picked, 2), value, copy)])


def _stores(cells: NDArray[np.int64], rng: np.random.Generator) -> Accesses:
    """Anything written to each cell."""
    values = np.asarray(rng.integers(0, 256, cells.shape[0]), np.int64)
    return Accesses.plain(np.ones(cells.shape[0], np.bool_), cells, values)


def _fetches(cells: NDArray[np.int64]) -> Accesses:
    """Each cell read."""
    return Accesses.plain(np.zeros(cells.shape[0], np.bool_), cells, np.zeros(cells.shape[0], np.int64))


def _piece_of(table: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """A straight run of table entries."""
    length = int(rng.integers(4, 40))
    at = int(rng.integers(0, max(1, table.shape[0] - length)))
    return table[at : at + length]


def weave(
    accesses: Accesses,
    code: tuple[int, int] | None,
    rng: np.random.Generator,
    *,
    fetches: int = 4,
    loop: int = 6,
    idle_share: float = 0.0,
) -> Stimulus:
    """Let a processor run the accesses from the ROM ``code`` (first and last address, or None for none).

    ``fetches`` program bytes are read before each access, the first and third of
    them as opcodes, from a loop of ``loop`` accesses that moves on now and then;
    ``idle_share`` of the cycles do nothing (VMA low, internal operations).
    """
    n = len(accesses)
    each = fetches if code is not None else 0
    width = each + 1
    op = np.zeros((n, width), np.int64)
    opcode = np.zeros((n, width), np.bool_)
    address = np.zeros((n, width), np.int64)
    value = np.zeros((n, width), np.int64)
    copy = np.zeros((n, width), np.uint8)
    cycles = np.ones((n, width), np.int64)
    if code is not None and n:
        room = max(1, (code[1] - code[0] + 1) - loop * each - 1)
        visit = np.arange(n) // (loop * 40)
        base = code[0] + rng.integers(0, room, int(visit[-1]) + 1)[visit]
        step = (np.arange(n) % loop) * each
        address[:, :each] = (base + step)[:, None] + np.arange(each)[None, :]
        opcode[:, 0] = True
        opcode[:, min(2, each - 1)] = True
    op[:, each] = np.where(accesses.copy == 2, 2, np.where(accesses.write, 1, 0))
    address[:, each] = accesses.address
    value[:, each] = accesses.value
    copy[:, each] = np.where(accesses.copy == 1, 1, 0)
    cycles[:, each] = np.where(accesses.copy == 2, accesses.value, 1)
    runs = np.ones((n, width), np.bool_)
    if n:
        # One instruction reads a counter and writes it back, without fetching in between.
        same = accesses.address == np.roll(accesses.address, 1)
        runs[(accesses.copy == 1) & accesses.write & same & (np.arange(n) > 0), :each] = False
    made = Stimulus(op[runs], opcode[runs], address[runs], value[runs], copy[runs], cycles[runs])
    if code is not None:
        made = _waiting(made, code[0])
    return _with_idle(made, idle_share, rng) if idle_share > 0 else made


def _waiting(made: Stimulus, loop: int) -> Stimulus:
    """A pause is a wait loop of three program bytes: the processor's clock runs on, and it fetches."""
    rows = np.repeat(np.arange(len(made)), np.where(made.op == 2, made.cycles, 1))
    waits = made.op[rows] == 2
    step = np.arange(rows.shape[0]) % 3
    return Stimulus(
        np.where(waits, 0, made.op[rows]),
        np.where(waits, step == 0, made.opcode[rows]),
        np.where(waits, loop + step, made.address[rows]),
        np.where(waits, 0, made.value[rows]),
        made.copy[rows],
        np.ones(rows.shape[0], np.int64),
    )


def _with_idle(made: Stimulus, share: float, rng: np.random.Generator) -> Stimulus:
    """Some cycles that do nothing, on the address of the cycle that follows."""
    n = len(made)
    before = rng.random(n) < share
    rows = np.repeat(np.arange(n), 1 + before)
    idle = np.zeros(rows.shape[0], np.bool_)
    idle[np.cumsum(1 + before)[before] - 2] = True
    return Stimulus(
        np.where(idle, 2, made.op[rows]),
        made.opcode[rows] & ~idle,
        made.address[rows],
        np.where(idle, 0, made.value[rows]),
        np.where(idle, 0, made.copy[rows]).astype(np.uint8),
        np.where(idle, 1, made.cycles[rows]),
    )
