"""All rivals of a study: the innocent explanations that compete with the card's faults."""

from __future__ import annotations

from collections.abc import Iterator

from busledger.decoder.diagnosis.replay.study import Study, Survey
from busledger.decoder.diagnosis.replay.weighing import Noise
from busledger.decoder.diagnosis.rivals.banks import banked, latched
from busledger.decoder.diagnosis.rivals.changes import contents_lost, other_images, shared
from busledger.decoder.diagnosis.rivals.clips import clips_off
from busledger.decoder.diagnosis.rivals.exchanged import clips_exchanged
from busledger.decoder.diagnosis.rivals.places import devices, mirrors, narrow, twins
from busledger.decoder.diagnosis.rivals.protected import read_only
from busledger.decoder.diagnosis.rivals.rival import Rival
from busledger.decoder.diagnosis.rivals.sampling import noisy_clips, ringing, ringing_pulses, too_slow
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.strobes import reads_gone, selects_at_rest, writes_gone

__all__ = ["find_rivals", "rivals_of_lines"]


def find_rivals(study: Study, survey: Survey) -> list[Rival]:
    """Innocent explanations of what was seen, the likeliest first.

    Rivals that explain no wrong read (a line that never moved in a capture that is right otherwise) come last: they
    say what was not judged. Every figure is of the whole capture, nothing taken out; two rivals may explain the same
    reads, and the caller weighs them as it weighs candidates.

    Raises
    ------
    OutputError
        the access log's temporary file cannot be read back.
    """
    story = Story.of(study)
    found = list(rivals_of_lines(story))
    if survey.wrong:
        found += _of_places(story)

    noise = Noise(survey.wrong, survey.total, study.data_bits)

    def place(rival: Rival) -> tuple[bool, float]:
        return rival.explains == 0, -rival.log_posterior - noise.log_strays(survey.wrong - rival.explains)

    return sorted(found, key=place)


def rivals_of_lines(story: Story) -> Iterator[Rival]:
    """Those of clips and of the sampling."""
    evidence = story.study.evidence
    if evidence.signs is not None:
        yield from clips_off(story, evidence.signs)
        yield from writes_gone(story, evidence.signs)
        yield from reads_gone(story, evidence.signs)
        yield from selects_at_rest(story, evidence.signs)
        yield from noisy_clips(story, evidence.signs)
        yield from ringing(story, evidence.signs)
        yield from ringing_pulses(story, evidence.signs)
    yield from too_slow(story)
    yield from clips_exchanged(story)


def _of_places(story: Story) -> Iterator[Rival]:
    yield from devices(story)
    yield from read_only(story)
    yield from mirrors(story)
    yield from twins(story)
    yield from narrow(story)
    yield from latched(story)
    yield from banked(story)
    yield from contents_lost(story)
    yield from shared(story)
    yield from other_images(story)
