"""A table of bytes with labels: all that is needed to assemble short test programs by hand."""

from __future__ import annotations


class Asm:
    """Bytes at an origin, with labels for jumps, absolute (little or big end first) and relative."""

    def __init__(self, origin: int, big_end: bool = False) -> None:
        self.origin = origin
        self.big = big_end
        self.code = bytearray()
        self.labels: dict[str, int] = {}
        self.fixes: list[tuple[int, str, bool]] = []
        self.count = 0

    @property
    def here(self) -> int:
        """Address of the next byte."""
        return self.origin + len(self.code)

    def put(self, *items: int | str) -> None:
        """Add bytes; `"=name"` is a label's address, `"~name"` its distance from here."""
        for item in items:
            if isinstance(item, int):
                self.code.append(item & 0xFF)
            else:
                self.fixes.append((len(self.code), item[1:], item[0] == "~"))
                self.code += bytes(1 if item[0] == "~" else 2)

    def word(self, value: int) -> tuple[int, int]:
        """Split an address as the processor wants it."""
        low, high = value & 0xFF, value >> 8 & 0xFF
        return (high, low) if self.big else (low, high)

    def label(self, name: str) -> None:
        """Name this place."""
        self.labels[name] = self.here

    def fresh(self, stem: str = "l") -> str:
        """Give a name nobody used."""
        self.count += 1
        return f"{stem}{self.count}"

    def done(self, size: int, fill: int = 0xFF) -> bytearray:
        """Give the image, its jumps filled in."""
        for at, name, relative in self.fixes:
            target = self.labels[name]
            if relative:
                distance = target - (self.origin + at + 1)
                assert -128 <= distance < 128, name
                self.code[at] = distance & 0xFF
            else:
                self.code[at : at + 2] = bytes(self.word(target))
        assert len(self.code) <= size, (len(self.code), size)
        return self.code + bytes([fill]) * (size - len(self.code))
