"""Coverage-guided fuzzing by hand of everything that reads a file, with atheris (``pip install atheris``).

    NUMBA_DISABLE_JIT=1 python -m tests.hostile.fuzz_inputs vcd FOLDER -max_total_time=3600

The first word is the target: vcd, csv, board, wiring, profile, or tables (good board files and profiles with values
exchanged). FOLDER keeps what was found interesting, so that a later run goes on from there; the rest goes to libFuzzer.
Without the compiler the kernels are plain Python, whose branches atheris sees. What it finds becomes a case in
``tests/hostile/test_found_cases.py``.
"""

from __future__ import annotations

import sys
import tomllib
from importlib import resources
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["decoder", "tests.hostile", "tomllib"]):
    from tests.board.card import GOOD
    from tests.hostile import targets

_SEEDS = {
    "vcd": [
        b"#0 1! b101 %% r1.5 r #7\n0! bxz %%\n#9 $dumpoff x! bx %% $end #12 $dumpon 1! $end #20\n",
        b"$timescale 1 ns $end $var wire 70 longer_code w $end $var wire 1 ninechars x $end $var wire 1 ab y $end\n"
        b"$enddefinitions $end $dumpvars bx longer_code 1ninechars $end #3 b101 longer_code\n#9 0ninechars 1ab\n#11\n",
        b"$timescale 10us $end\r\n$var wire 4 a v[3:0] $end $enddefinitions $end #5 b1 a $comment #9 $end #6 bz a\n",
    ],
    "csv": [b"0,0,1f\n1.5,1,x\n2e0,-,\n", b"time,a,b\n0,1,0\n1e-3,0,1\r\n", b'time_ns,"a,b"\n1,1\n'],
    "board": [GOOD.encode()],
    "wiring": [b'[wiring]\nA0 = "ch0"\n"A[1]" = "probe 2"\n'],
    "profile": [],
    "tables": [],
}


def _profiles() -> list[str]:
    place = resources.files("busledger.bus_profiles")
    return [p.read_text("utf-8") for p in place.iterdir() if p.name.endswith(".toml")]


def tables(data: bytes) -> None:
    """A good board file or profile, values exchanged as the bytes say."""
    if not data:
        return
    texts = [GOOD, *sorted(_PROFILES)]
    which = data[0] % len(texts)
    spoiled = targets.document(targets.spoilt(tomllib.loads(texts[which]), data[1:60]))
    (targets.board if which == 0 else targets.profile)(spoiled)


_PROFILES = _profiles()


def main() -> None:
    """Seeds the folder and runs until told to stop."""
    name, folder = sys.argv[1], Path(sys.argv[2])
    folder.mkdir(parents=True, exist_ok=True)
    seeds = [p.encode() for p in _PROFILES] if name == "profile" else _SEEDS[name]
    for number, seed in enumerate(seeds):
        (folder / f"seed{number}").write_bytes(seed)
    run = tables if name == "tables" else targets.TARGETS[name]
    atheris.Setup([sys.argv[0], str(folder), *sys.argv[3:]], run)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
