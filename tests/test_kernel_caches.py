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

from decoder.kernel_caches import drop_stale_caches

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
    assert drop_stale_caches(package) == 1
    assert _answer(tmp_path) == 30
    assert drop_stale_caches(package) == 0


def test_a_folder_without_kernels_or_caches_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "only_kernel.py").write_text("x = 1\n")
    (tmp_path / "empty").mkdir()
    assert drop_stale_caches(tmp_path) == 0


def test_it_is_done_before_any_kernel_is_loaded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code = "import decoder, sys; assert 'decoder.kernel_caches' in sys.modules and 'numba' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=Path(__file__).parents[1])
