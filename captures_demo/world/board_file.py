"""The board file of a machine, in the contract's TOML."""

from __future__ import annotations

from collections.abc import Mapping

from busledger.captures_demo.world.buses import BUS_KINDS
from busledger.captures_demo.world.machine import Card, Machine, Region

__all__ = ["board_toml", "lanes_text"]


def lanes_text(lanes: tuple[int, ...]) -> str:
    """Lanes as the contract writes them: a range in quotes, or a list."""
    if lanes == tuple(range(lanes[0], lanes[-1] + 1)) and len(lanes) > 1:
        return f'"D{lanes[0]}-D{lanes[-1]}"'
    return "[" + ", ".join(f'"D{lane}"' for lane in lanes) + "]"


def board_toml(
    machine: Machine, *, images: Mapping[str, str] | None = None, far_side: bool = False, comment: str = ""
) -> str:
    """TOML text.

    ``images``: region name → file name of its ROM image, for those that come with one.
    ``far_side``: name the card-side data lines (``MD`` + card name + lane), for when they are clipped.
    """
    lines = [f"# {line}" for line in comment.splitlines()] + ([""] if comment else [])
    lines += ["[board]", f'name = "{machine.name}"', f'bus = "{machine.bus}"']
    if machine.description:
        lines.append(f'description = "{machine.description}"')
    for region in machine.regions:
        lines += _region(region, (images or {}).get(region.name))
    for index, card in enumerate(machine.cards):
        served = [region.name for region in machine.regions if region.card == index]
        lines += _decoder(card) + _buffers(machine, card, served, far_side)
    return "\n".join(lines) + "\n"


def _region(region: Region, image: str | None) -> list[str]:
    lines = ["", "[[region]]", f'name = "{region.name}"', f"start = 0x{region.start:04X}", f"end = 0x{region.end:04X}"]
    lines.append(f'kind = "{region.kind}"')
    if region.select:
        lines.append(f'select = "{region.select}"')
    if image:
        lines.append(f'image = "{image}"')
    if region.chips:
        lines.append("chips = [")
        for chip in region.chips:
            lines.append(
                f'  {{ designator = "{chip.designator}", part = "{chip.part}", lanes = {lanes_text(chip.lanes)} }},'
            )
        lines.append("]")
    return lines


def _pairs(pairs: tuple[tuple[str, str], ...]) -> str:
    return "{ " + ", ".join(f'{pin} = "{line}"' for pin, line in pairs) + " }"


def _decoder(card: Card) -> list[str]:
    if not card.decoder or not card.decoder_outputs:
        return []
    return [
        "",
        "[[decoder]]",
        f'designator = "{card.decoder}"',
        f'part = "{card.decoder_part}"',
        f"inputs = {_pairs(card.decoder_inputs)}",
        f"outputs = {_pairs(card.decoder_outputs)}",
    ]


def _buffers(machine: Machine, card: Card, served: list[str], far_side: bool) -> list[str]:
    lines: list[str] = []
    names = "[" + ", ".join(f'"{name}"' for name in served) + "]"
    if card.buffer:
        lines += ["", "[[buffer]]", f'designator = "{card.buffer}"', f'part = "{card.buffer_part}"']
        lines += [f'lanes = "D0-D{machine.data_bits - 1}"', f"serves = {names}"]
        if card.follows:
            lines.append(f'direction = {{ line = "DIR{card.name}", to_cpu = 0 }}')
        else:
            read_line, to_cpu = BUS_KINDS[machine.bus].read_line
            lines.append(f'direction = {{ line = "{read_line}", to_cpu = {to_cpu} }}')
            lines.append(f'enable = {{ line = "BEN{card.name}", active = 0 }}')
        if far_side:
            far = ", ".join(f'D{lane} = "MD{card.name}{lane}"' for lane in range(machine.data_bits))
            lines.append(f"far_side = {{ {far} }}")
    if card.address_buffer:
        lines += ["", "[[buffer]]", f'designator = "{card.address_buffer}"', 'part = "74LS244"']
        lines.append("lines = [" + ", ".join(f'"A{line}"' for line in card.address_lines) + "]")
        lines.append(f"serves = {names}")
    return lines
