"""``python -m tests.mutation [WORD …] [--list]``: which mutants live.

A mutant is one small change of the program (``mutants.toml``). For each a scratch copy of the tree gets the change, the
tests named for it run there, and the change is taken back. A mutant that no test notices *lives*: a test is missing,
or the change means nothing. WORDs choose mutants by what their file or their reason holds; the status is 1 where one
lives. The program runs with its kernels uncompiled unless a mutant says otherwise: a compiler's minute a mutant would
be most of the run.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.mutation.mutants import MUTANTS, Mutant

ROOT = Path(__file__).parents[2]
FOLDERS = ("decoder", "tui", "bus_profiles", "captures_demo", "tests")
LIMIT_S = 240.0
KILLED, LIVED, UNFIT = "killed", "LIVED", "does not fit"


def copied(folder: Path) -> None:
    """The tree, with links that give its folders their installed names; time stamps stay, and so compiled kernels."""
    for name in FOLDERS:
        shutil.copytree(ROOT / name, folder / name)
    shutil.copy2(ROOT / "pyproject.toml", folder)
    package = folder / ".types" / "busledger"
    package.mkdir(parents=True)
    for name in FOLDERS[:-1]:
        (package / name).symlink_to(folder / name)


def passes(folder: Path, mutant: Mutant) -> bool:
    """Whether the mutant's tests pass there; to hang is not to pass, and is said."""
    python_path = os.pathsep.join([str(folder / ".types"), str(folder)])
    environment = os.environ | {"PYTHONPATH": python_path, "PYTHONDONTWRITEBYTECODE": "1"}
    environment["NUMBA_DISABLE_JIT"] = "0" if mutant.compiled else "1"
    command = [sys.executable, "-m", "pytest", "-x", "-q", "--no-header", "--tb=no", "-p", "no:cacheprovider"]
    command += ["--hypothesis-profile=unshrunk"]
    try:
        done = subprocess.run(
            [*command, *mutant.tests.split()], cwd=folder, env=environment, capture_output=True, timeout=LIMIT_S,
            check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        print(f"no end within {LIMIT_S:.0f} s: {mutant.tests}", flush=True)
        return False
    if done.returncode not in (0, 1):
        raise SystemExit(f"{mutant.tests}: {done.stdout.decode()[-2000:]}{done.stderr.decode()[-2000:]}")
    return done.returncode == 0


def forget_compiled(folder: Path) -> None:
    """A compiled caller is not told that a kernel of another module has changed."""
    for kept in [*(folder / "decoder").rglob("*.nbi"), *(folder / "decoder").rglob("*.nbc")]:
        kept.unlink()


def fate(folder: Path, mutant: Mutant) -> str:
    """What becomes of one mutant."""
    file = folder / mutant.file
    text = file.read_text(encoding="utf-8")
    if text.count(mutant.old) != 1:
        return UNFIT
    try:
        file.write_text(text.replace(mutant.old, mutant.new), encoding="utf-8")
        if mutant.compiled:
            forget_compiled(folder)
        return LIVED if passes(folder, mutant) else KILLED
    finally:
        file.write_text(text, encoding="utf-8")
        if mutant.compiled:
            forget_compiled(folder)


def main() -> int:
    """Run the mutants that the command line chooses."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation")
    parser.add_argument("words", nargs="*")
    parser.add_argument("--list", action="store_true", help="print the mutants and stop")
    parser.add_argument("--unchecked", action="store_true", help="do not first see the tests pass without a mutant")
    asked = parser.parse_args()
    chosen = [m for m in MUTANTS if not asked.words or any(w in m.file or w in m.why for w in asked.words)]
    if asked.list:
        print(*(f"{m.file}: {m.why}" for m in chosen), sep="\n")
        return 0
    fates: list[tuple[str, Mutant]] = []
    with tempfile.TemporaryDirectory(prefix="mutants-") as scratch:
        folder = Path(scratch) / "tree"
        folder.mkdir()
        copied(folder)
        if not asked.unchecked:
            for tests, compiled in sorted({(m.tests, m.compiled) for m in chosen}):
                if not passes(folder, Mutant("", "", "", tests, "", compiled)):
                    raise SystemExit(f"these fail without a mutant: {tests}")
        for mutant in chosen:
            start = time.monotonic()
            fates.append((fate(folder, mutant), mutant))
            print(f"{fates[-1][0]:12} {time.monotonic() - start:5.1f} s  {mutant.file}: {mutant.why}", flush=True)
    count = {word: sum(one == word for one, _ in fates) for word in (KILLED, LIVED, UNFIT)}
    print(f"{len(fates)} mutants: {count[KILLED]} killed, {count[LIVED]} lived, {count[UNFIT]} do not fit the text")
    for word, mutant in fates:
        if word != KILLED:
            print(f"  {word}: {mutant.file}: {mutant.why}")
    return int(count[KILLED] < len(fates))


if __name__ == "__main__":
    sys.exit(main())
