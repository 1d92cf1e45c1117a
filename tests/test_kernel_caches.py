"""A kernel's compiled code must not outlive the kernels that it calls.

That numba itself does not see this is said in its documentation, "Notes on Caching" (a change
in another file does not invalidate a cached function); the first test shows it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from busledger.decoder.kernel_caches import drop_stale_caches

LOW = "from numba import njit\n@njit(cache=True)\ndef low(x):\n    return x + {}\n"
HIGH = "from numba import njit\nfrom kernels.low_kernel import low\n" + (
    "@njit(cache=True)\ndef high(x):\n    return low(x) * 10\n"
)
ENVIRONMENT = {k: v for k, v in os.environ.items() if not k.startswith("NUMBA")}


def _answer(folder: Path) -> int:
    code = "from kernels.high_kernel import high; print(high(1))"
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=folder, env=ENVIRONMENT, capture_output=True, text=True, check=True
    )
    return int(run.stdout)


def test_a_changed_kernel_takes_the_caches_of_its_callers_with_it(tmp_path: Path) -> None:
    package = tmp_path / "kernels"
    package.mkdir()
    (package / "low_kernel.py").write_text(LOW.format(1))
    (package / "high_kernel.py").write_text(HIGH)
    assert _answer(tmp_path) == 20
    assert drop_stale_caches(package) == 0
    time.sleep(0.02)
    (package / "low_kernel.py").write_text(LOW.format(2))
    assert _answer(tmp_path) == 20  # the old code goes on being called: this is what must not happen
    assert drop_stale_caches(package) == 2  # its own as well
    assert _answer(tmp_path) == 30
    assert drop_stale_caches(package) == 0


def test_so_does_a_changed_kernel_on_the_ground_floor(tmp_path: Path) -> None:
    upstairs = tmp_path / "kernels" / "upstairs"
    upstairs.mkdir(parents=True)
    (tmp_path / "kernels" / "low_kernel.py").write_text(LOW.format(1))
    (upstairs / "high_kernel.py").write_text(HIGH)
    code = "from kernels.upstairs.high_kernel import high; print(high(1))"
    subprocess.run([sys.executable, "-c", code], cwd=tmp_path, env=ENVIRONMENT, check=True, capture_output=True)
    assert drop_stale_caches(tmp_path / "kernels") == 0
    time.sleep(0.02)
    (tmp_path / "kernels" / "low_kernel.py").write_text(LOW.format(2))
    assert drop_stale_caches(tmp_path / "kernels") == 2


PAIR = "from typing import NamedTuple\n\nclass {}(NamedTuple):\n    x: int\n    y: int\n"
HANDED = "from numba import njit\n@njit(cache=True)\ndef pair_kernel(pair):\n    return pair.x + pair.y\n"


def test_a_named_tuple_that_is_gone_does_not_stop_a_kernel_that_was_handed_it(tmp_path: Path) -> None:
    package = tmp_path / "kernels"
    package.mkdir()
    (package / "pair_kernel.py").write_text(HANDED)

    def run(name: str) -> subprocess.CompletedProcess[str]:
        (package / "arrays.py").write_text(PAIR.format(name))
        code = f"from kernels.arrays import {name} as Two\nfrom kernels.pair_kernel import pair_kernel as kernel\n"
        code += "print(kernel(Two(1, 2)))"
        return subprocess.run(
            [sys.executable, "-c", code], cwd=tmp_path, env=ENVIRONMENT, capture_output=True, text=True, check=False
        )

    assert run("Pair").stdout.strip() == "3"
    time.sleep(0.02)
    assert "AttributeError" in run("Couple").stderr  # what must not happen
    assert drop_stale_caches(package) == 1
    assert run("Couple").stdout.strip() == "3"


def test_a_folder_without_kernels_or_caches_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "only_kernel.py").write_text("x = 1\n")
    (tmp_path / "empty").mkdir()
    assert drop_stale_caches(tmp_path) == 0


def test_it_is_done_before_any_kernel_is_loaded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code = (
        "import busledger.decoder, sys\n"
        "assert 'busledger.decoder.kernel_caches' in sys.modules and 'numba' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=Path(__file__).parents[1])


RUN = "import busledger.decoder\nfrom kernels.low_kernel import low\nprint(low(1))\n"


def _forgiven(folder: Path, cache: str, code: str = RUN) -> str:
    (folder / "kernels").mkdir(exist_ok=True)
    (folder / "kernels" / "low_kernel.py").write_text(LOW.format(1))
    root = Path(__file__).parents[1]
    paths = os.pathsep.join([str(root / ".types"), str(root)])
    environment = {**ENVIRONMENT, "NUMBA_CACHE_DIR": cache, "PYTHONPATH": paths}
    run = subprocess.run([sys.executable, "-c", code], cwd=folder, env=environment, capture_output=True, text=True)
    return run.stdout + run.stderr


def test_kernels_run_in_memory_where_no_folder_takes_their_cache(tmp_path: Path) -> None:
    assert _forgiven(tmp_path, "/dev/null/nowhere") == "2\n"


def test_kernels_run_where_the_disk_of_their_cache_is_full(tmp_path: Path) -> None:
    # a file may grow to nothing at all: what a full disk does to a write
    full = "import resource\nresource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))\nimport signal\n"
    full += "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    assert _forgiven(tmp_path, str(tmp_path / "cache"), full + RUN) == "2\n"


def test_a_damaged_cache_is_compiled_again(tmp_path: Path) -> None:
    assert _forgiven(tmp_path, str(tmp_path / "cache")) == "2\n"
    damaged = list((tmp_path / "cache").rglob("*.nb[ci]"))
    assert damaged
    for content in (b"", b"\x80\x04", b"not a pickle at all"):
        for path in damaged:
            path.write_bytes(content)
        assert _forgiven(tmp_path, str(tmp_path / "cache")) == "2\n"


def test_the_first_compilation_is_told_once(tmp_path: Path) -> None:
    tell = "from busledger.decoder.kernel_forgiving import when_compiling\nwhen_compiling(lambda: print('compiling'))\n"
    assert _forgiven(tmp_path, str(tmp_path / "cache"), tell + RUN) == "compiling\n2\n"
    assert _forgiven(tmp_path, str(tmp_path / "cache"), tell + RUN) == "2\n"


ALLOCATES = """from numba import njit
import numpy as np


@njit(cache=True)
def made(n):
    found = np.zeros(n, np.int64)
    for k in range(n):
        found[k] = k * k // 2
    if n > 3:
        raise ValueError("too many")
    return found
"""


def test_a_kept_kernel_runs_without_all_that_numba_could_compile(tmp_path: Path) -> None:
    """It takes memory, divides and raises, and none of that needs numba's compiler."""
    (tmp_path / "kernels").mkdir()
    (tmp_path / "kernels" / "made_kernel.py").write_text(ALLOCATES)
    run = "import sys\nimport busledger.decoder\nfrom kernels.made_kernel import made\nprint(made(3).tolist())\n"
    run += "try:\n    made(4)\nexcept ValueError as error:\n    print(error)\n"
    run += "print('numba.np.arraymath' in sys.modules)\n"
    cache = str(tmp_path / "cache")
    assert _forgiven(tmp_path, cache, run) == "[0, 0, 2]\ntoo many\nTrue\n"
    assert _forgiven(tmp_path, cache, run) == "[0, 0, 2]\ntoo many\nFalse\n"
