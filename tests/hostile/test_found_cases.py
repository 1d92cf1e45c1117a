"""What fuzzing found, kept: each once ended in a traceback, in all the memory there is, or in two different answers."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from busledger import bus_profiles
from busledger.decoder.bus import line_names, profile_from_text
from busledger.decoder.bus.ranges import bit_numbers
from busledger.decoder.errors import ProfileError
from tests.hostile import targets

HEAD = 'name = "x"\ntitle = "x"\nfamily = "clocked"\nsource = "x"\naddress_bits = 16\ndata_bits = 8\n'


@pytest.mark.parametrize("text", ["A0-A" + "4" * 100, "A0-A99999999", "A99999999-A0"])
def test_a_range_of_lines_that_no_bus_has(text: str) -> None:
    with pytest.raises(ProfileError, match="too wide a range"):
        line_names(text)


@pytest.mark.parametrize("text", ["0-99999999", "9" * 300 + "-0"])
def test_a_range_of_bits_that_no_bus_has(text: str) -> None:
    with pytest.raises(ProfileError, match="too wide a range"):
        bit_numbers(text)


@pytest.mark.parametrize("text", ["²", "0-³", "٣-٧", "1-2-3", "", "-"])
def test_digits_that_are_none(text: str) -> None:
    with pytest.raises(ProfileError, match="not a bit range"):
        bit_numbers(text)


def test_a_wide_range_in_a_profile_is_a_mistake_among_others() -> None:
    wide = '[[line]]\nname = "A0-A999999999"\nrole = "address"\n'
    piece = '[[address]]\nname = "bus"\npieces = [{ bits = "0-999999999", lines = "A0-A999999999", at = "begin" }]\n'
    code = f"from busledger.decoder.bus import profile_from_text\nprofile_from_text({HEAD + wide + piece!r}, 'given')\n"
    limit = "import resource; resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))\n"
    run = subprocess.run([sys.executable, "-c", limit + code], capture_output=True, text=True)
    assert "ProfileError" in run.stderr and "MemoryError" not in run.stderr


@pytest.mark.parametrize("text", ["x = " + "9" * 5000, "x = " + "[" * 5000])
def test_numbers_and_brackets_beyond_pythons_limits(text: str) -> None:
    with pytest.raises(ProfileError, match="not TOML"):
        profile_from_text(text, "given")
    targets.board(text.encode())
    targets.wiring(text.encode())


def test_control_characters_in_the_names_of_a_profile() -> None:
    text = HEAD + '[[line]]\nname = "A0"\nrole = "address"\n[[strobe]]\nname = "I\\tO\\u001b[2J"\nwhen = "A0"\n'
    with pytest.raises(ProfileError) as caught:
        profile_from_text(text, "given")
    assert "\x1b" not in str(caught.value) and "\t" not in str(caught.value)


@pytest.mark.parametrize(
    "data",
    [
        # The word that ends in $end does not end the header: the next $end of its own does.
        b"$timescale 10us $end\n$var wire 4 a v[3:0] $end $enddefinitions \xff$end #5 b1 a $comment #9 $end #6 bz a\n",
        # A time stamp without digits in front of a number, where a piece begins; and one with forty zeros.
        b"#0 1! b1z01 %% r1.5 r #7\n0! bxz ! bx %%  # 0\n",
        b"#7 1!\n#" + b"0" * 45 + b"9 0!\n#" + b"0" * 50 + b"12 1!\n#13 0!\n",
        b"#7 1!\n#" + b"0" * 50 + b"3 0!\n#8 1!\n",
    ],
)
def test_dumps_that_were_read_wrongly_or_in_two_ways(data: bytes) -> None:
    for filler in range(40):  # the target cuts the file in pieces of a size that depends on its length
        targets.vcd(data + b" " * filler)


def test_a_behaviour_without_an_address() -> None:
    text = (Path(bus_profiles.__file__).parent / "68008.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    data["address"] = []
    targets.profile(targets.document(data))
