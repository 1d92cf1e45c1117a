"""Bundled scenarios, and the virtual card that makes them.

The card (``busledger.captures_demo.world``) shares no code with the engine. ``scenarios``
lists what is bundled, for ``busledger demo``.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path

__all__ = ["DemoScenario", "scenarios"]


@dataclass(frozen=True, slots=True)
class DemoScenario:
    """One bundled scenario: files to check, and what its story says.

    ``capture``, ``board``, ``story``, ``truth`` are paths of installed files;
    ``title`` is the story's heading, ``opening`` its first paragraph.
    """

    name: str
    capture: Path
    board: Path
    story: Path
    truth: Path
    title: str
    opening: str


def scenarios() -> tuple[DemoScenario, ...]:
    """Every bundled scenario, by name. Reads only the stories."""
    root = Path(str(resources.files(__name__)))
    found = []
    for folder in sorted(root.iterdir()):
        captures = sorted(folder.glob("capture.vcd*")) if (folder / "story.md").is_file() else []
        if captures:
            story = folder / "story.md"
            title, _, body = story.read_text(encoding="utf-8").strip().partition("\n")
            opening = body.strip().split("\n\n")[0].replace("\n", " ")
            found.append(
                DemoScenario(
                    folder.name,
                    captures[0],
                    folder / "board.toml",
                    story,
                    folder / "truth.toml",
                    title.lstrip("# ").strip(),
                    opening,
                )
            )
    return tuple(found)
