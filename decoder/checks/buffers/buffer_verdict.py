"""From a bus driver's counts to what is wrong with it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.checks.buffers import buffer_kernel as kernel
from busledger.decoder.checks.buffers.buffer_counts import BufferCounts, finding
from busledger.decoder.checks.buffers.doubtful_reads import WHOLE
from busledger.decoder.checks.buffers.exchanged_lanes import exchanged_lanes
from busledger.decoder.checks.lines import Setting
from busledger.decoder.checks.results import BufferResult, CheckFinding, ControlCounts, DelayHistogram, LanePath

__all__ = ["buffer_findings", "buffer_result"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
FEW = 3
"""So many wrong transfers of a lane are told; one or two may be a probe's (judged: the probes of shared/cards make one
stray pulse in a few thousand cycles, and rarely two on the same lane)."""
SHARE = 0.002
"""A lane that differs in a smaller share of its transfers is left to the ledger, and a control line is a doubt: two and
a half times the share that a sound machine showed (13 of 16 392 cycles, see ``evidence.SELDOM``)."""
MOST = 0.95
"""A lane that is always wrong may be read right by chance or by a stray sample in one transfer of twenty (judged)."""
BOTH_LEVELS = 16
"""Both levels must have been offered so often before a lane is said to hold the bus's old level: one that has nothing
to do with the old level would agree with it that often in one of 2 ** 16."""


def buffer_result(counts: BufferCounts, setting: Setting) -> BufferResult:
    """The buffer as observed."""
    lanes = [_lane(counts, i, setting) for i in range(len(counts.table))]
    for lane in (lane for pair in _pairs(counts) for lane in pair):
        lanes[lane] = lanes[lane].model_copy(update={"verdict": "exchanged"})
    held = counts.held
    words = held[-1] if held is not None else np.zeros((2, 2), np.int64)
    known, undriven = int(words[:, 1].sum()), int(words[1, 1])
    return BufferResult(
        designator=counts.buffer.designator,
        part=counts.buffer.part.name,
        kind=counts.kind,
        serves=counts.buffer.serves,
        control=_control(counts.tally, setting) if counts.tally is not None else None,
        lanes=tuple(lanes),
        undriven_reads=undriven,
        known_reads=known,
        undriven_by_chance=round(_by_chance(counts.words, known), 1),
        undriven_stands_out=_stands_out(undriven, _by_chance(counts.words, known)),
    )


def _by_chance(words: NDArray[np.int64] | None, known: int) -> float:
    """In how many reads the word before would be the same if neither had to do with the other."""
    return float((words[0] * words[1]).sum()) / known if words is not None and known else 0.0


def _stands_out(count: int, chance: float) -> bool:
    """More than chance makes: three standard deviations of a count above it, and never a handful."""
    return count >= FEW and count > chance + 3.0 * max(chance, 1.0) ** 0.5


def _control(tally: NDArray[np.int64], setting: Setting) -> ControlCounts:
    return ControlCounts(
        reads=int(tally[kernel.C_READS]),
        writes=int(tally[kernel.C_WRITES]),
        elsewhere_cycles=int(tally[kernel.C_ELSEWHERE_OF]),
        reads_off=int(tally[kernel.C_READS_OFF]),
        reads_away=int(tally[kernel.C_READS_AWAY]),
        writes_off=int(tally[kernel.C_WRITES_OFF]),
        writes_toward=int(tally[kernel.C_WRITES_TOWARD]),
        elsewhere=int(tally[kernel.C_ELSEWHERE]),
        overlaps=int(tally[kernel.C_OVERLAPS]),
        longest_overlap_ns=round(setting.ns(int(tally[kernel.C_LONGEST])), 3),
        overlaps_of=int(tally[kernel.C_OVERLAP_OF]),
        two_drivers=int(tally[kernel.C_TWO]),
        two_drivers_of=int(tally[kernel.C_TWO_OF]),
        first_wrong_s=setting.seconds(int(tally[kernel.C_FIRST])),
    )


def _wrong(table: NDArray[np.int64], inverting: bool) -> tuple[int, int]:
    """(differing, all) of one way of one lane; ``table`` int64 (2 kept, 2 in, 2 out)."""
    by_level = table.sum(axis=0)
    same = int(by_level[0, 0] + by_level[1, 1])
    total = int(by_level.sum())
    return (same, total) if inverting else (total - same, total)


def _way_verdict(table: NDArray[np.int64], inverting: bool) -> str:
    """What one way of a lane does: good, quiet, inverted, stuck-low, stuck-high, open or differs."""
    wrong, total = _wrong(table, inverting)
    if not total:
        return "not exercised"
    if wrong < FEW or wrong < SHARE * total:
        return "good"
    right_is = 1 if inverting else 0
    by_level = table.sum(axis=0)
    offered = by_level.sum(axis=1)
    came = by_level.sum(axis=0)
    always_wrong = offered.min() >= FEW and wrong >= MOST * total and came.min() >= FEW
    # Wrong for both levels and always: turned over, unless it only repeats the old level.
    if always_wrong and _keeps(table, right_is) < MOST:
        return "inverted"
    for level, word in ((0, "stuck-low"), (1, "stuck-high")):
        if came[level] >= 0.999 * total and offered.min() >= FEW:
            return word
    return "open" if _keeps(table, right_is) >= MOST else "differs"


def _keeps(table: NDArray[np.int64], inverting: int) -> float:
    """The share of all transfers that left the old level; 0 where following would always have left it as well."""
    total = int(table.sum())
    kept = int(table[0, :, 0].sum() + table[1, :, 1].sum())
    apart = int(table[0, 1 ^ inverting].sum() + table[1, inverting].sum())
    return kept / total if apart else 0.0


def _lane(counts: BufferCounts, i: int, setting: Setting) -> LanePath:
    near, far = counts.names[i]
    inverting = counts.buffer.part.inverting
    reads, writes = counts.table[i, kernel.SERVED_READ], counts.table[i, kernel.SERVED_WRITE]
    verdicts = [_way_verdict(reads, inverting), _way_verdict(writes, inverting)]
    bad = [v for v in verdicts if v not in ("good", "not exercised")]
    verdict = ("open" if "open" in bad else bad[0]) if bad else "good" if "good" in verdicts else "not exercised"

    def histogram(way: int) -> DelayHistogram:
        return DelayHistogram(
            bin_ns=setting.ns(setting.bin_ticks),
            first_bin=-kernel.EARLY_BINS,
            counts=tuple(int(v) for v in counts.delay[i, way]),
            uncertainty_ns=setting.sample_ns,
        )

    read_wrong, read_all = _wrong(reads, inverting)
    write_wrong, write_all = _wrong(writes, inverting)
    return LanePath(
        lane=near,
        near=near,
        far=far,
        reads=read_all,
        reads_differ=read_wrong,
        reads_low=int(reads.sum(axis=(0, 2))[0]),
        reads_high=int(reads.sum(axis=(0, 2))[1]),
        reads_kept=int(reads[0, :, 0].sum() + reads[1, :, 1].sum()),
        writes=write_all,
        writes_differ=write_wrong,
        writes_low=int(writes.sum(axis=(0, 2))[0]),
        writes_high=int(writes.sum(axis=(0, 2))[1]),
        inverted=inverting,
        verdict=verdict,
        first_wrong_s=setting.seconds(int(counts.first[i])) if bad else None,
        delay_to_cpu=histogram(0),
        delay_to_card=histogram(1),
    )


def buffer_findings(counts: BufferCounts, result: BufferResult, setting: Setting) -> list[CheckFinding]:
    """What is wrong, the most telling first."""
    found = _control_findings(counts, result, setting)
    through = _through_findings(counts, result)
    if any(f.code.startswith(("direction-", "enable-missing")) for f in found):
        # The control lines say why nothing comes through.
        through = [f.model_copy(update={"weight": "note"}) if f.code in WHOLE else f for f in through]
    found += through
    if not counts.names or counts.names[0][1] is None:
        found += _held_findings(counts, result)
    return [counts.doubtful.weigh(one, result.lanes) for one in found]


_FIGHTS = ("enable-extra", "turn-round-overlap", "two-drivers")


def _control_findings(counts: BufferCounts, result: BufferResult, setting: Setting) -> list[CheckFinding]:
    control, tally = result.control, counts.tally
    if control is None or tally is None:
        return []
    direction = (counts.buffer.direction.line,) if counts.buffer.direction else ()
    enable = (counts.buffer.enable.line,) if counts.buffer.enable else ()
    first = control.first_wrong_s
    # Wrong only in writes that follow a read through it: the direction is right, but it turns too late.
    other_writes = control.writes - int(tally[kernel.C_AFTER_READ])
    late = 0 < control.writes_toward == int(tally[kernel.C_TOWARD_AFTER_READ]) and other_writes >= BOTH_LEVELS // 2
    toward, overlaps = (
        (0, control.writes_toward + control.overlaps) if late else (control.writes_toward, control.overlaps)
    )
    fights = control.overlaps_of + (control.writes_toward if late else 0)
    when_overlap = first if late else setting.seconds(int(tally[kernel.C_OVERLAP_FIRST]))
    longest = f", up to {control.longest_overlap_ns:.0f} ns" if control.longest_overlap_ns else ""
    said: list[tuple[str, str, int, int, float | None, tuple[str, ...]]] = [
        ("direction-away", "its direction points to the card in reads of what it serves", control.reads_away,
         control.reads, first, direction),
        ("direction-toward", "its direction points to the CPU in writes to what it serves: it fights the CPU",
         toward, control.writes, first, direction),
        ("enable-missing", "it is not enabled in reads of what it serves", control.reads_off, control.reads,
         first, enable),
        ("enable-missing", "it is not enabled in writes to what it serves", control.writes_off, control.writes,
         first, enable),
        ("enable-extra", "it drives the CPU's side outside its regions", control.elsewhere,
         control.elsewhere_cycles, first, enable + direction),
        ("turn-round-overlap", f"it still drives the CPU's side while the CPU or another driver does{longest}",
         overlaps, fights, when_overlap, direction + enable),
        ("two-drivers", "another buffer drives the same lanes toward the CPU at the same time", control.two_drivers,
         control.two_drivers_of, setting.seconds(int(tally[kernel.C_TWO_FIRST])), direction + enable),
    ]  # fmt: skip
    found = [
        finding(counts, code, text, count, of, when, lines)
        for code, text, count, of, when, lines in said
        if count >= FEW or (count and count >= 0.5 * of)
    ]
    # So seldom, whatever made it shows in the data that it spoils, or spoils none (as region_selects.RARE).
    found = [f.model_copy(update={"weight": "doubt"}) if f.count < SHARE * f.of else f for f in found]
    if int(tally[kernel.C_OTHERS_TOWARD]) >= FEW and counts.buffer.enable is None:
        # The line turns for reads of others, too, so something that the board file does not state keeps it quiet.
        found = [f.model_copy(update={"weight": "note"}) if f.code in _FIGHTS else f for f in found]
    return sorted(found, key=lambda f: -f.count / max(f.of, 1))


def _through_findings(counts: BufferCounts, result: BufferResult) -> list[CheckFinding]:
    """Findings from lanes clipped on both sides."""
    inverting = counts.buffer.part.inverting
    ways = {
        way: [(lane, _way_verdict(counts.table[i, way], inverting), *_wrong(counts.table[i, way], inverting))
              for i, lane in enumerate(result.lanes)]
        for way in (kernel.SERVED_READ, kernel.SERVED_WRITE)
    }  # fmt: skip
    whole = {way: _whole(rows) for way, rows in ways.items()}
    found = []
    names = tuple(lane.lane for lane in result.lanes)
    if counts.kind == "data" and any(whole.values()):
        both = all(whole.values())
        code = "no-transfer" if both else "never-toward-cpu" if whole[kernel.SERVED_READ] else "never-toward-card"
        text = {
            "no-transfer": "nothing comes through in either direction",
            "never-toward-cpu": "it does not drive toward the CPU: the near side does not follow the card",
            "never-toward-card": "it does not drive toward the card: the card side does not follow the CPU",
        }[code]
        rows = ways[kernel.SERVED_READ if whole[kernel.SERVED_READ] else kernel.SERVED_WRITE]
        times = [lane.first_wrong_s for lane in result.lanes if lane.first_wrong_s is not None]
        found.append(
            finding(
                counts,
                code,
                text,
                max(r[2] for r in rows),
                max(r[3] for r in rows),
                min(times, default=None),
                (),
                names,
            )
        )
    else:
        found += _lane_findings(counts, ways)
    if counts.buffer.enable is not None and counts.kind == "data":
        found += _leaks(counts, result)
    return found


def _whole(rows: list[tuple[LanePath, str, int, int]]) -> bool:
    """Whether all lanes that carried both levels fail together, as a direction or an enable makes them."""
    tried = [(verdict, wrong) for _, verdict, wrong, of in rows if of]
    bad = [verdict for verdict, _ in tried if verdict not in ("good", "not exercised")]
    return len(tried) >= 3 and len(bad) >= 0.75 * len(tried) and "inverted" not in bad


_SAID = {
    "open": "does not come through: the other side keeps its old level",
    "stuck-low": "comes out low whatever goes in",
    "stuck-high": "comes out high whatever goes in",
    "inverted": "comes out turned over",
    "differs": "comes out different",
}
_SIDE = {kernel.SERVED_READ: "toward the CPU", kernel.SERVED_WRITE: "toward the card"}


def _lane_findings(counts: BufferCounts, ways: dict[int, list[tuple[LanePath, str, int, int]]]) -> list[CheckFinding]:
    """One finding a bad lane; an open line may float to one level, so "open" either way explains "stuck" the other."""
    pairs = _pairs(counts)
    lanes = [lane for lane, *_ in next(iter(ways.values()))]
    found = [_of_pair(counts, (lanes[i], lanes[j])) for i, j in pairs]
    left = sorted(set(range(len(counts.table))) - {lane for pair in pairs for lane in pair})
    for i in left:
        bad = [(way, *rows[i]) for way, rows in ways.items() if rows[i][1] in _SAID]
        if not bad:
            continue
        way, lane, verdict, wrong, of = next((b for b in bad if b[2] == "open"), max(bad, key=lambda b: b[3] / b[4]))
        where = f" {_SIDE[way]}" if counts.kind == "data" else ""
        lines = (lane.near, lane.far or "")
        text = f"{lane.lane} {_SAID[verdict]}{where}"
        one = finding(counts, f"lane-{verdict}", text, wrong, of, lane.first_wrong_s, lines, (lane.lane,))
        if verdict.startswith("stuck") and len(bad) == 1:
            # Seen one way only: a line that nobody drives goes to its pull level.
            one = one.model_copy(
                update={"other": (f"{lane.lane} is open and its line is pulled to that level",)}
            )
        found.append(one)
    return sorted(found, key=lambda f: -f.count / max(f.of, 1))


def _pairs(counts: BufferCounts) -> list[tuple[int, int]]:
    through = counts.table[:, [kernel.SERVED_READ, kernel.SERVED_WRITE]]
    return exchanged_lanes(through, counts.apart, inverting=counts.buffer.part.inverting)


def _of_pair(counts: BufferCounts, pair: tuple[LanePath, LanePath]) -> CheckFinding:
    one, other = pair
    text = (
        f"{one.lane} and {other.lane} come out in each other's place: the clips on {one.near} and {other.near} are "
        f"exchanged, or those on {one.far} and {other.far}"
    )
    wrong, of = one.reads_differ + one.writes_differ, one.reads + one.writes
    lines = tuple(line for lane in pair for line in (lane.near, lane.far) if line)
    found = finding(counts, "lanes-exchanged", text, wrong, of, one.first_wrong_s, lines, (one.lane, other.lane))
    return found.model_copy(update={"weight": "doubt"})


def _leaks(counts: BufferCounts, result: BufferResult) -> list[CheckFinding]:
    """A buffer that passes data in writes to others although it should be off."""
    right = 1 if counts.buffer.part.inverting else 0
    table = counts.table[:, kernel.OTHER_WRITE].sum(axis=1)
    follows = offered = 0
    for went in (0, 1):
        follows += int(table[:, went, went ^ right].sum())
        offered += int(table[:, went].sum())
        if table[:, went].sum() < BOTH_LEVELS:
            return []
    if result.control is not None and result.control.elsewhere:
        return []
    if follows >= 0.99 * offered:
        names = tuple(lane.lane for lane in result.lanes)
        return [
            finding(counts, "enable-stuck", "its card side follows the CPU in writes to others", follows, offered,
                     None, (counts.buffer.enable.line,) if counts.buffer.enable else (), names)
        ]  # fmt: skip
    return []


def _held_findings(counts: BufferCounts, result: BufferResult) -> list[CheckFinding]:
    """Without a clipped card side: lanes on which every read repeats what the bus carried before."""
    if counts.held is None:
        return []
    stale = []
    for i, lane in enumerate(counts.buffer.lanes):
        table = counts.held[i]
        offered = table.sum(axis=1)
        if offered.min() >= BOTH_LEVELS and min(table[0, 0] / offered[0], table[1, 1] / offered[1]) >= MOST:
            stale.append((f"D{lane}", int(table[0, 0] + table[1, 1]), int(table.sum())))
    if not stale:
        return []
    # A test that runs through one background after another, or writes the page's number into each page, reads what
    # the bus carried before, too.
    backgrounds = 2 * (len(counts.buffer.lanes).bit_length())
    different = int(np.count_nonzero(counts.words[0])) if counts.words is not None else 0
    own = different <= backgrounds or counts.paged >= MOST * max(result.known_reads, 1)
    lanes = tuple(lane for lane, _, _ in stale)
    every = len(lanes) == len(counts.buffer.lanes)
    what = "nobody drives the bus in reads of what it serves" if every else f"nobody drives {', '.join(lanes)} in reads"
    return [
        finding(counts, "undriven-reads", f"{what}: they repeat the level that was there before",
                 sum(n for _, n, _ in stale), sum(n for _, _, n in stale), None, (), lanes).model_copy(
                     update={"weight": "doubt" if own else "fault"})
    ]  # fmt: skip
