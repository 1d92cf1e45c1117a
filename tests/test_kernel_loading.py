"""A kept kernel that is loaded with less than numba loads does what it did."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(os.environ.get("NUMBA_DISABLE_JIT") == "1", reason="nothing is compiled")
KERNEL = """
import numpy as np
from numba import njit
@njit(cache=True)
def most(values):
    if values.shape[0] == 0:
        raise ValueError("nothing there")
    return np.argmax(values) + np.zeros(3).size
@njit(cache=True, _nrt=False)
def first(values):
    return values[0]
"""
CALLER = """
from numba import njit
from kept_kernel import first, most
@njit
def both(values):
    return most(values) + first(values)
"""
BEGIN = """
import sys
import busledger.decoder
import numpy as np
from kept_kernel import first, most
"""
ENVIRONMENT = {k: v for k, v in os.environ.items() if not k.startswith("NUMBA")}


def said(folder: Path, code: str) -> str:
    """What the code prints in a process of its own."""
    run = subprocess.run(
        [sys.executable, "-c", BEGIN + code], cwd=folder, env={**ENVIRONMENT, "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return run.stdout.strip()


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two kernels that were compiled before."""
    folder = tmp_path_factory.mktemp("kept")
    (folder / "kept_kernel.py").write_text(KERNEL)
    (folder / "caller_kernel.py").write_text(CALLER)
    assert said(folder, "print(most(np.arange(5)), first(np.arange(5)))") == "7 0"
    return folder


def test_numbas_insides_are_those_that_are_known_here(kept: Path) -> None:
    code = (
        "from numba.core import codegen, environment\nlibrary = codegen.JITCodeLibrary\n"
        "print(all(hasattr(f, 'instead_of') for f in (environment._rebuild_env, library._get_module_for_linking, "
        "library.get_pointer_to_function, library._unserialize.__func__)))"
    )
    assert said(kept, code) == "True"


def test_it_gives_the_same_and_needs_nothing_of_what_it_was_made_of(kept: Path) -> None:
    shown = said(kept, "print(most(np.arange(5)), first(np.arange(5)), 'numba.np.arraymath' in sys.modules, "
                       "sum(most.stats.cache_hits.values()))")  # fmt: skip
    assert shown == "7 0 False 1"


def test_it_raises_what_it_raised(kept: Path) -> None:
    code = "try:\n    most(np.arange(0))\nexcept ValueError as error:\n    print(error)"
    assert said(kept, code) == "nothing there"


def test_another_kernel_that_is_compiled_later_can_call_it(kept: Path) -> None:
    code = "print(most(np.arange(5)))\nfrom caller_kernel import both\nprint(both(np.arange(6)), first(np.arange(2)))"
    assert said(kept, code) == "7\n8 0"


def test_memory_is_made_ready_for_a_kernel_that_needs_it_and_for_no_other(kept: Path) -> None:
    code = (
        "first(np.arange(5))\nfrom numba.core.runtime.nrt import rtsys\nbefore = rtsys._init\nmost(np.arange(5))\n"
        "print(before, rtsys._init)"
    )
    assert said(kept, code) == "False True"
