"""Where a line can be clipped: part and pin from the library's pin-outs, and what not to touch beside it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

from pydantic import BaseModel, ConfigDict

from busledger.decoder.board import Board, Buffer, BufferPart, Chip, Decoder, MemoryPart, Part, Region
from busledger.decoder.planning.sight import Bench

__all__ = ["CAUTIONS", "ClipPoint", "cautions_of", "clip_points"]

# Common practice at the bench.
CAUTIONS: tuple[str, ...] = (
    "Ground first: clip the analyser's ground to the board's ground before any other lead, and take it off last. "
    "Use a ground lead for every few channels.",
    "Switch the machine off to clip and to move clips, and wait until the supplies have fallen.",
    "Never let a clip touch two pins: next to many signal pins lies a supply or ground, and a clip across a supply "
    "destroys parts.",
    "Look at the analyser's input limits before the first pin: most stand 5 V logic and not more; "
    "lines of RS-232 and cassette or display circuits may carry 12 V.",
    "Backplanes carry unregulated or high rails beside the signals; find them in the machine's papers and mark them "
    "before you clip there.",
    "Touch ground before you touch a part: old MOS parts do not survive a spark.",
    "Inside open equipment mains and hot regulators are within reach. Local codes and licensed practice decide what "
    "you may do there; where in doubt, stop.",
)
_MOST = 6  # places listed a line


class ClipPoint(BaseModel):
    """A pin that carries the line. ``sure``: the board file says so; otherwise it is what such boards usually do,
    and a meter between this pin and the bus must confirm it. ``beware`` names supply pins next to it; ``pins`` of the
    package, 0 where its pin-out is not known."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    designator: str
    part: str
    pin: int
    pin_name: str
    sure: bool
    beware: str = ""
    source: str = ""
    pins: int = 0


def clip_points(bench: Bench, line: str) -> tuple[ClipPoint, ...]:
    """Pins that carry ``line``, surest first; empty where no pin-out of the board's parts tells."""
    found = list(dict.fromkeys(_points(bench, line)))
    safe = sorted(found, key=lambda p: (not p.sure, p.beware != "", found.index(p)))
    return tuple(safe[:_MOST])


def cautions_of(board: Board) -> tuple[str, ...]:
    """The usual cautions, and the pins of this board's own parts whose rails kill a probe."""
    told: dict[str, None] = {}
    for part, names in _parts(board).items():
        for pin, volts in part.dangerous_pins.items():
            told[f"Pin {pin} of each {part.name} ({', '.join(names)}) carries {volts:+g} V: never clip there."] = None
    return (*CAUTIONS, *told)


def _parts(board: Board) -> dict[Part, list[str]]:
    found: dict[Part, list[str]] = {}
    for region in board.regions:
        for chip in region.chips:
            if chip.part is not None:
                found.setdefault(chip.part, []).append(chip.designator)
    for decoder in board.decoders:
        found.setdefault(decoder.part, []).append(decoder.designator)
    for buffer in board.buffers:
        found.setdefault(buffer.part, []).append(buffer.designator)
    return found


def _points(bench: Bench, line: str) -> Iterator[ClipPoint]:
    board = bench.board
    for decoder in board.decoders:
        yield from _of_decoder(decoder, line)
    for buffer in board.buffers:
        yield from _of_buffer(buffer, line)
    lane = next((bit for bit, name in bench.data.items() if name == line), None)
    bit = next((b for b, name in bench.address.items() if name == line), None)
    control = line in bench.profile.lines and bench.profile.lines[line].role not in ("address", "data")
    for region in board.regions:
        for chip in region.chips:
            if chip.part is None:
                continue
            if region.select == line:
                yield from _selects(chip.designator, chip.part)
            if lane is not None and lane in chip.lanes:
                yield from _lane(chip, chip.part, lane)
            if bit is not None:
                yield from _address(bench, region, chip.designator, chip.part, bit)
            if control:
                yield from _named(chip.designator, chip.part, line)


def _point(designator: str, part: Part, signal: str, sure: bool) -> Iterator[ClipPoint]:
    pin = part.pin(signal)
    if pin is not None:
        yield ClipPoint(
            designator=designator, part=part.name, pin=pin, pin_name=part.pinout[pin - 1], sure=sure,
            beware=_neighbours(part, pin), source=part.pinout_source or part.source,
            pins=len(part.pinout),
        )  # fmt: skip


@cache
def _neighbours(part: Part, pin: int) -> str:
    """Supply pins beside this one, in words."""
    beside = [(p, part.rails[p]) for p in (pin - 1, pin + 1) if p in part.rails]
    half = len(part.pinout) // 2
    near = [(p, v) for p, v in beside if (p <= half) == (pin <= half)]
    return "; ".join(f"pin {p} beside it is {'ground' if v == 0 else f'{v:+g} V'}" for p, v in near)


def _of_decoder(decoder: Decoder, line: str) -> Iterator[ClipPoint]:
    for pins in (decoder.outputs, decoder.inputs):
        for signal, wired in pins.items():
            if wired == line:
                yield from _point(decoder.designator, decoder.part, signal, True)


def _of_buffer(buffer: Buffer, line: str) -> Iterator[ClipPoint]:
    """Direction and enable pins; which of the through pins carries a line the board file does not say."""
    part: BufferPart = buffer.part
    if buffer.direction is not None and buffer.direction.line == line and part.direction is not None:
        yield from _point(buffer.designator, part, part.direction.pin, True)
    if buffer.enable is not None and buffer.enable.line == line:
        for pin in dict.fromkeys(enable.pin for group in part.groups for enable in group.enables):
            if part.direction is None or pin != part.direction.pin:
                yield from _point(buffer.designator, part, pin, False)


def _selects(designator: str, part: MemoryPart) -> Iterator[ClipPoint]:
    only = len(part.selects) == 1
    for select in part.selects:
        yield from _point(designator, part, select.pin, only)


def _lane(chip: Chip, part: MemoryPart, lane: int) -> Iterator[ClipPoint]:
    """The data pin: sure where the chip has one only, else by the order that the board file gives."""
    place = chip.lanes.index(lane)
    for stem in ("D", "DO", "O", "IO", "Q"):
        names = [f"{stem}{place}", stem] if part.width == 1 else [f"{stem}{place}"]
        for name in names:
            if part.pin(name) is not None:
                yield from _point(chip.designator, part, name, part.width == 1)
                return


def _address(bench: Bench, region: Region, designator: str, part: MemoryPart, bit: int) -> Iterator[ClipPoint]:
    # A bus of two bytes counts bytes, its chips count words: their A0 is the line after those that pick the byte.
    byte_bits = max(1, len(bench.data) // 8).bit_length() - 1
    inside = [b for b in bench.cell_bits[bench.board.region_index(region.name)] if b >= byte_bits]
    if bit in inside and part.multiplexed_bits is None:
        yield from _point(designator, part, f"A{inside.index(bit)}", False)


def _named(designator: str, part: MemoryPart, line: str) -> Iterator[ClipPoint]:
    """A control line that the chip has under the same name; boards often gate it on the way."""
    yield from _point(designator, part, line, False)
