"""What a bus's lines do, in words that fit any bus."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Wanted"]


@dataclass(frozen=True, slots=True)
class Wanted:
    """The lines to find, by what they do; a name of None (or none at all) is a line the bus does not have.

    Each line is asserted at the level that ``active_low`` says. Cycles are cut by ``clock`` or ``frame`` and told apart
    by ``direction``, asserted in a read; or by strobes, ``reads`` and ``writes``, the first of each those of memory
    that can be written and read. ``latch`` pulses before each cycle. ``request`` covers memory cycles, ``io_request``
    those of ports, ``fetch`` marks opcode reads, ``refresh`` comes between cycles, ``valid`` is missing in some reads,
    ``quadrature`` is a second clock, ``lanes`` are strobes of single bytes, of D0-D7 first.

    ``address`` are the lines of the address bits from bit ``lowest`` up, ``latched`` says of each whether it is taken
    at the end of ``latch``; ``data`` are given from bit 0 up. A line may carry both.
    """

    address: tuple[str, ...]
    data: tuple[str, ...]
    lowest: int = 0
    latched: tuple[bool, ...] = ()
    clock: str | None = None
    frame: str | None = None
    direction: str | None = None
    reads: tuple[str, ...] = ()
    writes: tuple[str, ...] = ()
    latch: str | None = None
    request: str | None = None
    io_request: str | None = None
    fetch: str | None = None
    refresh: str | None = None
    valid: str | None = None
    quadrature: str | None = None
    lanes: tuple[str, ...] = ()
    active_low: frozenset[str] = field(default_factory=frozenset)

    @property
    def first_step(self) -> int:
        """The place in ``address`` of the bit that every cycle of straight code toggles: a 16-bit bus goes by words."""
        return 1 if len(self.data) > 8 and self.lowest == 0 else 0

    def others(self) -> tuple[str, ...]:
        """Every line by name but those of address and data."""
        single = (self.clock, self.frame, self.direction, self.latch, self.request, self.io_request, self.fetch)
        more = (self.refresh, self.valid, self.quadrature)
        return tuple(n for n in (*single, *self.reads, *self.writes, *more, *self.lanes) if n is not None)
