"""How much of a wiring is found from behaviour alone, on virtual cards with shuffled, renamed channels.

    python -m tests.benchmarks.wiring_share [FIRST_SEED [CARDS]]

Each card has 20 000 cycles of an ordinary program (``tests.wiring.cards``): 6502, Z80 and 8080 on emulators that others
wrote, 6800 and 6809 on a model machine. Then come buses that share lines or are 16 bits wide (``shared_lines``), one
card in ten of each.

What counts: every line of the bus that is clipped and moved. Lines that had the same level in every cycle cannot be
told apart by anybody, and exchanging them changes no cycle: either order is right. In brackets without that grace, and
with the lines that never moved, which nobody can find.
"""

from __future__ import annotations

import sys
from collections import Counter

from busledger.decoder.bus import load_profile, wanted_lines
from busledger.decoder.wiring import propose
from tests.wiring.cards import draw_card
from tests.wiring.shared_lines import SHARED, draw_shared

SURE = 0.9


def judge(card):
    """Counter of lines, lines right, exactly right, lines with still ones, sure guesses, sure and wrong."""
    profile = load_profile(card.profile)
    guesses = propose(card.capture, len(card.names), wanted_lines(profile), card.grid).guesses
    moved = card.capture.levels[1:] ^ card.capture.levels[:-1]
    lines = {n for n in card.names if n in profile.lines}
    moving = {n for k, n in enumerate(card.names) if n in lines and (moved[:, k // 64] >> (k % 64) & 1).any()}

    def right(guess):
        name = card.names[guess.channel]
        return name == guess.line or any({name, guess.line} <= group for group in card.alike)

    sure = [g for g in guesses if g.confidence >= SURE]
    return Counter(
        lines=len(moving),
        right=len({g.line for g in guesses if right(g)} & moving),
        exact=len({g.line for g in guesses if card.names[g.channel] == g.line} & moving),
        clipped=len(lines),
        sure=len(sure),
        sure_wrong=sum(not right(g) for g in sure),
    )


def show(title, n):
    print(
        f"{title:10} lines {n['right']}/{n['lines']} = {n['right'] / n['lines']:.1%} ({n['exact'] / n['lines']:.1%}, "
        f"with still ones {n['exact'] / n['clipped']:.1%})  sure {n['sure']}, of them wrong {n['sure_wrong']}",
        flush=True,
    )


def main(first, cards):
    total: dict[str, Counter] = {}
    for seed in range(first, first + cards):
        card = draw_card(seed)
        total.setdefault(card.profile, Counter()).update(judge(card))
    for bus, count in sorted(total.items()):
        show(bus, count)
    show("all", sum(total.values(), Counter()))
    for bus in SHARED:
        show(bus, sum((judge(draw_shared(bus, seed)) for seed in range(first, first + max(1, cards // 10))), Counter()))


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (1001, 100))
