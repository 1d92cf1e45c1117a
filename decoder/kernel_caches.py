"""Compiled kernels kept on disk must go when a kernel that they call has changed.

numba keeps a compiled kernel beside its source and notices when that source
changes, but not when a kernel that it imports from another file does: after an
update of the sources the old code would go on being called. Whatever of a
kernel's cache is older than a kernel that it imports is removed here, so that
it is compiled again. So is what is older than its own source, or than the named
tuples that it is handed (in modules of the names below, beside or above it): numba
looks for their classes before it looks at the source, and stops where one is gone.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

__all__ = ["drop_stale_caches"]

_IMPORTED = re.compile(r"^\s*(?:from|import)\s+[\w.]*?(\w+_kernel)\b", re.MULTILINE)


_HANDED = ("arrays.py", "tables.py", "windows.py")
_HERE = Path(__file__).parent


def drop_stale_caches(package: Path = _HERE) -> int:
    """Remove the caches under ``package`` that an imported kernel has outlived; how many files.

    A folder that cannot be written is left alone: there numba keeps its caches
    elsewhere, in a folder of the user's.
    """
    dropped = 0
    for folder, below, files in os.walk(package):
        below[:] = sorted(name for name in below if name != "__pycache__")
        if any(name.endswith("_kernel.py") for name in files):
            dropped += _drop_in(Path(folder), list(_above(Path(folder), package)))
    return dropped


def _above(folder: Path, package: Path) -> Iterator[Path]:
    """The folders over this one, whose kernels its own may call."""
    while folder != package:
        folder = folder.parent
        yield folder


def _drop_in(folder: Path, above: Sequence[Path]) -> int:
    caches: list[Path] = []
    with suppress(OSError), os.scandir(folder / "__pycache__") as found:
        caches = [Path(one.path) for one in found if one.name.endswith(".nbi") and "_kernel." in one.name]
    if not caches:
        return 0
    with suppress(OSError):  # another process changes the same folder; it looks for itself
        mine = {path.stem: path for path in folder.glob("*_kernel.py")}
        sources = {path.stem: path for over in above for path in over.glob("*_kernel.py")} | mine
        changed = {name: path.stat().st_mtime for name, path in sources.items()}
        handed = [over / name for over in (folder, *above) for name in _HANDED]
        youngest = max((path.stat().st_mtime for path in handed if path.exists()), default=0.0)
        changed |= {name: max(changed[name], youngest) for name in mine}
        oldest = min(path.stat().st_mtime for path in caches)
        if max(changed.values(), default=0.0) > oldest:
            return sum(_drop(caches, name, newest) for name, newest in _newest_imports(sources, changed))
    return 0


def _newest_imports(sources: Mapping[str, Path], changed: Mapping[str, float]) -> Iterator[tuple[str, float]]:
    """Each kernel module, and when the youngest of it and all that it leads to was changed."""
    imports = {
        name: set(_IMPORTED.findall(path.read_text(encoding="utf-8"))) & set(changed) for name, path in sources.items()
    }
    for name in imports:
        reached = {name}
        waiting = list(imports[name])
        while waiting:
            other = waiting.pop()
            if other not in reached:
                reached.add(other)
                waiting += imports[other]
        yield name, max(changed[other] for other in reached)


def _drop(caches: list[Path], name: str, newest: float) -> int:
    dropped = 0
    for path in caches:
        with suppress(OSError):
            if path.name.startswith(f"{name}.") and path.stat().st_mtime < newest:
                path.unlink()
                dropped += 1
    return dropped
