"""The hash of an effect in Python integers (splitmix64: Steele, Lea, Flood, OOPSLA 2014, constants from memory)."""

from __future__ import annotations

_ALL = (1 << 64) - 1


def mix(index: int, bits: int) -> int:
    z = (index * 0x9E3779B97F4A7C15 + bits) & _ALL
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _ALL
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _ALL
    return z ^ (z >> 31)


class Hash:
    """A sum of effects, modulo 2**64."""

    def __init__(self) -> None:
        self.value = 0

    def add(self, index: int, bits: int) -> None:
        self.value = (self.value + mix(index, bits)) & _ALL
