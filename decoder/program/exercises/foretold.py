"""What is said of a program before it runs: how long, how large a capture, what it finds and what it cannot."""

from __future__ import annotations

from dataclasses import dataclass

from busledger.decoder.board import Board
from busledger.decoder.figures import NO_BREAK, count, plural
from busledger.decoder.program.exercises.columns import Program
from busledger.decoder.program.exercises.library import memory_tests
from busledger.decoder.program.exercises.listing import address_text
from busledger.decoder.program.exercises.overlaps import range_text
from busledger.decoder.text import plain

__all__ = ["Foretold", "foretell", "seconds_text"]

_VCD_BYTES = 115  # of dump for one bus access on 28 lines; measured with tests.benchmarks (see DEVELOPERS.md, Speed)
_LITTLE = 64  # cells that any analyser holds


@dataclass(frozen=True, slots=True)
class Foretold:
    """Sentences for people, by what they are about; any may be empty.

    ``title`` what the program is; ``time`` how long a pass takes and how large its capture is; ``finds``,
    ``misses`` kinds of fault; ``overwrites`` and ``keep_off`` what it changes and where it must not lie; ``run`` how
    to start it and where it ends; ``results`` where the failure is kept and what to do with it; ``cautions``.
    """

    title: str
    time: tuple[str, ...]
    finds: tuple[str, ...]
    overwrites: tuple[str, ...]
    run: tuple[str, ...]
    results: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def sections(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """(head, sentences) in the order in which a person needs them; empty ones are left out."""
        found = (
            ("Before you touch a socket", self.cautions),
            ("How long", self.time),
            ("What it finds", self.finds),
            ("What it changes", self.overwrites),
            ("Running it", self.run),
            ("What it tells", self.results),
        )
        return tuple((head, sentences) for head, sentences in found if sentences)


def seconds_text(seconds: float) -> str:
    """``0.31 s``, ``45 ms``, ``12 min``: two figures."""
    for factor, unit, most in ((1e6, "µs", 1e-3), (1e3, "ms", 1.0), (1.0, "s", 120.0), (1 / 60, "min", 7200.0)):
        if seconds < most:
            return f"{float(f'{seconds * factor:.2g}'):g}{NO_BREAK}{unit}"
    return f"{float(f'{seconds / 3600:.2g}'):g}{NO_BREAK}h"


def foretell(
    program: Program,
    board: Board,
    *,
    board_file: str = "card.toml",
    clock_said: str = "",
    sample_hz: float | None = None,
    rom_size: int | None = None,
) -> Foretold:
    """The sentences for a program. ``clock_said``: whose clock it is; ``sample_hz``: a comfortable sample rate."""
    wanted = program.wanted
    names = tested_text(program, board)
    where = range_text([(program.origin, program.end)])
    title = (
        f"{wanted.test.title[:1].upper()}{wanted.test.title[1:]} over {names}, for {wanted.processor.one}: "
        f"{plural(len(program.data), 'byte')} at {where}."
    )
    shorter = next(
        (one for one in wanted.processor.layout if one.needs_ram and wanted.on_failure in one.on_failure), None
    )
    if shorter is not None and program.scratch is None and not wanted.rom:
        kept = range_text([(wanted.scratch, wanted.scratch + shorter.scratch_bytes - 1)])
        title += (
            f" With {kept} left out of what is tested it would be shorter: they would hold what each page's loop holds."
        )
    return Foretold(
        title,
        _time(program, clock_said, sample_hz),
        coverage_sentences(program),
        _overwrites(program, board, names),
        _run(program, board, rom_size),
        _results(program, board_file),
        _cautions(program, rom_size),
    )


def tested_text(program: Program, board: Board) -> str:
    """``bank0 (4000-43FF)``, the regions by name where a range is all of them."""
    said = []
    for first, last in program.wanted.ranges:
        inside = [r for r in board.regions if r.space == "memory" and r.start >= first and r.end <= last]
        whole = sum(r.size for r in inside if r.mirror_of is None) == last - first + 1
        *before, final = [plain(r.name) for r in inside] or [""]
        names = (f"{', '.join(before)} and {final}" if before else final) if whole else ""
        said.append(f"{names} ({range_text([(first, last)])})" if names else range_text([(first, last)]))
    return ", ".join(said)


def _time(program: Program, clock_said: str, sample_hz: float | None) -> tuple[str, ...]:
    wanted = program.wanted
    clock = f"{wanted.clock_hz / 1e6:g}{NO_BREAK}MHz"
    waits = f", {plural(program.waits, 'wait')} among it" if program.waits else ""
    whose = f" ({clock_said})" if clock_said else ""
    text = f"A pass takes about {seconds_text(program.pass_s)} at {clock}{whose}{waits}."
    if wanted.passes is None:
        text += " It runs for ever: stop it with RESET."
    elif wanted.passes > 1:
        text += f" {wanted.passes} passes: {seconds_text(wanted.passes * program.pass_s)}."
    accesses = (program.clocks + program.waits * program.pauses * wanted.processor.pause_clocks) / (
        wanted.processor.clocks_an_access
    )
    capture = f"A capture of a whole pass holds about {_large(accesses, 'bus accesses')}"
    if sample_hz:
        capture += f"; that is {_large(program.pass_s * sample_hz, 'samples')} at {sample_hz / 1e6:g}{NO_BREAK}MS/s"
    capture += f", and about {_large(accesses * _VCD_BYTES, 'bytes')} of VCD with 28 lines."
    first, last = wanted.ranges[0]
    if last - first >= _LITTLE:
        piece = range_text([(first, first + (last - first + 1) // 4 - 1)])
        capture += f" If that is too much for the analyser, go over less at a time, such as --regions {piece}."
    return text, capture


def _large(number: float, what: str) -> str:
    for factor, prefix in ((1e9, " thousand million"), (1e6, " million"), (1e3, " thousand")):
        if number >= factor:
            return f"{float(f'{number / factor:.2g}'):g}{prefix} {what}".replace(" ", NO_BREAK)
    return f"{count(round(number))}{NO_BREAK}{what}"


def coverage_sentences(program: Program) -> tuple[str, ...]:
    """What the test finds, finds in part, and cannot find, with the source."""
    test, words = program.wanted.test, {kind.name: kind.words for kind in memory_tests().kind}
    found = [f"It finds {'; '.join(words[name] for name in test.finds)} ({test.source})."]
    if test.part:
        found.append(f"It finds in part {'; '.join(f'{words[name]}: {how}' for name, how in test.part.items())}.")
    if test.misses:
        found.append(f"It cannot find {'; '.join(words[name] for name in test.misses)}.")
    found += [note for note in (test.note, program.wanted.processor.note) if note]
    return tuple(found)


def _overwrites(program: Program, board: Board, names: str) -> tuple[str, ...]:
    wanted = program.wanted
    also = []
    if program.stack is not None:
        also.append(f"the stack, {range_text([program.stack])}")
    if program.scratch is not None:
        also.append(f"{range_text([program.scratch])}, where its loops keep their place (the monitor must not)")
    beside = f" It also writes to {' and to '.join(also)}." if also else ""
    text = f"It overwrites all of {names}.{beside}"
    here = range_text([(program.origin, program.end)])
    if not wanted.rom and not any(r.start <= program.origin <= r.end for r in board.regions if r.space == "memory"):
        text += f" The board file has nothing at {here}, where the program lies: see that RAM answers there."
    if wanted.rom:
        return (f"{text} It needs no RAM: everything it knows is in the processor's registers.",)
    kept = f"{text} Neither the program nor what the monitor keeps for itself may lie there"
    return (f"{kept} (a monitor whose work area or stack is tested does not come back without RESET).",)


def _run(program: Program, board: Board, rom_size: int | None) -> tuple[str, ...]:
    wanted = program.wanted
    labels = program.labels
    if rom_size is not None:
        how = {
            "go-on": "It compares nothing and goes on: the analyser sees what comes back. Give the capture to "
            "'busledger check'.",
            "stop": f"At a failure it stays at {_at(program, 'FAIL0')}, the access that failed just before: trigger on "
            "that address.",
            "loop": "At a failure it writes and reads that address over and over: put a scope on the lanes.",
        }
        end = "" if wanted.passes is None else f" After a pass it stays at {_at(program, 'DONE')}."
        held = [r.name for r in board.regions if r.image is not None and r.start <= program.origin <= r.end]
        image = "".join(
            f" Before that, give {plain(name)} this image in the board file (or none): its reads are compared with it."
            for name in held
        )
        return (f"It starts at RESET. {how[wanted.on_failure]}{image}{end}",)
    start = wanted.processor.start.format(
        origin=address_text(program, program.origin),
        segment=f"{program.origin >> 4 & 0xF000:04X}",
        offset=f"{program.origin & 0xFFFF:04X}",
    )
    text = f"Start it at {address_text(program, program.origin)} ({start} on many monitors)."
    if wanted.passes is not None:
        right = "In the end it is" if wanted.on_failure == "go-on" else "All right: it ends"
        text += f" {right} at {_at(program, 'DONE')}."
    if "HALTED" in labels and wanted.on_failure == "stop":
        text += f" A failure: it ends at {_at(program, 'HALTED')}."
    if wanted.on_failure == "loop":
        text += " At the first failure it writes and reads that address over and over, for a scope; RESET ends it."
    if wanted.back is not None:
        return (f"{text} Then it goes back to {wanted.back:04X}.",)
    return (f"{text} It stays there ({wanted.processor.stop}).",)


def _at(program: Program, label: str) -> str:
    return address_text(program, program.labels[label]) if label in program.labels else "its end"


def _results(program: Program, board_file: str) -> tuple[str, ...]:
    wanted, labels = program.wanted, program.labels
    found = []
    if {"FADDR", "FWROTE", "FREAD"} <= set(labels):
        order = "low byte first" if wanted.processor.word_order == "low first" else "high byte first"
        which = "the last failure" if wanted.on_failure == "go-on" else "the failure"
        found.append(
            f"It keeps {which}: the address at {_at(program, 'FADDR')} ({order}), what was written at "
            f"{_at(program, 'FWROTE')}, what was read at {_at(program, 'FREAD')}; while both are alike, nothing "
            "failed. Clear both before another run."
        )
    if wanted.output is not None:
        tested = " ".join(f"--tested {range_text([one])}" for one in wanted.ranges)
        passes = f" --passes {wanted.passes}" if wanted.passes else ""
        cut = " --cut" if wanted.on_failure == "stop" else ""
        found.append(
            f"It prints address, written and read through {wanted.output:04X} (the character in "
            f"{wanted.processor.character}), and a full stop a pass; interrupts stay off meanwhile. What it printed: "
            f"'busledger errors - --board {plain(board_file)} {tested}{passes}{cut}'."
        )
    return tuple(found)


def _cautions(program: Program, rom_size: int | None) -> tuple[str, ...]:
    if rom_size is None:
        return ()
    hazard = program.wanted.processor.reset.hazard
    return (
        "Power off, and wait for the supplies to fall, before a chip leaves or enters a socket. Keep "
        "the monitor's own EPROM with its window covered, in conductive foam; touch the chassis first, wear a wrist "
        "strap. Pin 1 to the notch; an EPROM turned round dies at power-on. See that the socket's EPROM is of this "
        "size and pinout (parts of three supplies do not stand for those of one), and that it was erased and verified.",
        *((f"{hazard}.",) if hazard else ()),
    )
