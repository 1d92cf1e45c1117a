"""Kinds of cards that are really bad, in ways that look like the innocent ones."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from . import quirks, truth
from .kinds_machine import pick, shows
from .layout import Wish
from .scene import Plan, Scene
from .truth import Pair
from .wave import constant


def real_chip(scene: Scene, style: str) -> None:
    """One chip of one region is bad."""
    rng = scene.rng
    region = pick(scene)
    there = scene.layout.regions[region]
    chip = int(rng.integers(len(there.chips)))
    lanes = there.lanes_of(chip)
    names = [there.chips[chip][0]]
    where: dict[str, Any] = {"regions": [there.name]}
    level = int(rng.random() < 0.5)
    stuck = "stuck-high" if level else "stuck-low"
    scene.layout.far_side = False
    if style == "address":
        bit = int(rng.integers(0, there.size.bit_length() - 3))
        everything = bool(rng.random() < 0.4)
        if everything:
            lanes, names = 0xFF, [c[0] for c in there.chips]
        scene.world.quirks.append(quirks.LaneFault([region], lanes, "address", level=level, bit=bit))
        accept: list[Pair] = [("address-stuck", scope) for scope in ("chip", "region", "board")]
        truth.fault(scene, accept, names, where=where | {"lines": [f"A{bit}"]}, variant="row" if everything else "chip")
    elif style == "dead":
        scene.world.quirks.append(quirks.LaneFault([region], lanes, "dead"))
        truth.fault(scene, [("dead", "chip"), ("floating", "chip")], names, where=where)
    elif style == "write":
        scene.world.quirks.append(quirks.LaneFault([region], lanes, "write"))
        truth.fault(scene, [("write-lost", "chip")], names, where=where)
    elif style == "cell":
        lane = int(rng.choice([b for b in range(8) if lanes >> b & 1]))
        cell = int(rng.choice([3, 7, 16, 40]))
        scene.world.quirks.append(quirks.LaneFault([region], 1 << lane, "cell", level=level, cell=cell))
        truth.fault(scene, [(stuck, "cell"), (stuck, "chip")], names, where=where | {"address": there.start + cell})
    else:
        lane = int(rng.choice([b for b in range(8) if lanes >> b & 1]))
        rate = float(rng.choice([0.02, 0.1, 0.4]))
        scene.world.quirks.append(quirks.LaneFault([region], 1 << lane, "stuck", rate=rate, level=level))
        truth.fault(scene, [(stuck, "chip")], names, where=where | {"lanes": 1 << lane}, variant=f"{rate:.0%}")


def _real(style: str) -> Callable[[Scene], None]:
    def setup(scene: Scene) -> None:
        real_chip(scene, style)

    return setup


def real_lane(scene: Scene) -> None:
    """A lane of the data buffer is stuck on the way to the processor."""
    level = int(scene.rng.random() < 0.5)
    lane = int(scene.rng.integers(0, 8))
    scene.layout.far_side = False
    scene.world.quirks.append(quirks.LaneFault(scene.layout.ram, 1 << lane, "stuck", level=level))
    stuck = "stuck-high" if level else "stuck-low"
    truth.fault(scene, [(stuck, "buffer"), (stuck, "bus")], ["U61"], where={"lanes": 1 << lane})


def real_select(scene: Scene) -> None:
    """A select does not leave the decoder, or does not reach its chips."""
    region = pick(scene)
    there = scene.layout.regions[region]
    scene.layout.far_side = False
    scene.world.quirks.append(quirks.LaneFault([region], 0xFF, "dead"))
    at_decoder = bool(scene.rng.random() < 0.5)
    accept: list[Pair] = [("select-missing", "decoder"), ("no-answer", "region")]
    truth.fault(
        scene, accept, ["U60", *(c[0] for c in there.chips)], where={"regions": [there.name], "lines": [there.select]},
        variant="decoder" if at_decoder else "track",
    )  # fmt: skip


def _select_gone(scene: Scene) -> None:
    select = scene.truth["where"]["lines"][0]
    if scene.truth["variant"] == "decoder" and select in scene.lines:
        scene.lines[select] = constant(1)
    elif select not in scene.lines:
        scene.truth["variant"] = "not clipped"
    truth.need(scene, 6)


FOUR = Wish(chips=True, width=4)
PLANS: dict[str, Plan] = {
    "real-address-open": Plan(setup=_real("address"), spoil=shows(10), wish=FOUR),
    "real-dead-chip": Plan(setup=_real("dead"), spoil=shows(10), wish=FOUR),
    "real-write-open": Plan(setup=_real("write"), spoil=shows(10), wish=FOUR),
    "real-cell": Plan(setup=_real("cell"), spoil=shows(6), wish=FOUR),
    "real-intermittent": Plan(setup=_real("intermittent"), spoil=shows(12), wish=FOUR),
    "real-stuck-lane": Plan(setup=real_lane, spoil=shows(10), wish=Wish(regions=3, chips=True, buffer=True)),
    "real-select-open": Plan(
        setup=real_select, spoil=_select_gone, wish=Wish(regions=3, chips=True, decoder=True, size=1024)
    ),
}
