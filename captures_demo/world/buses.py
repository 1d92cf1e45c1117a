"""What the world knows of each processor's bus: clocks a cycle, when data count, what can be clipped.

From memory of: MCS6500 data sheet May 1976; Motorola MC6800 and MC6809 data sheets; Zilog Z80 CPU product
specification March 1978; Intel 8085A data sheet and MCS-85 User's Manual.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BUS_KINDS", "BusKind"]


@dataclass(frozen=True, slots=True)
class BusKind:
    """One family.

    ``opcode_clocks``, ``other_clocks``: clock periods of an opcode fetch and of any other transfer (0: one,
    with data counting as the cycle ends). ``opcode_edge``, ``other_edge``: clocks from the start of the cycle to the
    end of its strobe, which comes ``edge_ns`` later. ``rests_after_opcode``: the data bus is left alone long enough
    to float to its pull level. ``multiplexed``: the data lines carry the low address byte first. ``qualified``: selects
    follow the memory strobe. ``controls``: lines to clip. ``read_line``: (line, level) that tells a read.
    """

    controls: tuple[str, ...]
    read_line: tuple[str, int]
    opcode_clocks: int = 0
    other_clocks: int = 0
    opcode_edge: float = 0.0
    other_edge: float = 0.0
    edge_ns: int = 0
    rests_after_opcode: bool = False
    multiplexed: bool = False
    qualified: bool = False
    idle_share: float = 0.0

    @property
    def data(self) -> str:
        """What the data lines are called, without the number."""
        return "AD" if self.multiplexed else "D"

    @property
    def first_address(self) -> int:
        """The lowest address line that has a pin of its own."""
        return 8 if self.multiplexed else 0


BUS_KINDS: dict[str, BusKind] = {
    "6502": BusKind(("PHI2", "RW", "SYNC"), ("RW", 1)),
    "6800": BusKind(("PHI2", "RW", "VMA"), ("RW", 1), idle_share=0.15),
    "6809": BusKind(("E", "Q", "RW"), ("RW", 1), idle_share=0.1),
    # RD ends after the rising edge of T3 in an opcode fetch, RD and WR after its falling edge otherwise.
    "z80": BusKind(
        ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH"),
        ("RD", 0),
        opcode_clocks=4,
        other_clocks=3,
        opcode_edge=2.0,
        other_edge=2.5,
        edge_ns=85,
        rests_after_opcode=True,
        qualified=True,
    ),
    # RD and WR end in the middle of T3.
    "8085": BusKind(
        ("ALE", "RD", "WR", "IOM", "S0", "S1"),
        ("RD", 0),
        opcode_clocks=4,
        other_clocks=3,
        opcode_edge=2.5,
        other_edge=2.5,
        edge_ns=30,
        multiplexed=True,
    ),
}
