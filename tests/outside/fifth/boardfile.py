"""The board file of a card, in the contract's words."""

from __future__ import annotations

from pathlib import Path

from tests.outside.fifth.model import Card


def lanes(bits: tuple[int, ...]) -> str:
    """`D0-D3`, or `D5`."""
    return f"D{bits[0]}-D{bits[-1]}" if len(bits) > 1 else f"D{bits[0]}"


def quoted(table: dict[str, str]) -> str:
    """An inline table."""
    return "{ " + ", ".join(f'{key} = "{value}"' for key, value in table.items()) + " }"


def write(folder: Path, card: Card, wiring: dict[str, str] | None, leave_out: frozenset[str] = frozenset()) -> None:
    """Writes board.toml and the images that it names."""
    out = ["[board]", f'name = "{card.name}"', f'bus = "{card.bus}"', ""]
    if wiring:
        out.append("[wiring]")
        out += [f'{line} = "{channel}"' for line, channel in wiring.items()]
        out.append("")
    for one in card.regions:
        if one.name in leave_out:
            continue
        out += ["[[region]]", f'name = "{one.name}"', f"start = 0x{one.start:04X}", f"end = 0x{one.end:04X}",
                f'kind = "{one.kind}"']
        if one.select and card.decoder:
            out.append(f'select = "{one.select}"')
        if one.told is not None and one.kind == "rom":
            (folder / f"{one.name}.bin").write_bytes(one.told)
            out.append(f'image = "{one.name}.bin"')
        out.append("chips = [")
        out += [f'  {{ designator = "{c.designator}", part = "{c.part}", lanes = "{lanes(c.lanes)}" }},'
                for c in one.chips]
        out += ["]", ""]
    if card.decoder:
        d = card.decoder
        live = {one.select for one in card.regions if one.name not in leave_out}
        outputs = {pin: line for pin, line in d.outputs.items() if line in live}
        out += ["[[decoder]]", f'designator = "{d.designator}"', f'part = "{d.part}"',
                f"inputs = {quoted(d.inputs)}", f"outputs = {quoted(outputs)}", ""]
    served = [one.name for one in card.regions if one.buffered and one.name not in leave_out]
    listed = "[" + ", ".join(f'"{name}"' for name in served) + "]"
    if card.buffer:
        line, level = card.buffer_direction
        out += ["[[buffer]]", f'designator = "{card.buffer}"', 'part = "74LS245"', 'lanes = "D0-D7"',
                f"serves = {listed}", f'direction = {{ line = "{line}", to_cpu = {level} }}', ""]
    if card.address_buffer:
        name, lines = card.address_buffer
        told = ", ".join(f'"A{line}"' for line in lines)
        out += ["[[buffer]]", f'designator = "{name}"', 'part = "74LS244"', f"lines = [{told}]",
                f"serves = {listed}", ""]
    (folder / "board.toml").write_text("\n".join(out))
