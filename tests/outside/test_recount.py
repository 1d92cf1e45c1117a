"""Every command on a card or two that are sound: the count of false words is kept, and is nought."""

from __future__ import annotations

from pathlib import Path

from .recount import COMMANDS, drawn, table


def test_no_command_says_a_false_word_on_a_sound_card(tmp_path: Path) -> None:
    """Card 83000's D6 shows a sample of the pull-up at every hand-over, by which its clip once was called loose."""
    card = drawn((83000, 4000, str(tmp_path), COMMANDS))
    assert card.wrong == [] and set(card.status) <= set(COMMANDS) and "check" in card.status
    assert "cycles" in table([card]) and not list(tmp_path.iterdir())
