"""Real parts with real pinouts: what stands at each pin, as data sheets draw it (pin 1 first)."""

from __future__ import annotations

from dataclasses import dataclass

RAM, ROM, D138, D139, D42, B245, B244, B8T28, OR32, NOR02 = range(10)


@dataclass(frozen=True)
class Part:
    """One kind of chip: its behaviour, technology and pins in the order of their numbers."""

    name: str
    kind: int
    mos: bool
    pins: tuple[str, ...]
    address: int = 0
    data: int = 0
    separate: bool = False
    out_in_write: bool = False

    def order(self) -> list[str]:
        """Give the pins in the order in which the simulation reads them; supply comes first."""
        head = ["VCC", "GND"]
        if self.kind in (RAM, ROM):
            sel = "CE" if self.name in ("2102", "2716", "2732") else "CS1" if self.name == "6264" else "CS"
            we = "RW" if self.name == "2102" else "WE" if self.kind == RAM else ""
            tail = [sel, we, "OE" if "OE" in self.pins else "", "CS2" if "CS2" in self.pins else ""]
            head += tail + [f"A{i}" for i in range(self.address)]
            if self.separate:
                return [*head, "DI0", "DO0"]
            return head + [f"D{i}" for i in range(self.data)]
        if self.kind == D138:
            return head + ["A", "B", "C", "G2A", "G2B", "G1"] + [f"Y{i}" for i in range(8)]
        if self.kind == D139:
            halves = [f"{h}{p}" for h in "12" for p in ("G", "A", "B", "Y0", "Y1", "Y2", "Y3")]
            return head + halves
        if self.kind == D42:
            return head + ["A", "B", "C", "D"] + [f"Y{i}" for i in range(10)]
        if self.kind == B245:
            return [*head, "DIR", "G", *(f"A{i}" for i in range(1, 9)), *(f"B{i}" for i in range(1, 9))]
        if self.kind == B244:
            names = [f"{h}{{}}{i}" for h in "12" for i in range(1, 5)]
            return [*head, "1G", "2G", *(n.format("A") for n in names), *(n.format("Y") for n in names)]
        if self.kind == B8T28:
            return [*head, "RE", "DE", *(f"{k}{i}" for k in "RBD" for i in range(4))]
        return head + [f"{g}{p}" for g in "1234" for p in "ABY"]


def _p(text: str) -> tuple[str, ...]:
    return tuple(text.split())


_BYTE24 = "A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7"
PARTS = {
    p.name: p
    for p in (
        Part("2102", RAM, True, _p("A6 A5 RW A1 A2 A3 A4 A0 GND VCC DI0 DO0 CE A9 A8 A7"), 10, 1, True, True),
        Part("2147", RAM, True, _p("A0 A1 A2 A3 A4 A5 DO0 WE GND CS DI0 A11 A10 A9 A8 A7 A6 VCC"), 12, 1, True),
        Part("2114", RAM, True, _p("A6 A5 A4 A3 A0 A1 A2 CS GND WE D3 D2 D1 D0 A9 A8 A7 VCC"), 10, 4),
        Part("6116", RAM, True, _p(_BYTE24 + " CS A10 OE WE A9 A8 VCC"), 11, 8),
        Part("6264", RAM, True,
             _p("NC A12 A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7 CS1 A10 OE A11 A9 A8 CS2 WE VCC"), 13, 8),
        Part("2716", ROM, True, _p(_BYTE24 + " CE A10 OE VPP A9 A8 VCC"), 11, 8),
        Part("2732", ROM, True, _p(_BYTE24 + " CE A10 OE A11 A9 A8 VCC"), 12, 8),
        Part("74LS138", D138, False, _p("A B C G2A G2B G1 Y7 GND Y6 Y5 Y4 Y3 Y2 Y1 Y0 VCC")),
        Part("74LS139", D139, False, _p("1G 1A 1B 1Y0 1Y1 1Y2 1Y3 GND 2Y3 2Y2 2Y1 2Y0 2B 2A 2G VCC")),
        Part("74LS42", D42, False, _p("Y0 Y1 Y2 Y3 Y4 Y5 Y6 GND Y7 Y8 Y9 D C B A VCC")),
        Part("74LS245", B245, False, _p("DIR A1 A2 A3 A4 A5 A6 A7 A8 GND B8 B7 B6 B5 B4 B3 B2 B1 G VCC")),
        Part("74LS244", B244, False,
             _p("1G 1A1 2Y4 1A2 2Y3 1A3 2Y2 1A4 2Y1 GND 2A1 1Y4 2A2 1Y3 2A3 1Y2 2A4 1Y1 2G VCC")),
        Part("8T28", B8T28, False, _p("RE R0 B0 D0 R1 B1 D1 GND D2 B2 R2 D3 B3 R3 DE VCC")),
        Part("74LS32", OR32, False, _p("1A 1B 1Y 2A 2B 2Y GND 3Y 3A 3B 4Y 4A 4B VCC")),
        Part("74LS02", NOR02, False, _p("1Y 1A 1B 2Y 2A 2B GND 3A 3B 3Y 4A 4B 4Y VCC")),
    )
}  # fmt: skip


def is_output(part: Part, pin: str) -> bool:
    """Tell whether a pin only drives."""
    if part.kind in (D138, D139, D42):
        return "Y" in pin
    if part.kind in (B244, OR32, NOR02):
        return "Y" in pin
    if part.kind == B8T28:
        return pin[0] == "R" and pin != "RE"
    return pin.startswith("DO") or (part.kind == ROM and pin[0] == "D")


def is_both(part: Part, pin: str) -> bool:
    """Tell whether a pin drives at times and listens at others."""
    if part.kind == RAM and not part.separate:
        return pin[0] == "D"
    if part.kind == B245:
        return pin[0] in "AB"
    return part.kind == B8T28 and pin[0] == "B"


def pin_class(part: Part, pin: str) -> str:
    """Name the class under which a pin is counted."""
    if pin in ("VCC", "GND"):
        return "supply"
    if part.kind in (RAM, ROM):
        if pin[0] == "A":
            return "chip address"
        if pin[0] == "D":
            return "chip data"
        return {"WE": "chip WE", "RW": "chip WE", "OE": "chip OE"}.get(pin, "chip CS")
    if part.kind in (D138, D139, D42):
        return "decoder out" if "Y" in pin else "decoder G" if "G" in pin else "decoder in"
    if part.kind == B245:
        return {"DIR": "driver DIR", "G": "driver OE"}.get(pin, "driver data")
    if part.kind == B8T28:
        return "driver OE" if pin in ("RE", "DE") else "driver data"
    return "buffer OE" if "G" in pin and part.kind == B244 else "buffer line" if part.kind == B244 else "gate"
