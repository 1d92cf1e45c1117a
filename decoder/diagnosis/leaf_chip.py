"""One chip that is being weighed: its rows, its shares, and what a fault of it leaves of its wrong reads."""

from __future__ import annotations

import math

import numpy as np

from busledger.decoder.diagnosis.faults.candidate import priors
from busledger.decoder.diagnosis.leaf import Unit, log_noise
from busledger.decoder.diagnosis.leaf_rows import Counts, LeafCount
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import LaneFault, PathFault
from busledger.decoder.diagnosis.replay.weighing import LN2, LOG_SLIP, SOMETIMES, log_chances, log_rate, log_sum
from busledger.decoder.diagnosis.scoring import Scored

__all__ = ["NO_PART", "Chip"]

NO_PART = 40.0  # nats below the best of its kind that leave a way to be bad no part in any sum
# Judged: of chips that are bad in a way not listed, those that read wrong, those that are written wrongly, and those
# whose contents change by themselves and stay.
_STAYS = (0.55, 0.4, 0.05)
# Judged: of the last, those that change whole words, to something on so many lanes in the mean: cells fade or follow a
# neighbour bit by bit, and what writes a word anew is a writer.
_WORDS, _OF_A_WORD = 0.1, 2.5


class Chip:
    """A chip that has read wrong, as one round of its weighing sees it.

    ``rows``: of its region, narrowed to its lanes, and ``count`` of them; ``plain``: what the chip was given is not
    known; ``second``: the rows are what a first fault of the chip leaves.
    """

    def __init__(
        self, study: Study, unit: Unit, rows: Rows, count: LeafCount, plain: bool, second: bool = False
    ) -> None:
        self.study, self.unit, self.rows, self.count = study, unit, rows, count
        self.plain, self.second = plain, second
        self.lanes = unit.mask.bit_count()
        self.share = {name: float(value) for name, value in priors()["leaf"]["share"].items()}
        self.span = study.cells.span(unit.region)
        self.shift = study.cells.shift
        self._first: dict[int, tuple[int, ...]] = {}

    def first_wrong(self, mask: int) -> tuple[int, ...]:
        """Cycles of the first eight reads that came wrong on these lanes."""
        if mask not in self._first:
            bad = np.flatnonzero(self.rows.wrong & np.uint32(mask))
            self._first[mask] = tuple(self.rows.index[bad[:8]].tolist())
        return self._first[mask]

    def log_stays(self, count: LeafCount, pattern: float) -> float:
        """What it costs a fault of some cells, beside its chances at one rate, that wrong reads repeat: see
        ``log_anywhere``."""
        again = count.wrong - count.event_count
        read, written, changed = (math.log(share) for share in _STAYS)
        news, right = count.event_count, count.right_count
        changed += log_rate(news, right + again, SOMETIMES) - log_rate(news, right, SOMETIMES)
        return log_sum([read - again * pattern, *self._other_than_read(count, pattern, written, changed)])

    def log_anywhere(self, count: LeafCount, pattern: float) -> float:
        """Log likelihood of wrong reads, news and repeats, that come anywhere in the chip. Reads that come out wrong,
        each by itself, repeat by chance alone; writes that are bent show at the first read after them; a cell that
        changes between two reads and stays so is what a chip hardly does, and another master, a switch of banks or a
        dip of the supply does all the time.

        Each has its own chances, and so its own habits: what is credited to one is never taken off another's.
        """
        read, written, changed = (math.log(share) for share in _STAYS)
        changed += math.log(_WORDS) if self._changes_words() else 0.0
        again = count.wrong - count.event_count
        acts = count.events + count.wrong_again  # a read that repeats another by chance is one more act
        read += log_chances(acts, count.right, (count.wrong, count.right_count)) - again * pattern
        written += self._chances(count, count.right - count.right_again)
        # Of a cell that may change between any two reads, each read that gives the same again is a missed chance.
        changed += self._chances(count, count.right + count.wrong_again)
        # One that comes back right has changed once more.
        acted, others = count.event_count, count.right_count + again
        back = count.came_back
        changed += log_rate(acted + back, others - back, SOMETIMES) - log_rate(acted, others, SOMETIMES)
        return log_sum([read, *self._other_than_read(count, pattern, written, changed)])

    def _changes_words(self) -> bool:
        news = self.rows.wrong[self.rows.event != 0]
        return bool(len(news)) and float(np.bitwise_count(news).mean()) >= _OF_A_WORD

    def _chances(self, count: LeafCount, missed: Counts) -> float:
        return log_chances(count.events, missed, (count.event_count, int(missed.sum())))

    def _other_than_read(
        self, count: LeafCount, pattern: float, written: float, changed: float
    ) -> tuple[float, float]:
        """What was written wrongly does not come wrong by itself; nor does it, or what has changed and stays so, come
        back without a write."""
        return written + count.log_slips, changed - count.came_back * pattern

    def strays(self, scored: Scored, count: LeafCount, mask: int, least: int = 0) -> float:
        """What a fault leaves of the reads of its lanes: slips of the analyser, or a second thing wrong with the chip,
        of a kind not listed. ``least``: news that it leaves for sure."""
        news = max(least, count.news(count.wrong - scored.covers))
        if not scored.hard and scored.effect.log_own is None:
            news = max(news, self.not_its_acts(scored, count))
            if isinstance(scored.variant.behaviour, LaneFault) and scored.path is None:
                # A fault of reads shows at once: news of a time at which it did not act are none of its own.
                acts = scored.effect.chances[:, 0]
                news = max(news, int(np.maximum(0, count.events - acts).sum()))
        return self.left_over(news, count, (mask & self.unit.mask).bit_count())

    def not_its_acts(self, scored: Scored, count: LeafCount) -> int:
        """News that it explains without having acted (a fault before it made the read wrong): no repeats of its acts.
        Where it excused nothing, what its cells hold is its own doing, and a read that it leads astray in between,
        to what was due by chance, makes news of what it left there before."""
        tally = scored.effect.tally
        follows = isinstance(scored.variant.behaviour, PathFault) and scored.variant.behaviour.op != "stays"
        if follows and tally.excused == tally.contradicted == tally.other == 0:
            return 0
        return count.event_count - tally.hits - tally.excused - tally.contradicted

    def left_over(self, news: int, count: LeafCount, lanes: int) -> float:
        """Log likelihood of so many news that no listed fault of the chip explains: slips, or an unlisted one. Of the
        reads that repeat such news, and of those that came back right, they have the share that they have of all news.

        An unlisted fault leaves what it did in the cell, which then does not come back right by itself; or it spoils
        each read by itself, and then one that repeats another is one more.
        """
        noise = log_noise(news, count.reads, lanes)
        if not news:
            return noise
        pattern = math.log(max(2.0**lanes - 1.0, 1.0))
        right = count.right_count
        share = min(1.0, news / max(1, count.event_count))
        again, back = round(share * (count.wrong - count.event_count)), share * count.came_back
        stays = log_rate(news, right, SOMETIMES) - news * pattern + back * LOG_SLIP
        each = log_rate(news + again, right, SOMETIMES) - (news + again) * pattern
        return log_sum([noise, math.log(self.share["unlisted"]) + log_sum([stays, each]) - LN2])
