"""Traffic of real programs: what machines did all day."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tests.outside.fifth.programs import Cpu, Program

TEXT = b"ACCOUNT 0117  THE QUICK BROWN FOX JUMPS OVER THE LAZY DOG 1234567890 TOTAL  $ 1,204.55 \x0d\x0a"


def copy(cpu: Cpu, source: int, target: int, count: int) -> Program:
    """A block move, byte by byte."""
    top = cpu.code.pc
    for i in range(count):
        cpu.code.pc = top
        yield from cpu.code.step(1)
        value = yield ("R", source + i)
        yield ("W", target + i, value)
        yield from cpu.code.step(1)


def interpreter(cpu: Cpu, start: int, size: int, room: int) -> Program:
    """A BASIC of sorts: variables of two bytes, an expression stack, GOSUBs."""
    variables = start
    heap = start + 64
    span = max(16, min(size - 64, 160))
    draw = cpu.draw
    for i in range(64):
        yield from cpu.code.step(1)
        yield ("W", variables + i, 0)
    spent = 64
    depth = 0
    while spent < room:
        back = yield from cpu.enter()
        left = variables + 2 * draw.randrange(26)
        right = variables + 2 * draw.randrange(26)
        for _ in range(draw.randint(2, 6)):
            yield from cpu.code.step(draw.randrange(3))
        low = yield ("R", left)
        high = yield ("R", left + 1)
        yield from cpu.code.step(1)
        yield ("W", heap + depth, low)
        yield ("W", heap + depth + 1, high)
        more = yield ("R", right)
        carry = yield ("R", right + 1)
        yield from cpu.code.step()
        total = low + more + draw.choice([0, 1, 1, 10, 255])
        yield ("W", left, total & 0xFF)
        yield ("W", left + 1, (high + carry + (total >> 8)) & 0xFF)
        yield from cpu.code.step(1)
        yield ("R", heap + depth)
        yield ("R", heap + depth + 1)
        depth = (depth + 2) % (span - 2) if draw.random() < 0.7 else max(0, depth - 2)
        yield from cpu.leave(back)
        spent += 14


def floats(cpu: Cpu, start: int, room: int) -> Program:
    """A floating-point workspace: two accumulators of five bytes, shifted and added again and again."""
    draw = cpu.draw
    first, second = start, start + 5
    for i in range(10):
        yield from cpu.code.step(1)
        yield ("W", first + i, draw.randrange(256))
    spent = 10
    while spent < room:
        top = cpu.code.pc
        for _ in range(8):
            cpu.code.pc = top
            carry = 0
            for i in range(5):
                yield from cpu.code.step(1)
                value = yield ("R", first + i)
                yield ("W", first + i, (value << 1 | carry) & 0xFF)
                carry = value >> 7
            if carry:
                for i in range(5):
                    yield from cpu.code.step(1)
                    one = yield ("R", first + i)
                    other = yield ("R", second + i)
                    yield ("W", first + i, (one + other) & 0xFF)
                spent += 15
            spent += 10
        yield ("W", second + draw.randrange(5), draw.randrange(256))


def printer(cpu: Cpu, buffer: int, lines: int) -> Program:
    """A line printer's buffer: filled with a line of text, counted out to the port."""
    for line in range(lines):
        top = cpu.code.pc
        shift = cpu.draw.randrange(len(TEXT))
        for i in range(80):
            cpu.code.pc = top
            yield from cpu.code.step()
            yield ("W", buffer + i, TEXT[(i + shift + line) % len(TEXT)])
            yield from cpu.code.step(1)
        top = cpu.code.pc
        for i in range(80):
            cpu.code.pc = top
            yield from cpu.code.step()
            value = yield ("R", buffer + i)
            yield from cpu.show(value)
            yield from cpu.code.step(1)


def scroll(cpu: Cpu, screen: int, rows: int, width: int, times: int) -> Program:
    """A screen: text into the last row, then everything one row up."""
    for i in range(rows * width):
        yield from cpu.code.step()
        yield ("W", screen + i, 0x20)
    for turn in range(times):
        last = screen + (rows - 1) * width
        for i in range(width):
            yield from cpu.code.step(1)
            yield ("W", last + i, TEXT[(turn * 13 + i) % len(TEXT)])
        yield from copy(cpu, screen + width, screen, (rows - 1) * width)
        for i in range(width):
            yield from cpu.code.step()
            yield ("W", last + i, 0x20)


def sort(cpu: Cpu, start: int, count: int) -> Program:
    """Insertion sort of bytes."""
    for i in range(count):
        yield from cpu.code.step(1)
        yield ("W", start + i, cpu.draw.randrange(256))
    for i in range(1, count):
        key = yield ("R", start + i)
        j = i - 1
        top = cpu.code.pc
        while j >= 0:
            cpu.code.pc = top
            yield from cpu.code.step(1)
            value = yield ("R", start + j)
            if value <= key:
                break
            yield ("W", start + j + 1, value)
            j -= 1
        yield ("W", start + j + 1, key)
        yield from cpu.code.step(2)


def ring(cpu: Cpu, start: int, room: int, size: int = 32) -> Program:
    """A serial line's ring buffer with its two pointers in memory."""
    head, tail, cells = start, start + 1, start + 2
    yield ("W", head, 0)
    yield ("W", tail, 0)
    spent, held = 0, 0
    while spent < room:
        yield from cpu.code.step(1)
        if held < size - 1 and cpu.draw.random() < 0.55:
            at = yield ("R", head)
            yield ("W", cells + at % size, TEXT[cpu.draw.randrange(len(TEXT))])
            yield from cpu.code.step(1)
            yield ("W", head, (at + 1) % size)
            held += 1
        elif held:
            at = yield ("R", tail)
            value = yield ("R", cells + at % size)
            yield from cpu.show(value)
            yield from cpu.code.step(1)
            yield ("W", tail, (at + 1) % size)
            held -= 1
        spent += 3


def nested(cpu: Cpu, room: int) -> Program:
    """Calls within calls, registers saved and restored: the stack at work."""
    spent = 0
    while spent < room:
        backs = []
        for _ in range(cpu.draw.randint(1, 6)):
            backs.append((yield from cpu.enter()))
            for _ in range(3):
                yield from cpu.push(cpu.draw.randrange(256))
            yield from cpu.code.step(1)
        for back in reversed(backs):
            yield from cpu.code.step()
            for _ in range(3):
                yield from cpu.pull()
            yield from cpu.leave(back)
            spent += 10


def search(cpu: Cpu, table: int, count: int, turns: int) -> Program:
    """Looks a table through, only reading."""
    for _ in range(turns):
        top = cpu.code.pc
        for i in range(cpu.draw.randint(4, count)):
            cpu.code.pc = top
            yield from cpu.code.step(1)
            yield ("R", table + i)


def one_of(cpu: Cpu, start: int, size: int, room: int) -> Program:
    """Some application in a range of RAM, of about `room` accesses to it."""
    draw = cpu.draw
    choice: Sequence[Callable[[], Program]] = (
        lambda: interpreter(cpu, start, size, room),
        lambda: floats(cpu, start + draw.randrange(size - 16), room),
        lambda: printer(cpu, start + draw.randrange(max(1, size - 80)), max(1, room // 160)),
        lambda: scroll(cpu, start, 5, 16, max(1, room // 200)),
        lambda: sort(cpu, start + draw.randrange(max(1, size - 48)), min(40, max(8, int(room**0.5)))),
        lambda: ring(cpu, start + draw.randrange(max(1, size - 40)), room),
    )
    yield from draw.choice(choice)()
