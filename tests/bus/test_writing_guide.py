"""The guide for people who write a profile: its example works, and its table names every key there is."""

from __future__ import annotations

import re
from pathlib import Path

from busledger import bus_profiles
from busledger.decoder.bus import check_profile, load_profile, schema
from tests.external.waveform import Wave, both

GUIDE = (Path(bus_profiles.__file__).parent / "WRITING.md").read_text(encoding="utf-8")


def example(folder):
    path = folder / "z8.toml"
    worked = GUIDE.split("## A worked example", 1)[1]
    path.write_text(re.search(r"```toml\n(.*?)```", worked, re.S).group(1), encoding="utf-8")
    return path


def test_the_worked_example_is_right_and_decodes(tmp_path):
    """Zilog Z8 Technical Manual, figures "External Memory Read / Write Cycle", from memory."""
    path = example(tmp_path)
    assert check_profile(path) == []
    wave = Wave().idle(AS=1, DS=1, RW=1, DM=1).put(0, "P10-P17", 0).put(0, "A8-A15", 0)
    for n, (address, read, data_memory, data) in enumerate(
        [(0x1234, 1, 0, 0xE6), (0x8001, 1, 1, 0x5A), (0x8002, 0, 1, 0xA5), (0x1235, 0, 0, 0x11)]
    ):
        start = 1500 * n + 100
        wave.put(start, "A8-A15", address >> 8).put(start, "RW", read).put(start, "DM", 1 - data_memory)
        wave.put(start, "P10-P17", address & 0xFF).pulse("AS", start + 50, start + 200)
        wave.put(start + 300, "P10-P17", 0).pulse("DS", start + 400, start + 900)
        wave.put(start + (800 if read else 350), "P10-P17", data).put(start + 980, "P10-P17", 0)
    profile = load_profile(path)
    assert both(wave, profile) == [
        ("opcode-fetch", 0x1234, 0xE6),
        ("read", 0x8001, 0x5A),
        ("write", 0x8002, 0xA5),
        ("write", 0x1235, 0x11),
    ]
    cycles, _ = wave.decode(profile)
    assert [profile.space(r) for r in cycles.rule.tolist()] == ["program", "memory", "memory", "program"]


def test_every_key_of_the_schema_is_in_the_guide():
    tables = [getattr(schema, name) for name in schema.__all__]
    keys = {field for table in tables if hasattr(table, "model_fields") for field in table.model_fields}
    words = set(re.findall(r"\w+", GUIDE))
    assert keys <= words
