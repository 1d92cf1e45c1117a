"""The levels around the first wrong reads: the right rows, whatever the blocks, drawn as text-safe SVG."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.capture.columns import Capture
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.report import Scene, SceneCollector, scene_svg

NAMES = ("RD", *(f"A{k}" for k in range(16)), *(f"D{k}" for k in range(8)), "<b>CS</b>")
SVG = "{http://www.w3.org/2000/svg}"


def levels(times: list[int], words: list[int], unknown: list[int] | None = None) -> Capture:
    return Capture(
        time=np.array(times, np.int64),
        levels=np.array([[w] for w in words], np.uint64).reshape(-1, 1),
        unknown=np.array([[u] for u in unknown or [0] * len(words)], np.uint64).reshape(-1, 1),
        tick_fs=10**6,
    )


def word(rd: int, address: int, data: int) -> int:
    return rd | address << 1 | data << 17


def cycles(rows: list[tuple[int, int, int, int]]) -> tuple[Cycles, Compared]:
    """Rows of (time, address, data, expected), each a compared read."""
    made, compared = Cycles.empty(len(rows)), Compared.empty(len(rows))
    for k, (time, address, data, expected) in enumerate(rows):
        made.time[k], made.address[k], made.data[k] = time, address, data
        compared.expected[k], compared.known[k], compared.mismatch[k] = expected, 0xFF, data ^ expected
        compared.verdict[k] = Verdict.MISMATCH if data != expected else Verdict.AGREES
    return made, compared


CAPTURE = levels(
    [0, 900, 1000, 1900, 2000, 2900, 3000, 3900],
    [word(rd, address, data) for address, data in ((0x10, 1), (0x4123, 0x5B), (0x12, 3), (0x13, 4)) for rd in (0, 1)],
)
READS = [(900, 0x10, 1, 1), (1900, 0x4123, 0x5B, 0x7B), (2900, 0x12, 3, 3), (3900, 0x13, 4, 4)]


def collector(**changes: int) -> SceneCollector:
    return SceneCollector(NAMES, 10**6, 16, 8, **changes)


def scene() -> Scene:
    made = collector()
    made.feed(CAPTURE, *cycles(READS))
    return made.scenes[0]


def test_scene_holds_the_levels_around_the_sampling_edge() -> None:
    found = scene()
    assert found.caption.replace("\u00a0", " ") == "Read of 4123 at 1.9 µs: 5B read, 7B expected; D5 differs"
    assert found.lanes == ("D5",)
    assert found.time_ns.tolist() == [-1900.0, -1000.0, -900.0, 0.0, 100.0, 1000.0]
    assert found.span_ns == (-2000.0, 1000.0)
    assert found.levels[:, NAMES.index("RD")].tolist() == [False, True, False, True, False, True]


@pytest.mark.parametrize("cut", range(1, 7))
def test_blocks_do_not_matter_for_what_lies_before(cut: int) -> None:
    first = levels(CAPTURE.time[:cut].tolist(), CAPTURE.levels[:cut, 0].tolist())
    second = levels(CAPTURE.time[cut:].tolist(), CAPTURE.levels[cut:, 0].tolist())
    made = collector()
    ended = sum(time <= CAPTURE.time[cut - 1] for time, *_ in READS)
    made.feed(first, *cycles(READS[:ended]))
    made.feed(second, *cycles(READS[ended:]))
    before = [t for t in made.scenes[0].time_ns.tolist() if t <= 0]
    assert before == [-1900.0, -1000.0, -900.0, 0.0]


def test_each_kind_of_mismatch_is_shown_once_and_not_too_many() -> None:
    reads = [(900, 0x10, 1, 3), (1900, 0x11, 1, 3), (2900, 0x12, 1, 5), (3900, 0x13, 1, 9)]
    made = collector(most=2)
    assert made.feed(CAPTURE, *cycles(reads)) is False
    assert [found.lanes for found in made.scenes] == [("D1",), ("D2",)]
    healthy = collector()
    assert healthy.feed(CAPTURE, *cycles(READS[:1])) is True
    assert healthy.scenes == []


def test_drawing_shows_values_and_names_as_text() -> None:
    tree = ET.fromstring(scene_svg(scene()))
    texts = ["".join(text.itertext()) for text in tree.iter(f"{SVG}text")]
    for expected in ("A0-15", "D0-7", "4123", "5B", "D5", "RD", "<b>CS</b>", "0"):
        assert expected in texts
    # The lane that differs stands first, and says what was read, what was due and when.
    assert next(text for text in texts if text in ("D5", "RD", "A0-15")) == "D5"
    assert "read 0, due 1" in texts and "sampled at 1.9 µs" in [text.replace("\u00a0", " ") for text in texts]
    assert {element.tag for element in tree.iter()} <= {
        f"{SVG}{tag}" for tag in ("svg", "g", "line", "text", "path", "rect")
    }
    numbers = [float(x) for x in re.findall(r'x="(-?[0-9.]+)"', scene_svg(scene()))]
    assert min(numbers) >= 0
    assert max(numbers) <= 720


def test_a_lane_of_a_multiplexed_bus_is_found_under_its_lines_name() -> None:
    names = tuple(f"A{name}" if name.startswith("D") else name for name in NAMES)  # AD0 to AD7
    made = SceneCollector(names, 10**6, 16, 8)
    made.feed(CAPTURE, *cycles(READS))
    assert made.scenes[0].lanes == ("AD5",) and made.scenes[0].due == (True,)
    assert "read 0, due 1" in scene_svg(made.scenes[0])


def test_unknown_levels_are_not_drawn_as_known() -> None:
    mask = 1 | 0xF << 17
    made = collector()
    made.feed(
        levels(CAPTURE.time.tolist(), CAPTURE.levels[:, 0].tolist(), [mask if k == 2 else 0 for k in range(8)]),
        *cycles(READS),
    )
    drawn = scene_svg(made.scenes[0])
    assert "5?" in drawn
    assert drawn.count('stroke-dasharray="2 3"') == 1
