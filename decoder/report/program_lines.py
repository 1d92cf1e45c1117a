"""What the program has to say of a capture, in sentences; text, page, markdown and browser show the same."""

from __future__ import annotations

from busledger.decoder.figures import count
from busledger.decoder.findings import ProgramFinding, WitnessFinding
from busledger.decoder.text import plain

__all__ = ["LONGEST_SENTENCE", "program_lines"]

LONGEST_SENTENCE = 800
"""Characters of a sentence on the program: with names and long addresses some need more than a name does."""


def program_lines(program: ProgramFinding | None) -> list[str]:
    """Where the machine left its road, and whether the processor took the bytes that the clips saw; none where a
    program that stayed on its road has nothing to tell."""
    if program is None:
        return []
    lines = []
    if program.derailed is not None:
        mark = " (inferred: the bus does not tell the fetches)" if program.derailed.inferred else ""
        lines.append(f"Derailed: {plain(program.derailed.sentence, LONGEST_SENTENCE)}{mark}")
    if program.beginning:
        lines.append(plain(program.beginning, LONGEST_SENTENCE))
    if program.witness is not None:
        lines += witness_lines(program.witness)
    return lines


def witness_lines(witness: WitnessFinding) -> list[str]:
    """What lengths and jumps tell of the bytes that the processor took."""
    if witness.differs:
        where = f": {', '.join(witness.differs_lanes)} alone explains all of them" if witness.differs_lanes else ""
        head = (
            f"In {count(witness.differs)} of {count(witness.told)} instructions that could tell, the processor "
            f"took another byte than the clips saw{where}. That is a fault on the processor's side of the clips, or of "
            "a clip."
        )
        return [head, *(plain(sentence, LONGEST_SENTENCE) for sentence in witness.sentences)]
    if not witness.told:
        return []
    seldom = min(witness.lanes, key=lambda lane: witness.lanes[lane])
    return [
        f"The processor took what the clips saw: {count(witness.told)} of {count(witness.instructions)} "
        f"instructions could have told otherwise, none did ({seldom} least often, {count(witness.lanes[seldom])} "
        "times): from the clips to the processor the data bus is good."
    ]
