"""Profiles are data: each bundled one is right, and every mistake in another is told at once."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import pytest

from busledger.decoder.bus import KIND_NAMES, check_profile, line_needs, load_profile, profile_from_text, profile_names
from busledger.decoder.errors import ProfileError
from tests.properties.test_cycles_twin import EVERYTHING


@pytest.mark.parametrize("name", profile_names())
def test_a_bundled_profile_is_whole(name):
    profile = load_profile(name)
    assert profile.name == name
    assert profile.title
    assert profile.file.source
    assert profile.checked
    assert profile.kinds
    assert set(profile.kinds) <= set(KIND_NAMES)
    for grade in profile.grades:
        for limit in grade.limits:
            assert limit.source or grade.source, (grade.name, limit.symbol)
    needs = line_needs(profile)
    assert any(n.group == "data" for n in needs)
    for rule, entry in enumerate(profile.rules):
        assert profile.space(rule) in ("memory", "io", "program")
        assert profile.compares(rule) == (entry.compare if entry.compare is not None else profile.compares(rule))


def test_profiles_are_frozen():
    profile = load_profile("6502")
    with pytest.raises(FrozenInstanceError):
        profile.path = "elsewhere"


def test_grades_by_name():
    profile = load_profile("z80")
    assert profile.grade("z80a").name == "Z80A"
    with pytest.raises(ProfileError, match="Z80, Z80A"):
        profile.grade("Z80Q")
    assert len(profile.limits()) > len(profile.limits("Z80"))


def test_an_unknown_name_lists_the_nearest_and_all():
    with pytest.raises(ProfileError) as caught:
        load_profile("6503")
    assert "6502" in str(caught.value)
    assert "z80" in str(caught.value)


def test_a_profile_of_ones_own(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(EVERYTHING)
    assert load_profile(path).name == "everything"
    assert check_profile(path) == []


MISTAKES = [
    ('name = "everything"', "", "name: this key is missing"),
    ('family = "strobed"', 'family = "odd"', "family"),
    ('title = "a bus', 'colour = 3\ntitle = "a bus', "colour"),
    ("address_bits = 8", "address_bits = 80", "address_bits"),
    ('when = "RD & !WR"', 'when = "RD & !XX"', "the line XX is not declared"),
    ('when = "RD & !WR"', 'when = "RD &"', "ends too early"),
    ('when = "RD & !WR"', 'when = "FX"', "must be required or have a default"),
    ('when = "RD & !WR"', 'when = "adr.HI"', "has no meaning here"),
    ('when = "RD & !WR"', 'when = "RD & !RD"', "can never hold"),
    ('latch = "adr" }', 'latch = "adx" }', "there is no latch adx"),
    ('bits = "0-3", lines = "AD0-AD3"', 'bits = "0-3", lines = "AD0-AD4"', "4 bits"),
    ('bits = "0-3", lines = "AD0-AD3"', 'bits = "1-4", lines = "AD0-AD3"', "bit 4 is given 2 times"),
    ('bits = "0-15", lines', 'bits = "8-23", lines', "lies outside the 16 bits"),
    ('bits = "0-3", lines = "AD0-AD3"', 'bits = "0-3", lines = "AA0-AA3"', "the line AA0 is not declared"),
    ('lines = "AD0-AD3", latch = "adr"', 'lines = "AD0-AD3", latch = "adr", at = "end"', "either at a point"),
    ('strobe = "both"\nwhen = "!HI"', 'strobe = "bath"\nwhen = "!HI"', "there is no strobe bath"),
    ('data = "q"', 'data = "qq"', "there is no data qq"),
    ('name = "row"\npieces', 'name = "mixed"\npieces', "the name is given 2 times"),
    ('name = "ALE, HI, LO"', 'name = "ALE, HI, LO, RD"', "declared 2 times"),
    ('fallback = "D0-D7"', 'fallback = "E0-E7"', "the fallback E0-E7 is not declared"),
    ('fallback = "D0-D7"', 'fallback = "D0-D6"', "names 7 lines, not 8"),
    ('width_min = "t6"', 'width_min = "tX"', "no grade gives a limit tX"),
    ('line = "CK"', 'line = "CLK"', "clock: the line CLK"),
    ("lane = 1", "lane = 2", "outside 16 data bits"),
    ("address_is = 0x05\n", "", "address_mask without address_is"),
    ('name = "row"\nwhen', 'name = "any"\nwhen', "this word is taken"),
    ('kind = "stretch"', 'kind = "stretchy"', "kind"),
    ('name = "ST"', 'name = "S-T"', "is not a line name"),
    ("[clock]", "[clock", "not TOML"),
]


@pytest.mark.parametrize(("right", "wrong", "words"), MISTAKES, ids=[m[2] for m in MISTAKES])
def test_each_mistake_is_told(tmp_path, right, wrong, words):
    assert right in EVERYTHING
    path = tmp_path / "mine.toml"
    path.write_text(EVERYTHING.replace(right, wrong, 1))
    assert any(words in mistake for mistake in check_profile(path)), check_profile(path)
    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    assert words in str(caught.value)
    assert "mine.toml" in str(caught.value)


def test_all_mistakes_come_at_once():
    text = EVERYTHING.replace('data = "q"', 'data = "qq"').replace("lane = 1", "lane = 3")
    with pytest.raises(ProfileError) as caught:
        profile_from_text(text, "mine.toml")
    assert "the profile has 2 mistakes" in str(caught.value)


def test_an_unreadable_profile(tmp_path):
    with pytest.raises(ProfileError, match="cannot be read"):
        check_profile(tmp_path / "none.toml")
