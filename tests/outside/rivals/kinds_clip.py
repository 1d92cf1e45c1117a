"""Kinds of captures that are healthy, and of clips and analysers that are not."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from . import spoil, truth
from .cpu import Cpu
from .cycles import FETCH, READ, WRITE
from .layout import Wish
from .scene import Plan, Scene
from .truth import CLIP, UnsuitableError

MODES = ("const", "from", "while")


def _listed(scene: Scene) -> list[tuple[int, int]]:
    return [(r.start, r.end) for r in scene.layout.regions if r.listed]


def _projected(scene: Scene, mask: int) -> list[set[int]]:
    return [{a & mask for a in range(start, end + 1)} for start, end in _listed(scene)]


def _outside(scene: Scene) -> set[int]:
    """Addresses used that belong to no listed region."""
    ops = scene.ops()
    used = set(ops["address"][np.isin(ops["op"], (FETCH, READ, WRITE))].tolist())
    return {a for a in used if not any(start <= a <= end for start, end in _listed(scene))}


def _telling(scene: Scene) -> list[str]:
    """Address lines that tell listed regions apart."""
    starts = [start for start, _ in _listed(scene)]
    small = min(end - start + 1 for start, end in _listed(scene)).bit_length() - 1
    return [f"A{b}" for b in range(small, 16) if len({s >> b & 1 for s in starts}) == 2]


def plain(scene: Scene) -> None:
    truth.healthy(scene)


def strays(scene: Scene) -> None:
    spoil.stray(scene)
    truth.healthy(scene)


def stray_after(scene: Scene) -> None:
    spoil.stray_after(scene)
    truth.healthy(scene)


def dropouts(scene: Scene) -> None:
    mode = str(scene.rng.choice(["dumpoff", "dumpoff", "frozen"]))
    spans = spoil.dropout(scene, mode, int(scene.rng.integers(1, 5)), 0.05)
    truth.healthy(scene, variant=mode, where={"samples": [list(span) for span in spans]})


def unknown(scene: Scene) -> None:
    tell = _telling(scene)
    some = [f"A{b}" for b in scene.rng.choice(16, 2, replace=False)]
    names = list(dict.fromkeys((tell[:2] if tell else []) + some))
    spoil.unknown_bits(scene, names)
    truth.healthy(scene, where={"lines": names})


def _unwire(scene: Scene, alias: bool) -> None:
    listed = _listed(scene)
    small = max(end - start + 1 for start, end in listed).bit_length() - 1
    outside = _outside(scene)
    choices = [c for n in (3, 2, 1) for c in combinations(range(small, 16), n) if min(c) >= 9 or n == 1]
    scene.rng.shuffle(choices)
    for bits in choices:
        mask = 0xFFFF & ~sum(1 << b for b in bits)
        spaces = _projected(scene, mask)
        if sum(map(len, spaces)) != len(set().union(*spaces)):
            continue
        meets = any((a & mask) in space for a in outside for space in spaces)
        if meets == alias:
            lost = [f"A{b}" for b in bits]
            for name in lost:
                scene.lines.pop(name)
            seen = any(name.startswith("CS") for name in scene.lines)
            exits = (0, 3) if alias else (0,)
            truth.healthy(
                scene, exits=exits, judge=not alias, where={"lines": lost}, variant="selects" if seen else "blind"
            )
            return
    raise UnsuitableError("no address lines can be left out")


def unwired(scene: Scene) -> None:
    _unwire(scene, alias=False)


def unwired_alias(scene: Scene) -> None:
    _unwire(scene, alias=True)


def _off(scene: Scene, names: list[str], floats: float = 0.6) -> None:
    names = [name for name in names if name in scene.lines and spoil.still_moves(scene, name)]
    if not names:
        raise UnsuitableError("no such line moves")
    name = str(scene.rng.choice(names))
    mode = str(scene.rng.choice(MODES))
    level = int(scene.rng.random() < floats)
    span = spoil.clip_off(scene, name, mode, level)
    truth.rival(
        scene,
        "clip-off",
        CLIP["clip-off"],
        variant=mode,
        where={"lines": [name], "level": level, "samples": list(span)},
    )


def off_data(scene: Scene) -> None:
    _off(scene, [f"D{b}" for b in range(8)])


def off_address(scene: Scene) -> None:
    size = scene.layout.regions[scene.layout.ram[0]].size
    _off(scene, [f"A{b}" for b in range(size.bit_length() - 1)])


def off_region(scene: Scene) -> None:
    _off(scene, _telling(scene))


def off_strobe(scene: Scene) -> None:
    _off(scene, ["RD", "WR"] if scene.family == "z80" else ["RW"])


def off_select(scene: Scene) -> None:
    names = [name for name in scene.lines if name.startswith("CS") and len(scene.lines[name].t) > 60]
    if not names:
        raise UnsuitableError("no select is clipped")
    name = str(scene.rng.choice(names))
    mode = str(scene.rng.choice(MODES))
    level = int(scene.rng.random() < 0.75)
    before = scene.lines[name]
    span = spoil.clip_off(scene, name, mode, level)
    if spoil.edges_changed(scene, before, scene.lines[name]) < 10:
        raise UnsuitableError("the select rests so in that time anyway")
    truth.rival(
        scene,
        "clip-off",
        CLIP["clip-off"],
        variant=mode,
        where={"lines": [name], "level": level, "samples": list(span)},
    )


def noisy(scene: Scene) -> None:
    names = (
        [f"D{b}" for b in range(8)] + [f"A{b}" for b in range(12)] + (["RD", "WR"] if scene.family == "z80" else ["RW"])
    )
    names = [name for name in names if spoil.still_moves(scene, name)]
    name = str(scene.rng.choice(names))
    density = float(np.exp(scene.rng.uniform(np.log(0.02), np.log(0.8))))
    spoil.clip_noisy(scene, name, density)
    accept = CLIP["clip-noisy"]
    truth.rival(
        scene, "clip-noisy", accept, exits=(0, 3), expect="rival-if-mismatch",
        variant="dense" if density > 0.15 else "sparse", where={"lines": [name]},
    )  # fmt: skip


def _exchange(scene: Scene, style: str) -> None:
    rng = scene.rng
    data = [name for name in (f"D{b}" for b in range(8)) if spoil.still_moves(scene, name)]
    address = [name for name in (f"A{b}" for b in range(16)) if spoil.still_moves(scene, name)]
    if style == "ad":
        one, other = str(rng.choice(data)), str(rng.choice(address))
    else:
        pool = data if style == "dd" else address
        one, other = (str(name) for name in rng.choice(pool, 2, replace=False))
    spoil.exchange(scene, one, other)
    shown = style == "ad"
    truth.rival(
        scene, "clips-exchanged", CLIP["clips-exchanged"], exits=(3,) if shown else (0, 3),
        expect="rival" if shown else "rival-if-mismatch", where={"lines": [one, other]},
        variant="image" if scene.image is not None else "no image",
    )  # fmt: skip


def exchanged_data(scene: Scene) -> None:
    _exchange(scene, "dd")


def exchanged_address(scene: Scene) -> None:
    _exchange(scene, "aa")


def exchanged_mixed(scene: Scene) -> None:
    _exchange(scene, "ad")


def slow(scene: Scene) -> None:
    per = scene.timing.strobe / scene.sample_ns
    truth.rival(
        scene, "too-slow", CLIP["too-slow"], variant="1.x" if per < 2 else "2-3", samples_per_strobe=round(per, 2)
    )


def rings(scene: Scene) -> None:
    strobes = ["RD", "WR", "MREQ"] if scene.family == "z80" else ["PHI2", "E"]
    share = float(scene.rng.choice([0.05, 0.3, 1.0]))
    spoil.ringing(scene, strobes, share)
    truth.rival(
        scene, "clip-noisy", [*CLIP["clip-noisy"], *CLIP["too-slow"]], exits=(0, 3), expect="rival-if-mismatch",
        variant=f"{share:.0%}", where={"lines": strobes},
    )  # fmt: skip


def wrong_profile(scene: Scene) -> None:
    rng = scene.rng
    clock = "E" if "E" in scene.lines else "PHI2"
    choices: dict[str, list[tuple[str, dict[str, str]]]] = {
        "z80": [
            ("sram", {"MREQ": "CE", "RD": "OE", "WR": "WE"}), ("sram", {"RD": "OE", "WR": "WE"}),
            ("8080-8228", {"RD": "MEMR", "WR": "MEMW"}),
        ],
        "6800": [("sram", {"RW": "WE", clock: "CE2"}), ("sram", {"RW": "WE"}), ("6502", {clock: "PHI2"})],
        "6502": [("sram", {"RW": "WE", "PHI2": "CE2"}), ("sram", {"RW": "WE"}), ("6800", {}), ("6809", {"PHI2": "E"})],
    }  # fmt: skip
    bus, rename = choices[scene.family][int(rng.integers(len(choices[scene.family])))]
    scene.bus_name, scene.rename = bus, rename
    truth.rival(
        scene, "wrong-profile", truth.ANY_RIVAL, exits=(0, 2, 3), expect="tolerate",
        variant=f"{bus} for {scene.timing.bus}", where={"lines": list(rename)},
    )  # fmt: skip


def _ports(scene: Scene) -> None:
    """Ports all over the address range, as OUT (C) makes them."""
    if scene.family != "z80":
        return
    start, size = scene.layout.regions[0].start, scene.layout.regions[0].size

    def between(cpu: Cpu) -> None:
        for _ in range(4):
            cpu.out(start + int(cpu.luck() * size), int(cpu.luck() * 256))

    scene.between = between


PLANS: dict[str, Plan] = {
    "healthy-plain": Plan(spoil=plain),
    "healthy-stray": Plan(spoil=strays),
    "healthy-stray-after": Plan(spoil=stray_after, least=6.2),
    "healthy-dropout": Plan(spoil=dropouts),
    "healthy-unwired": Plan(spoil=unwired, wish=Wish(gaps=True)),
    "healthy-unwired-alias": Plan(spoil=unwired_alias),
    "healthy-x": Plan(spoil=unknown),
    "clip-data": Plan(spoil=off_data),
    "clip-address": Plan(spoil=off_address),
    "clip-region": Plan(spoil=off_region),
    "clip-strobe": Plan(spoil=off_strobe),
    "clip-select": Plan(spoil=off_select, wish=Wish(decoder=True)),
    "clip-noisy": Plan(spoil=noisy),
    "exchanged-data": Plan(spoil=exchanged_data),
    "exchanged-address": Plan(spoil=exchanged_address),
    "exchanged-mixed": Plan(spoil=exchanged_mixed),
    "too-slow": Plan(spoil=slow, least=1.2, most=3.06, rates=(4, 6, 8, 12, 24)),
    "ringing": Plan(spoil=rings, rates=(24, 50, 100)),
    "wrong-profile": Plan(spoil=wrong_profile, setup=_ports),
    "bare-healthy": Plan(spoil=plain, board=False),
    "bare-stray": Plan(spoil=strays, board=False),
    "bare-dropout": Plan(spoil=dropouts, board=False),
    "bare-x": Plan(spoil=unknown, board=False),
    "bare-clip-data": Plan(spoil=off_data, board=False),
    "bare-clip-address": Plan(spoil=off_address, board=False),
    "bare-clip-strobe": Plan(spoil=off_strobe, board=False),
    "bare-clip-noisy": Plan(spoil=noisy, board=False),
    "bare-exchanged-mixed": Plan(spoil=exchanged_mixed, board=False),
    "bare-too-slow": Plan(spoil=slow, least=1.2, most=3.06, rates=(4, 6, 8, 12, 24), board=False),
    "bare-ringing": Plan(spoil=rings, rates=(24, 50, 100), board=False),
}
