"""One capture in the making: the machine, its run, the analyser; every step can be bent by a kind."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from . import programs
from .buses import FAMILY, Timing, Waves, draw_timing, waves
from .cpu import Cpu, FinishedError
from .cycles import FETCH, READ, WRITE
from .layout import NAMES, Layout, Wish, board_text, buffer_lines, draw
from .vcd import write_vcd
from .wave import Line, constant, sample
from .world import World

RATES = (12, 24, 50, 100)
CLOCKS = {
    "6800": (2020.0, 1250.0, 1120.0, 1010.0, 1010.0, 672.0, 505.0),
    "6802": (2020.0, 1250.0, 1010.0, 1010.0, 672.0, 505.0),
    "6809": (2020.0, 1120.0, 1010.0, 1010.0, 672.0, 505.0),
    "6502": (2020.0, 1010.0, 1010.0, 980.0 + 31, 505.0, 252.0),
    "z80": (2000.0, 1000.0, 504.0, 404.0, 404.0, 330.0, 252.0),
}
ACTIVE_LOW = {"MREQ", "IORQ", "RD", "WR", "M1", "RFSH", "BUSAK"}
MARKS = ("/{}", "{}_n", "n{}", "{}", "{}_L", "~{}", "{}")


@dataclass
class Plan:
    """What a kind wants, before anything is drawn."""

    wish: Wish = field(default_factory=Wish)
    buses: tuple[str, ...] = ("6800", "6800", "6502", "6502", "z80", "z80", "z80", "6802", "6809")
    least: float = 4.2
    """Samples in the narrowest strobe: at least, and (if set) at most."""
    most: float | None = None
    board: bool = True
    cycles: tuple[int, int] = (5000, 40000)
    rates: tuple[int, ...] = RATES
    skew: bool = True
    setup: Callable[[Scene], None] | None = None
    """Called with the layout and the world in place, before the run."""
    spoil: Callable[[Scene], None] | None = None
    """Called with the sampled lines."""


@dataclass
class Scene:
    """Everything about one capture."""

    seed: int
    kind: str
    plan: Plan
    rng: np.random.Generator
    family: str
    timing: Timing
    rate: float
    layout: Layout
    world: World
    title: str
    truth: dict[str, Any]
    spans: list[programs.Span] | None = None
    between: Callable[[Cpu], None] | None = None
    only: list[str] | None = None
    main: Callable[[Cpu], None] | None = None
    cpu: Cpu | None = None
    waves: Waves | None = None
    lines: dict[str, Line] = field(default_factory=dict)
    """The sampled lines, by trade name."""
    late: dict[str, float] = field(default_factory=dict)
    samples: int = 0
    gaps: list[tuple[int, int]] = field(default_factory=list)
    bus_name: str = ""
    image: bytes | None = None
    extra_lines: dict[str, Line] = field(default_factory=dict)
    """Continuous lines of the machine that no bus profile knows (latches), clipped under their own names."""
    rename: dict[str, str] = field(default_factory=dict)
    """Line that the board file's wiring gives to the channel of another line."""
    unlisted: set[str] = field(default_factory=set)
    """Lines that the board file's wiring must not name."""

    @property
    def sample_ns(self) -> float:
        """The time between samples."""
        return 1000.0 / self.rate

    def at_sample(self, when: np.ndarray) -> np.ndarray:
        """The first sample at or after a moment."""
        return np.ceil(np.asarray(when, float) / self.sample_ns).astype(np.int64)

    def ops(self) -> dict[str, np.ndarray]:
        """The run's cycles as arrays."""
        assert self.cpu is not None
        return self.cpu.log.arrays()

    def used(self, line: str) -> bool:
        """Whether a line is clipped and moves in the capture."""
        return line in self.lines and len(self.lines[line].t) > 8


def _clip(scene: Scene, lines: dict[str, Line]) -> list[str]:
    """Which lines have a clip on them."""
    rng = scene.rng
    names = [f"A{i}" for i in range(16)] + [f"D{i}" for i in range(8)]
    if scene.family == "z80":
        names += ["MREQ", "IORQ", "RD", "WR", "M1", "RFSH"]
        names += [name for name in ("BUSAK", "CLK") if name in lines and (name == "CLK" or rng.random() < 0.4)]
    else:
        names += ["RW", "PHI2" if "PHI2" in lines else "E"]
        optional: tuple[tuple[str, float], ...] = {
            "6800": (("VMA", 1.0), ("BA", 0.4)), "6802": (("VMA", 1.0), ("BA", 0.4)),
            "6809": (("Q", 0.6), ("BA", 0.8), ("BS", 0.5)), "6502": (("SYNC", 0.7),),
        }[scene.timing.bus]  # fmt: skip
        names += [name for name, chance in optional if rng.random() < chance]
    layout = scene.layout
    if layout.decoder and rng.random() < 0.8:
        names += list(layout.decoder.outputs.values())
    if layout.enable and rng.random() < 0.8:
        names.append("CARD")
    if layout.far_side:
        names += [f"MD{i}" for i in range(8)]
    return names + list(scene.extra_lines)


def build(seed: int, kind: str, plan: Plan) -> Scene:
    """Draw a machine, let it run, and sample it."""
    rng = np.random.default_rng([seed, *kind.encode()])
    bus = str(rng.choice(plan.buses))
    family = FAMILY[bus]
    for _ in range(400):
        period = float(rng.choice(CLOCKS[bus]))
        rate = float(rng.choice(plan.rates))
        narrow = (period - 35.0 if family == "z80" else period / 2) * rate / 1000
        if narrow >= plan.least and (plan.most is None or narrow <= plan.most):
            break
    else:
        raise ValueError(f"no clock and rate suit {kind}")
    timing = draw_timing(bus, period, rng, min(1000.0 / rate, 84.0))
    layout = draw(bus, rng, plan.wish)
    world = World(layout.regions, rng, timing.keeps)
    truth: dict[str, Any] = {"kind": kind, "seed": seed}
    scene = Scene(seed, kind, plan, rng, family, timing, rate, layout, world, str(rng.choice(NAMES)), truth)
    scene.bus_name = bus
    rom = next((region for region in layout.regions if region.image and region.listed), None)
    scene.image = rom.image if rom else None
    if plan.setup:
        plan.setup(scene)
    limit = int(np.exp(rng.uniform(np.log(plan.cycles[0]), np.log(plan.cycles[1]))))
    busy = float(rng.choice([0.3, 1.0, 1.5, 2.2]))
    cpu = Cpu(world, rng, limit, layout.code, bus, busy)
    scene.cpu = cpu
    if scene.main:
        with contextlib.suppress(FinishedError):
            scene.main(cpu)
    if len(cpu.log) < limit:
        programs.run(cpu, rng, layout, scene.spans, scene.between, scene.only)
    analyse(scene)
    if plan.spoil:
        plan.spoil(scene)
    return scene


def analyse(scene: Scene) -> None:
    """Sample the run."""
    rng = scene.rng
    assert scene.cpu is not None
    scene.waves = waves(scene.timing, scene.cpu.log, rng)
    lines = dict(scene.waves.lines)
    lines.update(buffer_lines(scene.layout, lines))
    for quirk in scene.world.quirks:
        for name, when, levels in getattr(quirk, "history", []):
            edge = scene.waves.edge[np.minimum(np.array(when, int), len(scene.waves.edge) - 1)]
            scene.extra_lines[name] = Line(int(levels[0]), edge[1:] + 30.0, np.array(levels[1:], np.uint8))
    lines.update(scene.extra_lines)
    scene.samples = int(scene.waves.end / scene.sample_ns)
    spread = min(scene.sample_ns, 90.0)
    wide = scene.plan.skew and rng.random() < 0.6
    early = min(scene.timing.slack, spread * 0.5)
    for name in _clip(scene, lines):
        strobe = name in ("PHI2", "E", "RD", "WR", "MREQ", "IORQ")
        late = 0.0 if strobe else float(rng.uniform(-early, spread * 0.97 - early) if wide else rng.uniform(-2, 2))
        scene.late[name] = late
        scene.lines[name] = sample(lines[name], scene.sample_ns, late, scene.samples)
    if rng.random() < 0.3:
        scene.lines["SPARE"] = constant(int(rng.integers(0, 2)))
        scene.unlisted.add("SPARE")


def emit(scene: Scene) -> tuple[bytes, str | None]:
    """The capture's bytes and the board file's text."""
    rng = scene.rng
    numbered = scene.plan.board and rng.random() < 0.4
    mark = str(rng.choice(MARKS))
    names: dict[str, str] = {}
    wiring: dict[str, str] = {}
    order = list(scene.lines)
    if numbered:
        order = [order[i] for i in rng.permutation(len(order))]
    for number, line in enumerate(order):
        plain = line not in ACTIVE_LOW and not line.startswith("CS") and line != "CARD"
        channel = line if plain else mark.format(line)
        if numbered and line not in scene.extra_lines and line not in scene.unlisted:
            channel = f"ch{number}"
        names[line] = channel
        if numbered and line not in scene.extra_lines and line not in scene.unlisted:
            wiring[scene.rename.get(line, line)] = channel
        elif line in scene.rename:
            wiring[scene.rename[line]] = channel
    unit = str(rng.choice(["1 ns", "1 ps", "100 ps"])) if scene.rate in (12, 24) else str(rng.choice(["1 ns", "10 ns"]))
    lines = {names[line]: scene.lines[line] for line in order}
    data = write_vcd(lines, scene.samples, scene.sample_ns, scene.gaps, unit)
    if not scene.plan.board:
        return data, None
    return data, board_text(scene.layout, scene.title, scene.bus_name, wiring)


def strobe_cycles(scene: Scene, ops: tuple[int, ...] = (FETCH, READ, WRITE)) -> np.ndarray:
    """Numbers of the cycles of the given kinds."""
    return np.flatnonzero(np.isin(scene.ops()["op"], ops))
