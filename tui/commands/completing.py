"""Names that the shell completes: buses, parts, bundled captures."""

from __future__ import annotations

from pathlib import Path

from busledger import captures_demo

__all__ = ["CAPTURE", "bus_names", "demo_folders", "demo_names", "part_names"]

CAPTURE = "capture.vcd.xz"


def bus_names(incomplete: str) -> list[str]:
    """Bundled profiles that begin so."""
    from busledger.decoder.bus import profile_names

    return [name for name in profile_names() if name.startswith(incomplete.lower())]


def part_names(incomplete: str) -> list[str]:
    """Parts of the library that begin so; what is typed keeps its case, as any case is understood."""
    from busledger.decoder.board import parts

    found = [part.name for part in parts() if part.name.lower().startswith(incomplete.lower())]
    return [incomplete + name[len(incomplete) :] for name in found]


def demo_names(incomplete: str) -> list[str]:
    """Bundled captures that begin so."""
    return [name for name in demo_folders() if name.startswith(incomplete)]


def demo_folders() -> dict[str, Path]:
    """The bundled scenarios by name: folders with a board file and a capture."""

    home = Path(captures_demo.__file__).parent
    folders = sorted(folder for folder in home.iterdir() if (folder / "board.toml").is_file())
    return {folder.name: folder for folder in folders if (folder / CAPTURE).is_file()}
