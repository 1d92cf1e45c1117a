"""What ``--good``, ``--bad`` and ``--replaced`` say of parts, beside the board file's ``[[tested]]``."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from busledger.decoder.board import Board, Tested, nearest
from busledger.decoder.errors import UsageError
from busledger.decoder.text import plain

__all__ = ["with_tested"]

_RANGE = re.compile(r"([A-Za-z]+)(\d{1,6})\s*(?:-|–|\.\.)\s*([A-Za-z]*)(\d{1,6})", re.ASCII)
_LONGEST = 512  # parts of one range: more than any card carries


def with_tested(board: Board, *, good: Sequence[str], bad: Sequence[str], replaced: Sequence[str]) -> Board:
    """The board with what was found at the bench added to what its file says.

    Each text is one designator, a range of them (``U1-U8``, both ends included), or several with commas. A part that
    was tested and then replaced counts as replaced: the one that was tested is not on the card any more.

    Raises
    ------
    UsageError
        a part that is not on the card, a range that cannot be read, a part that is said to be good and bad.
    """
    said: dict[str, str] = {}
    known = _designators(board)
    for result, texts in (("good", good), ("bad", bad), ("replaced", replaced)):
        for name in (name for text in texts for name in _named(f"--{result}", text, known)):
            if result == "bad" and said.get(name) == "good":
                raise UsageError(
                    f"{plain(name)} was given with --good and with --bad",
                    expected="one of them",
                    hint="Of two tests that differ, go by the one that it failed.",
                )
            said[name] = result
    held = {one.designator: one for one in board.tested}
    for name, result in said.items():
        before = held.get(name)
        if before is not None and {before.result, result} == {"good", "bad"}:
            raise UsageError(
                f"{plain(name)} was given with --{result}, but the board file says {before.result}",
                where=plain(board.path),
                expected="one of them",
                hint="Change its [[tested]] entry, or leave the option out.",
            )
        if before is None or before.result != result:
            held[name] = Tested(name, result)  # type: ignore[arg-type]
    return replace(board, tested=tuple(held.values())) if said else board


def _designators(board: Board) -> tuple[str, ...]:
    chips = (chip.designator for region in board.regions for chip in region.chips)
    decoders, buffers = (one.designator for one in board.decoders), (one.designator for one in board.buffers)
    return tuple(dict.fromkeys(name for name in (*chips, *decoders, *buffers) if name))


def _named(option: str, text: str, known: Sequence[str]) -> Iterator[str]:
    """The designators in one text, as the board file spells them; capitals do not matter."""
    spelled = {name.casefold(): name for name in known}
    for word in text.split(","):
        # A name of the board file that looks like a range is that name.
        words = [word.strip()] if word.strip().casefold() in spelled else list(_range(option, word.strip(), spelled))
        for one in words:
            if one.casefold() not in spelled:
                raise UsageError(
                    f"{option} names {plain(one) or 'no part'}, which is not on the card",
                    expected=f"a designator of the board file{nearest(one, known)}",
                )
            yield spelled[one.casefold()]


def _range(option: str, word: str, spelled: dict[str, str]) -> Iterator[str]:
    """``U1-U8`` → those of U1 to U8 that are on the card; its ends must be."""
    match = _RANGE.fullmatch(word)
    if match is None:
        yield word
        return
    stem, first, last = match[1], int(match[2]), int(match[4])
    if (match[3] and match[3].casefold() != stem.casefold()) or last < first or last - first >= _LONGEST:
        raise UsageError(
            f"cannot read the range {plain(word)} after {option}",
            expected="two designators with the same letters, the lower number first, such as U1-U8",
        )
    for number in range(first, last + 1):
        name = f"{stem}{number}"
        # Numbers between that the card does not have are sockets left free, not slips.
        if number in (first, last) or name.casefold() in spelled:
            yield name
