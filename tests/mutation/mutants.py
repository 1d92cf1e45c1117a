"""The mutants: each a change that a slip of the hand could make, and the tests that must notice it."""

# ruff: noqa: E501 - the text of a mutant stands in one piece

from __future__ import annotations

from typing import NamedTuple

__all__ = ["MUTANTS", "Mutant"]


class Mutant(NamedTuple):
    """``old`` stands once in ``file`` and becomes ``new``; ``tests``: pytest's arguments, the quick ones first;
    ``why``: what would be wrong; ``compiled``: run these tests with compiled kernels."""

    file: str
    old: str
    new: str
    tests: str
    why: str
    compiled: bool = False


BY_HAND = "tests/ledger/test_ledger.py tests/ledger/test_twin_by_hand.py tests/ledger/test_doubt.py"
LEDGER = f"{BY_HAND} tests/properties/test_ledger_twin.py"
BLOCKS = "tests/ledger/test_blocks.py"
WEIGHING = "tests/diagnosis/test_weighing.py"
SHARES = "tests/diagnosis/test_shares.py"
PATCHES = "tests/diagnosis/test_patches.py"
CONTENTS = "tests/diagnosis/test_contents.py"
LEAF_ROWS = "tests/diagnosis/test_leaf_rows.py"
OVERLAY = "tests/diagnosis/test_overlay.py"
CLIPPED = "tests/diagnosis/test_clipped.py"
BINDING = "tests/wiring/test_names.py tests/wiring/test_binding.py"
WINDOWS = "tests/checks/test_window_twins.py"
EVIDENCE = "tests/checks/test_evidence.py"
DECODERS = "tests/checks/test_decoder_faults_published.py"
BODY = "tests/properties/test_capture_twin.py"
HEADER = "tests/capture/test_header.py"
GRID = "tests/capture/test_grid.py"
CSV = "tests/capture/test_csv.py"
FILTERS = "tests/tui/test_filters.py"
KEY = "tests/pipeline/test_session_key.py"

KERNEL = "decoder/ledger/ledger_kernel.py"
BLUR = "decoder/ledger/blur_kernel.py"
_LEDGER = [
    Mutant(KERNEL, "stale[cell] = known[cell] & ~fixed[cell]", "stale[cell] = known[cell]", LEDGER,
           "a ROM image goes stale after a gap"),
    Mutant(KERNEL, "            seen_known[cell] = 0\n", "", LEDGER, "a gap does not excuse two unlike reads"),
    Mutant(KERNEL, "sure = known[cell] & ~stale[cell] & clear", "sure = known[cell] & clear", LEDGER,
           "stale bits are compared"),
    Mutant(KERNEL, "stale[cell] &= ~(old & ~differ)", "stale[cell] &= ~old", LEDGER, "a stale bit that is wrong is known"),
    Mutant(KERNEL, "            stale[cell] &= ~lanes\n", "", LEDGER, "a write leaves its bits stale"),
    Mutant(KERNEL, "            seen_known[cell] &= ~lanes\n", "", LEDGER, "a write does not excuse two unlike reads"),
    Mutant(KERNEL, "known[cell] = (known[cell] & ~lanes) | clear", "known[cell] |= clear", LEDGER,
           "a doubtful bit of a write stays known"),
    Mutant(KERNEL, "            if treat[i] == ROM:\n                continue\n            out_known[i]", "            out_known[i]",
           LEDGER, "writes change a ROM"),
    Mutant(KERNEL, "both = free & seen_known[cell]", "both = clear & seen_known[cell]", LEDGER,
           "known bits take part in disagreements"),
    Mutant(KERNEL, "            verdict[i] = MISMATCH\n        elif disagree:", "            verdict[i] = DISAGREES\n        elif disagree:",
           LEDGER, "a mismatch is called a disagreement"),
    Mutant(KERNEL, "            writer[cell] = first_index + i\n            verdict[i] = WRITE\n            continue\n        sure",
           "            writer[cell] = i\n            verdict[i] = WRITE\n            continue\n        sure", LEDGER,
           "the writer is counted from the block's start"),
    Mutant(KERNEL, "if spaces[r] == where and starts[r] <= low and high <= ends[r]",
           "if spaces[r] == where and starts[r] <= low and low <= ends[r]", LEDGER, "a doubtful address is in one region"),
    Mutant(KERNEL, "complete = fixed[cell] or writes[cell] >= needed", "complete = True", LEDGER,
           "a shared entry is believed before all its cells were written"),
    Mutant(KERNEL, "agreed = (ones | zeros) & clear", "agreed = ones | zeros", LEDGER, "doubtful lanes of a read are compared"),
    Mutant(KERNEL, "if needed == 1 and clear == lanes:", "if clear == lanes:", LEDGER,
           "one write tells all cells of a shared entry"),
    Mutant(KERNEL, "                        if (expected[i] >> np.uint32(lane)) & np.uint32(1):\n                            lane_counts[r, lane, 1]",
           "                        if not (expected[i] >> np.uint32(lane)) & np.uint32(1):\n                            lane_counts[r, lane, 1]",
           LEDGER, "low for high and high for low change places"),
    Mutant(KERNEL, "totals[r, 9] += 1", "totals[r, 9] += 0", LEDGER, "disagreeing reads of unwritten cells are not counted"),
    Mutant(BLUR, "                        writer[cell] = index\n                if part", "                if part", LEDGER,
           "a write in doubt keeps the old writer"),
    Mutant(BLUR, "known[cell] &= ~lanes | same", "known[cell] &= ~lanes", LEDGER, "a level that stays the same is forgotten"),
    Mutant(BLUR, "                        seen_known[cell] &= ~lanes\n", "", LEDGER,
           "a write in doubt does not excuse two unlike reads"),
    Mutant(BLUR, "if first <= word <= last:", "if first <= word:", LEDGER, "a write in doubt leaves its region at the end"),
    Mutant("decoder/ledger/blocks.py", "if high[r, lane, 1 - level] >= 0:", "if False:", BLOCKS,
           "a lane that fails both ways is stuck"),
    Mutant("decoder/ledger/blocks.py", "could = read & (cycles.region == region) & (compared.known & bit != 0)",
           "could = read & (compared.known & bit != 0)", BLOCKS, "other regions' reads count"),
    Mutant("decoder/ledger/blocks.py", "and outside >= _LEAST_FAILURES", "", BLOCKS, "nothing need be right outside"),
]  # fmt: skip

DIAGNOSIS = "decoder/diagnosis"
_DIAGNOSIS = [
    Mutant(f"{DIAGNOSIS}/replay/weighing.py", "found = np.where(hits > 0, awake, np.logaddexp(0.0, awake)) - LN2",
           "found = awake", WEIGHING, "no window ever sleeps"),
    Mutant(f"{DIAGNOSIS}/replay/weighing.py", "against = tally.misses + tally.other + extra_misses",
           "against = tally.misses + extra_misses", WEIGHING, "a wrong level at a chance is no miss"),
    Mutant(f"{DIAGNOSIS}/replay/weighing.py", "log_rate(tally.hits, against, HARD) - tally.unsure_bits * LN2",
           "log_rate(tally.hits, against, HARD)", WEIGHING, "unknown bits cost nothing"),
    Mutant(f"{DIAGNOSIS}/replay/weighing.py", "wrong - tally.explained - (0 if hard else tally.excused)",
           "wrong - tally.explained", WEIGHING, "excused reads are strays as well"),
    Mutant(f"{DIAGNOSIS}/replay/weighing.py", "share * hits * np.log(2.0 - rate)", "share * hits * np.log(2.0)", WEIGHING,
           "two ways double a hit at any rate"),
    Mutant(f"{DIAGNOSIS}/shares.py", "roots_jacobi(max(1, count // 2 + 1), b - 1.0, a - 1.0)",
           "roots_jacobi(max(1, count // 2 + 1), a - 1.0, b - 1.0)", SHARES, "the Beta prior is turned round"),
    Mutant(f"{DIAGNOSIS}/shares.py", "max(1, count // 2 + 1)", "max(1, count // 2)", SHARES, "one node too few"),
    Mutant(f"{DIAGNOSIS}/shares.py", "bad if odds is None else bad + odds", "bad", SHARES, "what a tester said is left out"),
    Mutant(f"{DIAGNOSIS}/shares.py", "+ one - each, axis=0)", "+ one, axis=0)", SHARES, "a chip's own factor counts twice"),
    Mutant(f"{DIAGNOSIS}/patches.py", "total - hits, failing", "total, failing", PATCHES, "hits inside are outside as well"),
    Mutant(f"{DIAGNOSIS}/patches.py", "1.0 - 0.5 ** np.minimum(asked, 60)", "np.minimum(asked, 1.0)", PATCHES,
           "one read shows any stuck cell"),
    Mutant(f"{DIAGNOSIS}/patches.py", "word * 2 + ~hurt[chance]", "word * 2 + hurt[chance]", PATCHES,
           "hits and misses change places"),
    Mutant(f"{DIAGNOSIS}/patches.py", "[(b + shift, (self.levels >> b) & 1)", "[(b, (self.levels >> b) & 1)", PATCHES,
           "a patch's bits are not those of the bus"),
    Mutant(f"{DIAGNOSIS}/replay/contents.py", "betaln(high + 0.5, low + 0.5)", "betaln(high + 1.0, low + 1.0)", CONTENTS,
           "another prior of contents"),
    Mutant(f"{DIAGNOSIS}/replay/contents.py", "- math.log(len(logs))", "", CONTENTS, "an address bit is chosen for nothing"),
    Mutant(f"{DIAGNOSIS}/replay/contents.py", "math.log(_ALIKE / 2.0)", "math.log(_ALIKE)", CONTENTS,
           "all alike is believed twice"),
    Mutant(f"{DIAGNOSIS}/leaf_rows.py", "& ~rows.is_write[last] &", "&", LEAF_ROWS, "a read after a write is a repeat"),
    Mutant(f"{DIAGNOSIS}/leaf_rows.py", "((rows.data[last] ^ rows.data[bad]) & lanes) == 0", "True", LEAF_ROWS,
           "any second wrong read is a repeat"),
    Mutant(f"{DIAGNOSIS}/leaf_rows.py", "-(-max(0, strays) * self.event_count // self.wrong)",
           "max(0, strays) * self.event_count // self.wrong", LEAF_ROWS, "news are rounded down"),
    Mutant(f"{DIAGNOSIS}/overlay.py", "return moved if kept.all() else moved.take(kept)", "return moved", OVERLAY,
           "dropped writes stay"),
    Mutant(f"{DIAGNOSIS}/overlay.py", "            lanes &= ~self._blinded(rows)\n", "", OVERLAY,
           "a fault takes reads of chips that were not looked at"),
    Mutant(f"{DIAGNOSIS}/overlay.py", "np.isin(rows.region, self._regions) & ~rows.is_write",
           "~rows.is_write", OVERLAY, "a fault reaches all regions"),
    Mutant(f"{DIAGNOSIS}/overlay.py", "& ((rows.data ^ value) & compared == 0)", "", OVERLAY,
           "a fault explains what it would not give"),
    Mutant(f"{DIAGNOSIS}/overlay.py", "np.where(rows.is_write, maps.w1[rows.cell], maps.r1[rows.cell])",
           "rows.cell.copy()", OVERLAY, "a moved access is shown where it was meant to go"),
    Mutant(f"{DIAGNOSIS}/clipped.py", "return _SLIP * (against - ", "return -_SLIP * (against - ", CLIPPED,
           "a select that was there convicts"),
    Mutant(f"{DIAGNOSIS}/clipped.py", 'if c.fault == "select-swapped" else []', "", CLIPPED,
           "an extra select must be missed as well"),
    Mutant(f"{DIAGNOSIS}/clipped.py", "_SLIP * max(1, scored.effect.tally.hits, wrong)", "_SLIP", CLIPPED,
           "a quiet select acquits but once"),
    Mutant(f"{DIAGNOSIS}/card.py", "total = shared.log_total + sum(path.log_weight for path in paths)",
           "total = shared.log_total", "tests/diagnosis/test_card.py", "shared faults are free", True),
    Mutant(f"{DIAGNOSIS}/card.py", "(self._prior[0], self._prior[1]), self._odds)", "(self._prior[0], self._prior[1]))",
           "tests/diagnosis/test_card.py", "the card does not hear the tester", True),
]  # fmt: skip

HYPOTHESES = "decoder/checks/selects/select_hypotheses.py"
CHECKED = "decoder/checks/evidence.py"
_CHECKS = [
    Mutant(HYPOTHESES, "both = bit(i) & bit(j) if low else bit(i) | bit(j)", "both = bit(i) | bit(j) if low else bit(i) & bit(j)",
           DECODERS, "AND and OR exchanged in an extra output", True),
    Mutant(HYPOTHESES, "both = rest | ((a & b) << i) | ((a & b) << k)", "both = rest | ((a | b) << i) | ((a | b) << k)",
           DECODERS, "shorted inputs are high when either is", True),
    Mutant(HYPOTHESES, "_put(table, j, 1 - idle)", "_put(table, j, idle)", DECODERS, "an output stuck active rests", True),
    Mutant(CHECKED, "limit.max_ns + limit.uncertainty_ns <= limit.limit_ns", "limit.max_ns - limit.uncertainty_ns <= limit.limit_ns",
           EVIDENCE, "the sign of the timing doubt", True),
    Mutant(CHECKED, "if region.cycles < ENOUGH:", "if False:", EVIDENCE, "one cycle is enough", True),
    Mutant(CHECKED, "count >= RARELY and count >= SELDOM * of", "count >= RARELY", EVIDENCE, "a rare oddity is proof", True),
    Mutant(CHECKED, "if old is None or ratio > old:", "if old is None or ratio < old:", EVIDENCE, "the weakest word stands", True),
    Mutant("decoder/checks/span_kernel.py", "begin[k] = row + 1 if row >= before[k] else at[k]", "begin[k] = row + 1", WINDOWS,
           "a strobe without a known beginning has one"),
    Mutant("decoder/checks/span_kernel.py", "row_time[row] < cycle_time[k]", "row_time[row] <= cycle_time[k]", WINDOWS,
           "a cycle lies a row late"),
    Mutant("decoder/checks/span_kernel.py", "for row in range(first + 1, last + 1):", "for row in range(first + 1, last):",
           WINDOWS, "the last row need not be still"),
    Mutant("decoder/checks/timing/timing_tally.py", "np.clip(rounded + BELOW, 0, BINS - 1)", "np.clip(rounded + BELOW, 0, BINS - 2)",
           "tests/checks/test_timing.py", "the last bin is another's", True),
    Mutant("decoder/checks/timing/timing_tally.py", "(2 * values + self.width) // (2 * self.width)", "values // self.width",
           "tests/checks/test_timing.py", "times are rounded down", True),
]  # fmt: skip

_WIRING = [
    Mutant("decoder/wiring/binding.py", "for known in (names, aliases):", "for known in (aliases, names):", BINDING,
           "an alias beats the name"),
    Mutant("decoder/wiring/binding.py", "if depth[i] == min(depth.values())", "if depth[i] == max(depth.values())", BINDING,
           "the innermost channel is taken"),
    Mutant("decoder/wiring/binding.py", "        if line in chosen:\n", "        if False:\n", BINDING, "a line is given twice"),
    Mutant("decoder/wiring/binding.py", "        if index in by_channel:\n", "        if False:\n", BINDING,
           "a channel is given to two lines"),
    Mutant("decoder/wiring/binding.py", "missing = [n for n in needs if n.required and n.name not in lines]", "missing = []",
           BINDING, "a required line may be missing"),
    Mutant("decoder/wiring/names.py", '"AD": ("AD", "A", "D")', '"AD": ("AD", "D", "A")', BINDING, "AD3 is D3 before A3"),
    Mutant("decoder/wiring/names.py", "[without, core, back, whole] if lower_n else [core, without, back, whole]",
           "[core, without, back, whole]", BINDING, "nRD is a line of its own first"),
    Mutant("decoder/wiring/names.py", "last == (stem, number - 1)", "last[0] == stem", BINDING, "A0 and A5 are a run"),
    Mutant("decoder/wiring/ordering.py", "seen > 0 and seen >= 2 * second", "seen > 0", "tests/wiring/test_proposal.py",
           "a carry with a rival is clear", True),
]  # fmt: skip

BODY_KERNEL = "decoder/capture/vcd_kernel.py"
_READER = [
    Mutant(BODY_KERNEL, "    if lead == 49:  # a leading 1 extends with 0\n        lead = 48\n", "", BODY, "a leading 1 extends with 1"),
    Mutant(BODY_KERNEL, "            now[0, w] &= ~m\n            now[1, w] |= m\n", "            now[1, w] |= m\n", BODY,
           "an unknown bit keeps its level"),
    Mutant(BODY_KERNEL, "if ticks < state[TIME]:", "if ticks < 0:", BODY, "time may run backwards"),
    Mutant(BODY_KERNEL, "9 <= byte <= 13", "9 <= byte <= 12", BODY, "a carriage return is no space"),
    Mutant(BODY_KERNEL, "                now[1, w] = selected[w]\n", "", BODY, "a $dumpoff leaves lines known"),
    Mutant(BODY_KERNEL, "value > (9223372036854775807 - digit) // 10", "value > (9223372036854775807 + digit) // 10", BODY,
           "a time beyond the range is taken"),
    Mutant("decoder/capture/vcd_header.py", "not in (1, 10, 100)", "not in (1, 10, 100, 1000)", HEADER, "an odd unit is not told"),
    Mutant("decoder/capture/vcd_header.py", "step = 1 if msb >= lsb else -1", "step = 1", HEADER, "[0:7] counts upwards"),
    Mutant("decoder/capture/vcd_header.py", "first[text.code].size != text.size", "False", HEADER,
           "one code has two sizes"),
    Mutant("decoder/capture/grid.py", "if divisor > 1:", "if divisor > 2:", GRID, "a grid of two ticks is none"),
    Mutant("decoder/capture/grid.py", "if used < 0.5 * steps.size:", "if False:", GRID, "a few short steps make a grid"),
    Mutant("decoder/capture/csv_header.py", '"ms": 9', '"ms": 6', CSV, "milliseconds are microseconds"),
    Mutant("decoder/capture/csv_header.py", "(index == 0 or not match[\"short\"])", "True", CSV, "any column t is a time"),
]  # fmt: skip

_SESSION = "decoder/pipeline/session.py"
_KEY = "repr((request.rate_hz, request.t_from, request.t_to, request.grade))"
_BROWSER = [
    Mutant("tui/filters.py", "(cycles.address >= low) & (cycles.address <= high) &", "(cycles.address >= low) &", FILTERS,
           "the upper end of the address filter"),
    Mutant("tui/filters.py", "(cycles.address <= high)", "(cycles.address < high)", FILTERS, "the upper address is left out"),
    Mutant("tui/filters.py", " & (cycles.address_unknown == 0)", "", FILTERS, "a doubtful address is in a range"),
    Mutant("tui/filters.py", "(cycles.time <= wanted.time[1])", "(cycles.time < wanted.time[1])", FILTERS,
           "the last tick is left out"),
    Mutant(_SESSION, _KEY, "repr((request.rate_hz, request.t_from, request.t_to))", KEY, "grade left out of the cache's key"),
    Mutant(_SESSION, _KEY, "repr((request.rate_hz, request.t_to, request.grade))", KEY, "--from left out of the cache's key"),
    Mutant(_SESSION, _KEY, "repr((request.rate_hz, request.t_from, request.grade))", KEY, "--to left out of the cache's key"),
    Mutant(_SESSION, "board.buffers, board.tested)", "board.buffers)", KEY, "a tester's word left out of the cache's key"),
]  # fmt: skip

MUTANTS: tuple[Mutant, ...] = (*_LEDGER, *_DIAGNOSIS, *_CHECKS, *_WIRING, *_READER, *_BROWSER)
