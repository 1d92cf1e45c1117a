"""What clips and analysers do wrong, on the sampled lines."""

from __future__ import annotations

import numpy as np

from .cycles import FETCH, GRANT, IDLE, READ, SILENCE, WRITE
from .scene import Scene
from .wave import Line, X, combine, held, patched, pulses


def quiet_spots(scene: Scene, count: int) -> np.ndarray:
    """Samples well away from the sampling edges and the leading edges of strobes."""
    assert scene.waves is not None
    rng = scene.rng
    op = scene.ops()["op"]
    picks = rng.integers(10, len(op) - 10, count)
    edge = scene.waves.edge[picks]
    if scene.family == "z80":
        # the strobes of the cycle are over, the next has not begun; fetches refresh there, so leave those out
        good = np.isin(op[picks], (READ, WRITE))
        spot = scene.at_sample(edge + scene.timing.period * 0.35)
        spot = spot[good]
        nearest = scene.at_sample(scene.waves.edge)[picks[good]]
        return spot[spot - nearest >= 2]
    # the clock is low: after the hold, before the addresses matter
    spot = scene.at_sample(scene.waves.edge[picks] + scene.timing.period * rng.uniform(0.12, 0.3, count))
    return spot[spot - scene.at_sample(edge) >= 2]


def stray(scene: Scene) -> None:
    """One-sample pulses on address and data lines, where nobody looks."""
    names = [f"A{i}" for i in range(16)] + [f"D{i}" for i in range(8)]
    spots = quiet_spots(scene, int(scene.rng.integers(5, 200)))
    owner = scene.rng.integers(0, len(names), len(spots))
    for number, name in enumerate(names):
        if name in scene.lines:
            mine = np.unique(spots[owner == number])
            scene.lines[name] = pulses(scene.lines[name], mine, np.ones(len(mine)))


def stray_after(scene: Scene) -> None:
    """A one-sample pulse just after a strobe's leading edge, the line steady otherwise."""
    assert scene.waves is not None
    rng = scene.rng
    op = scene.ops()["op"]
    good = np.flatnonzero(np.isin(op, (FETCH, READ, WRITE)))
    picks = np.unique(rng.choice(good, int(rng.integers(3, 60))))
    names = [f"A{i}" for i in range(16)] + ([f"D{i}" for i in range(8)] if rng.random() < 0.5 else [])
    lead = scene.at_sample(scene.waves.lead[picks])
    edge = scene.at_sample(scene.waves.edge[picks])
    spot = lead + rng.integers(0, 2, len(picks))
    spot = spot[edge - lead >= 5]
    owner = rng.integers(0, len(names), len(spot))
    for number, name in enumerate(names):
        if name in scene.lines:
            mine = spot[owner == number]
            scene.lines[name] = pulses(scene.lines[name], mine, np.ones(len(mine)))


def unknown_bits(scene: Scene, names: list[str]) -> list[int]:
    """An x on an address line now and then, over a strobe; returns the samples."""
    assert scene.waves is not None
    rng = scene.rng
    op = scene.ops()["op"]
    good = np.flatnonzero(np.isin(op, (FETCH, READ, WRITE)))
    writes = np.flatnonzero(op == WRITE)
    count = int(rng.integers(1, 25))
    picks = np.unique(np.concatenate((rng.choice(good, count), rng.choice(writes, max(1, count // 2)))))
    early = scene.timing.period * (0.45 if scene.family == "z80" else 0.1)
    begin = scene.at_sample(scene.waves.lead[picks] - early)
    end = scene.at_sample(scene.waves.edge[picks]) + 1
    owner = rng.integers(0, len(names), len(picks))
    for number, name in enumerate(names):
        mine = owner == number
        scene.lines[name] = patched(scene.lines[name], X, begin[mine], (end - begin)[mine])
    return begin.tolist()


def dropout(scene: Scene, mode: str, count: int, longest: float) -> list[tuple[int, int]]:
    """Stretches without samples: told ($dumpoff), or all lines frozen as they were."""
    rng = scene.rng
    spans: list[tuple[int, int]] = []
    for _ in range(count):
        begin = int(rng.integers(scene.samples // 10, scene.samples * 9 // 10))
        periods = 12 if mode == "dumpoff" else 80  # a stretch that no wait state and no clock stretching makes
        least = max(60, int(periods * scene.timing.period / scene.sample_ns))
        length = int(rng.integers(least, max(least + 1, int(scene.samples * longest))))
        end = min(begin + length, scene.samples - 20)
        if all(end + 100 < a or begin - 100 > b for a, b in spans):
            spans.append((begin, end))
    for begin, end in spans:
        for name, line in list(scene.lines.items()):
            level = int(line.at(np.array([float(begin - 1)]))[0])
            scene.lines[name] = held(line, X if mode == "dumpoff" else level, begin, end)
    if mode == "dumpoff":
        scene.gaps = spans
    return spans


def clip_off(scene: Scene, name: str, mode: str, level: int) -> tuple[int, int]:
    """The clip comes off: always, from a moment on, or for a while."""
    rng = scene.rng
    begin, end = 0, scene.samples
    if mode == "from":
        begin = int(scene.samples * rng.uniform(0.25, 0.7))
    elif mode == "while":
        begin = int(scene.samples * rng.uniform(0.2, 0.5))
        end = begin + int(scene.samples * rng.uniform(0.1, 0.35))
    scene.lines[name] = held(scene.lines[name], level, begin, end)
    return begin, end


def clip_noisy(scene: Scene, name: str, density: float) -> None:
    """Random pulses of one and a few samples on one channel."""
    rng = scene.rng
    count = max(8, int(len(scene.ops()["op"]) * density))
    starts = np.sort(rng.integers(5, scene.samples - 20, count))
    lengths = 1 + np.minimum(rng.geometric(0.5, count) - 1, 6)
    scene.lines[name] = pulses(scene.lines[name], starts, lengths)


def ringing(scene: Scene, names: list[str], share: float) -> None:
    """After an edge the line crosses the threshold once or twice more."""
    rng = scene.rng
    gap = max(1, round(14.0 / scene.sample_ns))
    for name in names:
        if name not in scene.lines:
            continue
        line = scene.lines[name]
        hit = line.t[rng.random(len(line.t)) < share]
        first = hit + gap
        again = hit[rng.random(len(hit)) < 0.3] + 3 * gap
        width = np.full(len(first) + len(again), gap)
        scene.lines[name] = pulses(line, np.concatenate((first, again)), width)


def exchange(scene: Scene, one: str, other: str) -> None:
    """Two clips sit on each other's line."""
    scene.lines[one], scene.lines[other] = scene.lines[other], scene.lines[one]


def inverted(scene: Scene, name: str, new: str) -> None:
    """A further line: another one inverted."""
    scene.lines[new] = combine([scene.lines[name]], lambda v: 1 - v)


def edges_changed(scene: Scene, one: Line, other: Line) -> int:
    """Sampling edges of busy cycles at which two histories of a line differ."""
    assert scene.waves is not None
    edge = scene.at_sample(scene.waves.edge) - 1
    edge = edge[~np.isin(scene.ops()["op"], (IDLE, GRANT, SILENCE))].astype(float)
    return int(np.count_nonzero(one.at(edge) != other.at(edge)))


def still_moves(scene: Scene, name: str) -> bool:
    """Whether a line moves at sampling edges, so that a clip off it would be noticed."""
    assert scene.waves is not None
    op = scene.ops()["op"]
    edge = scene.at_sample(scene.waves.edge) - 1
    busy = ~np.isin(op, (IDLE, GRANT, SILENCE))
    level = scene.lines[name].at(edge[busy].astype(float))
    return bool(50 < np.count_nonzero(level == 1) < busy.sum() - 50)
