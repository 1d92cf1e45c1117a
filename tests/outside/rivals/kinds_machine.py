"""Kinds of machines that are sound but unusual."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from . import quirks, truth
from .cpu import Cpu
from .layout import Wish
from .programs import spans_of
from .scene import Plan, Scene
from .truth import Pair


def pick(scene: Scene) -> int:
    return int(scene.rng.choice(scene.layout.ram))


def _place(scene: Scene, region: int, size: int) -> int:
    """An offset aligned to the size."""
    slots = scene.layout.regions[region].size // size
    return int(scene.rng.integers(0, slots)) * size


def _range(scene: Scene, region: int, offset: int, size: int) -> dict[str, Any]:
    start = scene.layout.regions[region].start + offset
    return {"regions": [scene.layout.regions[region].name], "range": [start, start + size - 1]}


def _without(scene: Scene, region: int, offset: int, size: int) -> None:
    """Let programs keep away from a part of a region."""
    spans = []
    for number in scene.layout.ram:
        start, length = scene.layout.regions[number].start, scene.layout.regions[number].size
        if number != region:
            spans.append((start, length))
            continue
        spans += [(a, n) for a, n in ((start, offset), (start + offset + size, length - offset - size)) if n >= 64]
    if spans:
        scene.spans = spans


def _spare_address(scene: Scene) -> int:
    """An address where no memory is."""
    while True:
        address = int(scene.rng.integers(0x1000, 0xE000))
        if scene.world.where[address] < 0:
            return address


def _look(cpu: Cpu, start: int, size: int, count: int) -> None:
    """Read here and there in a range, a run and single cells."""
    first = int(cpu.luck() * max(1, size - count // 2))
    for i in range(min(count // 2, size)):
        cpu.read(start + (first + i) % size)
    for _ in range(count // 2):
        cpu.read(start + int(cpu.luck() * size))


def device(scene: Scene, style: str = "mixed") -> None:
    region = pick(scene)
    size = 2 if style == "uart" else int(scene.rng.choice([1, 2, 4, 8, 16, 64]))
    offset = _place(scene, region, size)
    scene.world.quirks.append(quirks.Device(region, offset, size, style))
    avoided = bool(scene.rng.random() < 0.7)
    if avoided:
        _without(scene, region, offset, size)
    base = scene.layout.regions[region].start + offset

    def between(cpu: Cpu) -> None:
        for register in range(min(size, 8)):
            cpu.write(base + register, int(cpu.luck() * 256))
        for _ in range(12):
            for register in range(min(size, 3)):
                cpu.read(base + register)
            cpu.write(base + int(cpu.luck() * size), int(cpu.luck() * 256))
            cpu.read(base + int(cpu.luck() * size))

    scene.between = between
    name = "device"
    truth.rival(
        scene, name, [("device", "machine")], where=_range(scene, region, offset, size),
        variant="kept out of" if avoided else "walked over",
    )  # fmt: skip


def uart(scene: Scene) -> None:
    device(scene, "uart")


def protected(scene: Scene) -> None:
    region = pick(scene)
    whole = scene.layout.regions[region].size
    size = whole if scene.rng.random() < 0.5 or whole <= 256 else int(scene.rng.choice([256, whole // 2]))
    offset = _place(scene, region, size)
    style = str(scene.rng.choice(["permanent", "line seen", "line unseen"]))
    period = 0 if style == "permanent" else int(scene.rng.integers(700, 2500))
    name = "WPROT" if style == "line seen" else None
    scene.world.quirks.append(quirks.Protected(region, offset, size, name, period))
    accept: list[Pair] = [("read-only", "machine")] + ([] if period == 0 else [("banked", "machine")])
    truth.rival(scene, "read-only", accept, where=_range(scene, region, offset, size), variant=style)


def mirror_two(scene: Scene) -> None:
    a, b = sorted(scene.rng.choice(scene.layout.ram, 2, replace=False).tolist())
    size = scene.layout.regions[a].size
    scene.world.quirks.append(quirks.Mirror(b, a, size - 1))
    where = {"regions": [scene.layout.regions[a].name, scene.layout.regions[b].name]}
    truth.rival(scene, "mirrored", [("mirrored", "machine")], where=where)


def mirror_oversize(scene: Scene) -> None:
    region = pick(scene)
    size = scene.layout.regions[region].size
    fold = 2 if scene.rng.random() < 0.75 or size <= 512 else 4
    scene.world.quirks.append(quirks.Mirror(region, region, size // fold - 1))
    truth.rival(scene, "mirrored", [("mirrored", "machine")], where=_range(scene, region, 0, size), variant=f"1/{fold}")


def mirror_sizing(scene: Scene) -> None:
    region = pick(scene)
    there = scene.layout.regions[region]
    half = there.size // 2
    scene.world.quirks.append(quirks.Mirror(region, region, half - 1))
    scene.spans = [(s, half if s == there.start else n) for s, n in spans_of(scene.layout)]
    step = int(scene.rng.choice([1, 16, 64]))

    def between(cpu: Cpu) -> None:
        # how much memory is there? a mark at the bottom, then upwards until the mark changes
        cpu.write(there.start, 0xA5)
        for a in range(there.start + step, there.end + 1, step):
            cpu.write(a, 0x5A)
            cpu.read(a)
            if cpu.read(there.start) != 0xA5:
                break
        for i in range(4):  # and once more to be sure
            cpu.write(there.start + i, 0x11 * (i + 1))
            cpu.write(there.start + half + i, 0xEE - i)
            cpu.read(there.start + i)

    scene.between = between
    truth.rival(scene, "mirrored", [("mirrored", "machine")], where=_range(scene, region, 0, there.size))


def banked(scene: Scene, seen: bool) -> None:
    region = pick(scene)
    there = scene.layout.regions[region]
    io = scene.family == "z80" and bool(scene.rng.random() < 0.6)
    latch = int(scene.rng.integers(0, 256)) if io else _spare_address(scene)
    banks = int(scene.rng.choice([2, 2, 4]))
    names = [f"PAGE{b}" for b in range(1 if banks == 2 else 2)] if seen else []
    scene.world.quirks.append(quirks.Banks(region, banks, latch, io, names, np.random.default_rng(scene.seed)))

    def between(cpu: Cpu) -> None:
        value = int(cpu.luck() * banks) | 0x40
        if io:
            cpu.out(latch, value)
        else:
            cpu.write(latch, value)
        _look(cpu, there.start, there.size, 60)
        for i in range(40):
            cpu.write(there.start + i, (value * 31 + i) & 0xFF)

    scene.between = between
    where = _range(scene, region, 0, there.size) | {"latch": latch, "io": io}
    truth.rival(scene, "banked", [("banked", "machine")], where=where, variant="OUT" if io else "memory write")


def banked_seen(scene: Scene) -> None:
    banked(scene, True)


def banked_unseen(scene: Scene) -> None:
    banked(scene, False)


def shadow(scene: Scene) -> None:
    region = pick(scene)
    there = scene.layout.regions[region]
    io = scene.family == "z80" and bool(scene.rng.random() < 0.6)
    latch = int(scene.rng.integers(0, 256)) if io else _spare_address(scene)
    image = scene.rng.integers(0, 256, there.size).astype(np.uint8).tobytes()
    name = "ROMOFF" if scene.rng.random() < 0.4 else None
    scene.world.quirks.append(quirks.Shadow(region, latch, io, name, image))
    _without(scene, region, 0, there.size)
    turn = [0]

    def between(cpu: Cpu) -> None:
        first = int(cpu.luck() * (there.size - 65))
        for i in range(64):  # copy the ROM down into the RAM under it, with the settings changed
            value = cpu.read(there.start + first + i)
            cpu.write(there.start + first + i, value if cpu.luck() < 0.6 else int(cpu.luck() * 256))
        _look(cpu, there.start + first, 64, 40)
        turn[0] += 1
        if cpu.luck() < 0.6:
            if io:
                cpu.out(latch, turn[0] & 1)
            else:
                cpu.write(latch, turn[0] & 1)
            _look(cpu, there.start + first, 64, 60)

    scene.between = between
    accept: list[Pair] = [("banked", "machine"), ("read-only", "machine")]
    truth.rival(
        scene, "banked", accept, where=_range(scene, region, 0, there.size), variant="seen" if name else "unseen"
    )


def shared(scene: Scene) -> None:
    region = pick(scene)
    there = scene.layout.regions[region]
    size = int(scene.rng.choice([64, there.size // 2, there.size]))
    offset = _place(scene, region, size)
    gap = int(scene.rng.integers(150, 600))
    scene.world.quirks.append(quirks.Shared(region, offset, size, gap))

    def between(cpu: Cpu) -> None:
        _look(cpu, there.start + offset, size, 120)

    scene.between = between
    truth.rival(scene, "shared", [("shared", "machine")], where=_range(scene, region, offset, size))


def mailbox(scene: Scene) -> None:
    region = pick(scene)
    size = int(scene.rng.choice([2, 4, 8, 16]))
    offset = _place(scene, region, size)
    scene.world.quirks.append(quirks.Shared(region, offset, size, int(scene.rng.integers(60, 300))))
    _without(scene, region, offset, size)
    base = scene.layout.regions[region].start + offset

    def between(cpu: Cpu) -> None:
        for i in range(size):
            cpu.write(base + i, int(cpu.luck() * 256))
        for _ in range(6):
            cpu.write(base, 0)  # "done" flag, set by the other side
            for _ in range(12):
                cpu.read(base)
                cpu.read(base + int(cpu.luck() * size))

    scene.between = between
    accept: list[Pair] = [("shared", "machine"), ("device", "machine")]
    truth.rival(scene, "shared", accept, where=_range(scene, region, offset, size))


def narrow(scene: Scene) -> None:
    region = pick(scene)
    lanes = 0x0F if scene.rng.random() < 0.8 else 0xF0
    scene.world.quirks.append(quirks.Narrow(region, lanes))
    scene.layout.far_side = False
    where = _range(scene, region, 0, scene.layout.regions[region].size) | {"lanes": lanes}
    truth.rival(scene, "narrow", [("*", "machine")], where=where)


def contents_lost(scene: Scene) -> None:
    share = float(scene.rng.choice([0.3, 0.6, 1.0]))
    regions = scene.layout.ram
    dip = quirks.Dip(-1, regions, share)
    scene.world.quirks.append(dip)
    calls = [0]
    strike = int(scene.rng.integers(2, 4))

    def between(cpu: Cpu) -> None:
        calls[0] += 1
        if calls[0] == strike:
            dip.moment = scene.world.count
            dip.every(scene.world)
            dip.moment = -1
            for start, size in spans_of(scene.layout):
                _look(cpu, start, size, 80)

    scene.between = between
    where = {"regions": [scene.layout.regions[i].name for i in regions]}
    truth.rival(scene, "contents-lost", [("contents-lost", "machine")], where=where, variant=f"{share:.0%}")


def block_moved(scene: Scene, granted: bool) -> None:
    region = pick(scene)
    there = scene.layout.regions[region]
    length = min(int(scene.rng.choice([32, 64, 128, 256])), there.size // 2)
    spot = [0]

    def block() -> tuple[int, int]:
        spot[0] = int(scene.rng.integers(0, there.size - length))
        return spot[0], length

    blocks = quirks.Blocks(region, block)

    def between(cpu: Cpu) -> None:
        blocks.strike(scene.world)
        if granted:
            cpu.grant(length + 12)
        else:
            cpu.silence(length * 2 + 40)
        for i in range(length):
            cpu.read(there.start + spot[0] + i)
        _look(cpu, there.start, there.size, 40)

    scene.between = between
    accept: list[Pair] = [("shared", "machine"), ("contents-lost", "machine")]
    truth.rival(
        scene, "shared", accept, exits=(0, 3), expect="rival-if-mismatch", where=_range(scene, region, 0, there.size),
        variant=scene.family,
    )  # fmt: skip


def dma_grant(scene: Scene) -> None:
    block_moved(scene, True)


def dma_silence(scene: Scene) -> None:
    block_moved(scene, False)


def other_image(scene: Scene) -> None:
    assert scene.image is not None
    image = bytearray(scene.image)
    rng = scene.rng
    for _ in range(int(rng.integers(3, 14))):
        length = int(rng.integers(1, 60))
        first = int(rng.integers(0, len(image) - length))
        if rng.random() < 0.3:  # code that moved down by a byte or two
            image[first : first + length] = image[first + 1 : first + length + 1]
        else:
            image[first : first + length] = rng.integers(0, 256, length).astype(np.uint8).tobytes()
    image = image[: len(scene.image)].ljust(len(scene.image), b"\xff")
    scene.image = bytes(image)
    rom = next(r for r in scene.layout.regions if r.kind == "rom")
    where = {"regions": [rom.name], "range": [rom.start, rom.end]}
    truth.rival(scene, "other-image", [("other-image", "machine")], where=where)


def shows(least: int) -> Callable[[Scene], None]:
    def spoil(scene: Scene) -> None:
        truth.need(scene, least)

    return spoil


_MACHINES: dict[str, Plan] = {
    "device": Plan(setup=device, spoil=shows(6)),
    "uart": Plan(setup=uart, spoil=shows(6)),
    "write-protected": Plan(setup=protected, spoil=shows(10)),
    "mirror-two": Plan(setup=mirror_two, spoil=shows(10), wish=Wish(regions=3, decoder=False, chips=False)),
    "mirror-oversize": Plan(setup=mirror_oversize, spoil=shows(10), wish=Wish(chips=False)),
    "mirror-sizing": Plan(setup=mirror_sizing, spoil=shows(3), wish=Wish(chips=False)),
    "bank-seen": Plan(setup=banked_seen, spoil=shows(10)),
    "bank-unseen": Plan(setup=banked_unseen, spoil=shows(10)),
    "shadow-rom": Plan(setup=shadow, spoil=shows(10)),
    "shared": Plan(setup=shared, spoil=shows(6)),
    "mailbox": Plan(setup=mailbox, spoil=shows(6)),
    "narrow": Plan(setup=narrow, spoil=shows(10), wish=Wish(chips=False)),
    "contents-lost": Plan(setup=contents_lost, spoil=shows(20)),
    "dma-grant": Plan(setup=dma_grant, spoil=shows(6)),
    "dma-silence": Plan(setup=dma_silence, spoil=shows(6)),
}
PLANS: dict[str, Plan] = {
    **_MACHINES,
    "other-image": Plan(setup=other_image, spoil=shows(3), wish=Wish(rom=True, code_in_rom=True)),
    **{f"bare-{name}": replace(plan, board=False) for name, plan in _MACHINES.items()},
}
