"""Healthy machines that are odd, or oddly captured: no part may be accused, and the answer should say what it is."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from . import quirks
from .analyser import Clips
from .card import Quirk
from .case import Case, books_with_gap, gap_of, run, setting
from .layouts import Layout, draw_layout
from .waves import Edges

ANY = [
    "clip-off", "clip-noisy", "clips-exchanged", "too-slow", "device", "read-only", "mirrored", "banked", "shared",
    "contents-lost", "other-image",
]  # fmt: skip


def row_of(draw: Random, layout: Layout) -> int:
    """Choose a row that is tested (not the one that holds the stack, if there is another)."""
    rows = [n + 1 for n, w in enumerate(layout.windows) if w]
    stack = 1 if layout.cpu == "6502" else len(layout.card.rows) - 1
    return draw.choice([r for r in rows if r != stack] or rows)


def span(layout: Layout, row: int) -> range:
    """Give the addresses of a row that the stack is not in."""
    start, size = layout.card.rows[row].start, layout.card.rows[row].size
    if layout.cpu == "6502" and start < 0x200:
        return range(max(start, 0x200), start + size)
    if layout.cpu != "6502" and row == len(layout.card.rows) - 1:
        return range(start, start + size - (64 if size == 128 else 128))
    return range(start, start + size)


def device(draw: Random, layout: Layout, limit: int) -> tuple[Quirk, list[str]]:
    """A few registers among the memory."""
    window = layout.windows[row_of(draw, layout) - 1][0]
    count = draw.choice((1, 2, 4, 8))
    at = window.start + draw.randrange(max(1, window.count - count))
    style = draw.choice(("status", "port", "timer"))
    return quirks.Registers(range(at, at + count), style, draw.randrange(999)), ["device"]


def protected(draw: Random, layout: Layout, limit: int) -> tuple[Quirk, list[str]]:
    """A row that a switch protects, or a ROM in its place."""
    return quirks.Protected(span(layout, row_of(draw, layout))), ["read-only"]


def inhibited(draw: Random, layout: Layout, limit: int) -> tuple[Quirk, list[str]]:
    """A battery's write inhibit for part of the time."""
    begin = draw.randrange(limit // 2)
    cells = span(layout, row_of(draw, layout))
    return quirks.Protected(cells, begin, begin + draw.randrange(limit // 8, limit // 2)), ["read-only"]


def mirrored(draw: Random, layout: Layout, limit: int) -> tuple[Quirk, list[str]]:
    """Half the memory that the file says, twice."""
    row = row_of(draw, layout)
    bits = layout.card.rows[row].size.bit_length() - 1
    return quirks.Mirror(row, bits - 1), ["mirrored"]


def banked(draw: Random, layout: Layout, limit: int) -> tuple[Quirk, list[str]]:
    """Banks changed by something that is not clipped."""
    moments = sorted(draw.sample(range(limit // 10, limit), draw.randint(1, 5)))
    return quirks.Banks(row_of(draw, layout), moments, draw.randrange(999)), ["banked", "shared", "contents-lost"]


def master(draw: Random, layout: Layout, limit: int) -> tuple[Quirk, list[str]]:
    """Another master's blocks."""
    moments = draw.sample(range(limit // 10, limit), draw.randint(2, 10))
    return quirks.Master(span(layout, row_of(draw, layout)), moments, draw.choice((32, 128, 256)), 7), [
        "shared", "banked", "contents-lost",
    ]  # fmt: skip


def dual_port(draw: Random, layout: Layout, limit: int) -> tuple[Quirk, list[str]]:
    """A display processor's single bytes in a window that both share."""
    window = layout.windows[row_of(draw, layout) - 1][0]
    moments = draw.sample(range(limit), limit // draw.choice((20, 60)))
    cells = range(window.start, window.start + window.count)
    return quirks.Master(cells, moments, 1, 3), ["shared", "device"]


def dip(draw: Random, layout: Layout, limit: int) -> tuple[Quirk, list[str]]:
    """Contents lost at a dip of the supply."""
    rows = list(range(1, len(layout.card.rows)))
    rows = rows if draw.random() < 0.6 else [row_of(draw, layout)]
    return quirks.Dip(rows, draw.randrange(limit // 4, limit * 3 // 4), draw.uniform(0.1, 1), 5), ["contents-lost"]


def overlay(draw: Random, layout: Layout, limit: int) -> tuple[Quirk, list[str]]:
    """ROM over RAM until it is switched out."""
    until = draw.choice((1 << 30, draw.randrange(limit // 3, limit)))
    return quirks.Overlay(span(layout, row_of(draw, layout)), until, 9), ["read-only", "banked"]


MEMORY: dict[str, Callable[[Random, Layout, int], tuple[Quirk, list[str]]]] = {
    "device": device, "protected": protected, "inhibited": inhibited, "mirrored": mirrored, "banked": banked,
    "master": master, "dual_port": dual_port, "dip": dip, "overlay": overlay,
}  # fmt: skip


def clip_off(draw: Random, layout: Layout, clips: Clips, edges: Edges) -> list[str]:
    """A clip off an address or data line, from the start or from some moment, perhaps back again."""
    line = draw.choice([f"A{n}" for n in range(12)] + [f"D{n}" for n in range(8)])
    begin = draw.choice((-1.0, draw.uniform(0.1, 0.8) * edges.end))
    end = draw.choice((2 * edges.end, (max(begin, 0) + edges.end) / 2 if begin > 0 else 2 * edges.end))
    clips.off[line] = (begin, end, draw.randrange(2))
    return ["clip-off"]


def clip_noisy(draw: Random, layout: Layout, clips: Clips, edges: Edges) -> list[str]:
    """A clip with a bad contact: many one-sample spikes."""
    clips.noisy[draw.choice([f"A{n}" for n in range(12)] + [f"D{n}" for n in range(8)])] = draw.uniform(0.05, 0.6)
    return ["clip-noisy", "clip-off"]


def exchanged(draw: Random, layout: Layout, clips: Clips, edges: Edges) -> list[str]:
    """Two clips in each other's place."""
    bus, count = draw.choice((("A", 16), ("D", 8), ("A", 10)))
    one, two = draw.sample(range(count), 2)
    clips.exchanged = (f"{bus}{one}", f"{bus}{two}")
    clips.hidden.clear()
    return ["clips-exchanged"]


def too_slow(draw: Random, layout: Layout, clips: Clips, edges: Edges) -> list[str]:
    """A sample rate that no strobe fits."""
    clips.rate = draw.choice((1.0, 2.0, 3.0, 4.0)) if edges.period < 600 else draw.choice((1.0, 1.5, 2.0))
    clips.strays = 0
    return ["too-slow"]


def ringing(draw: Random, layout: Layout, clips: Clips, edges: Edges) -> list[str]:
    """Spikes on a strobe or on the clock."""
    line = draw.choice(("RD", "WR", "MREQ")) if layout.cpu == "z80" else draw.choice(("PHI2", "RW"))
    clips.noisy[line] = draw.uniform(0.02, 0.3)
    return ["clip-noisy", "too-slow", "clip-off"]


CAPTURE = {
    "clip_off": clip_off, "clip_noisy": clip_noisy, "exchanged": exchanged, "too_slow": too_slow, "ringing": ringing,
}  # fmt: skip
SOUND = ("waits", "reset", "hidden_row", "uninitialised", "no_vma", "select_clips", "gappy")
KINDS = (*MEMORY, *CAPTURE, *SOUND, "other_image", "answers_twice", "self_modifying")


MORE = ("dma_seen", "dma_unmarked", "wrong_bus", "clip_off", "master", "banked", "dip", "mirrored")


def make_unusual(seed: int) -> Case:
    """Make an odd case; the seed turns the kinds over in order."""
    odd = KINDS[seed % len(KINDS)] if seed < 1000 else MORE[seed % len(MORE)]
    draw = Random(f"unusual/{seed}")
    for _ in range(40):
        cpu = "6800" if odd == "no_vma" else "z80" if odd.startswith("dma") else None
        layout = draw_layout(draw, cpu, extra=odd)
        limit = draw.choice((18000, 30000, 40000))
        quirk: Quirk | None = None
        rivals: list[str] = []
        if not any(layout.windows) or (odd == "other_image" and not layout.rom_in_file):
            continue
        if odd in ("clip_off", "exchanged"):
            layout.rom_in_file = layout.rom_in_file or draw.random() < 0.5
        if odd in MEMORY:
            quirk, rivals = MEMORY[odd](draw, layout, limit)
        if odd == "hidden_row" and len(layout.card.rows) > 2:
            layout.hidden = {draw.randrange(1, len(layout.card.rows))}
        if odd == "select_clips":
            layout.clip_selects = True
        log = run(layout, limit, quirk)
        if odd.startswith("dma"):
            log = run(layout, limit, dma=True)
        if odd == "reset":
            log = run(layout, limit, reset_at=limit // 2)
        edges, clips, shown = setting(draw, layout, log, 0, draw.choice((1, 2)) if odd == "waits" else 0)
        if odd in CAPTURE:
            rivals = CAPTURE[odd](draw, layout, clips, edges)
        if odd == "dma_seen":
            shown.append("BUSAK")
        if odd == "wrong_bus":
            layout.edits["bus"] = {"6800": "6502", "6502": "6800", "z80": "8085"}[layout.cpu]
            rivals = ANY
        if odd == "no_vma":
            shown.remove("VMA")
            rivals = ANY
        if odd == "select_clips" and len(layout.card.rows) > 2:
            clips.exchanged = ("CS0", "CS1")
            rivals = ["clips-exchanged"]
        if odd == "gappy":
            at = draw.uniform(0.2, 0.8) * edges.end
            clips.gap = (at, at + draw.uniform(50, 4000) * edges.period)
        books = books_with_gap(layout, log, 0, gap_of(edges, clips))
        case = Case(layout, log, books, clips, edges, shown, {}, [], 0, quirk)
        if odd == "other_image":
            rivals = ["other-image"]
            other_image(draw, case)
        if odd == "answers_twice":
            rivals = ["mirrored", "shared", "banked"]
        if odd not in (*MEMORY, "answers_twice") or len(books.mismatch) >= draw.choice((1, 4, 10)):
            break
    trouble = bool(books.mismatch) or odd in CAPTURE or odd in ("no_vma", "other_image", "wrong_bus")
    silent = not books.mismatch
    loose = odd in CAPTURE or odd in ("no_vma", "select_clips", "wrong_bus")
    exits = [0, 1, 2, 3] if loose else [1, 3] if trouble else [0]
    case.facts = {
        "kind": "unusual", "seed": seed, "odd": odd, "innocent": True,
        "tie": odd in ("protected", "inhibited", "mirrored", "overlay"),
        "faults": [], "compared": books.compared,
        "mismatch_total": len(books.mismatch), "rivals": rivals if trouble or odd == "select_clips" else [],
        "may_be_silent": odd in CAPTURE or odd in ("no_vma", "wrong_bus") or (silent and odd in SOUND),
        "expected_exit": exits,
    }  # fmt: skip
    return case


def other_image(draw: Random, case: Case) -> None:
    """Put another version of the ROM beside the board file: a run of bytes differs."""
    rom = case.layout.card.rows[0]
    read = sorted({a - rom.start for a in case.log.address if rom.start <= a < rom.start + rom.size})
    image = bytearray(rom.image)
    for _ in range(draw.randint(1, 3)):
        at = draw.choice(read)
        for n in range(at, min(at + draw.randint(2, 24), rom.size)):
            image[n] = draw.randrange(256)
    case.layout.edits["image"] = bytes(image).hex()
    where = range(rom.start, rom.start + rom.size)
    for i, address in enumerate(case.log.address):
        if address in where and case.books.expected[i] >= 0:
            case.books.expected[i] = image[address - rom.start]
            if case.books.expected[i] != case.log.data[i]:
                case.books.mismatch.append(i)
