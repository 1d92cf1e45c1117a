"""Text from a file, made safe: what may be shown as it is, and what may not, for every character there is."""

from __future__ import annotations

import sys
import unicodedata

from busledger.decoder.text import plain


def test_no_character_that_moves_hides_or_reorders_is_shown_as_it_is() -> None:
    hidden = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}  # general categories of the Unicode standard, section 4.5
    kept = {code for code in range(sys.maxunicode + 1) if plain(chr(code)) == chr(code)}
    safe = {code for code in range(sys.maxunicode + 1) if unicodedata.category(chr(code)) not in hidden}
    assert kept == safe


def test_long_text_is_cut_where_it_was_said() -> None:
    assert (plain("weaver", 6), plain("weaver", 5)) == ("weaver", "weave…")
