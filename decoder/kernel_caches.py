"""Compiled kernels kept on disk must go when a kernel that they call has changed.

numba keeps a compiled kernel beside its source and notices when that source
changes, but not when a kernel that it imports from another file does: after an
update of the sources the old code would go on being called. Whatever of a
kernel's cache is older than a kernel that it imports is removed here, so that
it is compiled again.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

__all__ = ["drop_stale_caches"]

_IMPORTED = re.compile(r"^\s*(?:from|import)\s+[\w.]*?(\w+_kernel)\b", re.MULTILINE)


_HERE = Path(__file__).parent


def drop_stale_caches(package: Path = _HERE) -> int:
    """Remove the caches under ``package`` that an imported kernel has outlived; how many files.

    A folder that cannot be written is left alone: there numba keeps its caches
    elsewhere, in a folder of the user's.
    """
    folders = {path.parent for path in package.rglob("*_kernel.py")}
    return sum(_drop_in(folder, list(_above(folder, package))) for folder in sorted(folders))


def _above(folder: Path, package: Path) -> Iterator[Path]:
    """Kernels of the folders over this one, which its own may call."""
    while folder != package:
        folder = folder.parent
        yield from folder.glob("*_kernel.py")


def _drop_in(folder: Path, shared: Sequence[Path]) -> int:
    caches = list((folder / "__pycache__").glob("*_kernel.*.nbi"))
    if not caches:
        return 0
    with suppress(OSError):  # another process changes the same folder; it looks for itself
        sources = {path.stem: path for path in (*shared, *folder.glob("*_kernel.py"))}
        changed = {name: path.stat().st_mtime for name, path in sources.items()}
        oldest = min(path.stat().st_mtime for path in caches)
        if max(changed.values(), default=0.0) > oldest:
            return sum(_drop(caches, name, newest) for name, newest in _newest_imports(sources, changed))
    return 0


def _newest_imports(sources: Mapping[str, Path], changed: Mapping[str, float]) -> Iterator[tuple[str, float]]:
    """Each kernel module with imports, and when the youngest of all that it leads to was changed."""
    imports = {
        name: set(_IMPORTED.findall(path.read_text(encoding="utf-8"))) & set(changed) for name, path in sources.items()
    }
    for name in imports:
        reached: set[str] = set()
        waiting = list(imports[name])
        while waiting:
            other = waiting.pop()
            if other not in reached:
                reached.add(other)
                waiting += imports[other]
        if reached:
            yield name, max(changed[other] for other in reached)


def _drop(caches: list[Path], name: str, newest: float) -> int:
    dropped = 0
    for path in caches:
        with suppress(OSError):
            if path.name.startswith(f"{name}.") and path.stat().st_mtime < newest:
                path.unlink()
                dropped += 1
    return dropped
