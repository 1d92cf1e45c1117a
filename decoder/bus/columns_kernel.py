"""Names of the columns of the arrays that the cycle kernels hand each other. No code: figures only.

A *span* is the time for which a strobe is active. Rows are those of the capture, times are ticks.
"""

# ``events`` int64 (m, 7), what ``scan`` found: STROBE, LATCH or GAP; which strobe or latch (of a gap: 1 = no $dumpoff
# said so); where it begins and ends; doubts about its begin.
WHAT, WHICH, BEGIN_ROW, BEGIN_TIME, END_ROW, END_TIME, DOUBTS = 0, 1, 2, 3, 4, 5, 6

# ``spans`` int64 (strobes, 4), the span that is open: state (1, 0, -1 unknown), begin row, begin time, doubts.
STATE, SPAN_ROW, SPAN_TIME, SPAN_DOUBTS = 0, 1, 2, 3

# ``counts`` int64 (9,), what ``scan`` carries over: 1 after the capture's first row, the clock's level, intervals seen,
# silence in ticks that means missing samples, begin of the last interval, spans that a gap cut, ends of $dumpoff used,
# time of the last row, gaps found.
STARTED, CLOCK_LEVEL, INTERVALS, SILENCE, INTERVAL_BEGIN, REJECTED, GAP_ENDS_USED, LAST_TIME, GAPS_FOUND = (
    0, 1, 2, 3, 4, 5, 6, 7, 8,
)  # fmt: skip

# ``usual`` int64 (strobes, 3), what ``tidy`` carries over: usual length of a span, usual pause, end of the last one.
LENGTH, PAUSE, LAST_END = 0, 1, 2

# ``marks`` int64 (5,), what ``resolve`` carries over: 1 = the bus before the span is known, 1 = nothing since a gap,
# first row after it, spans that no rule takes, cycles with a level that moved.
BUS_KNOWN, AFTER_A_GAP, FIRST_ROW, REFUSED, MOVED = 0, 1, 2, 3, 4

# ``Tables.strobe`` int64 (strobes, 14); the last four: the room around begin and end in which a false sample shows.
WHEN_ACTIVE, COUNTS_BEGIN, SHORTEST, BEGIN_AT, BEGIN_LOW, BEGIN_HIGH, END_AT, END_LOW, END_HIGH, PLANES_NEEDED = (
    0, 1, 2, 3, 4, 5, 6, 7, 8, 9,
)  # fmt: skip
BEGIN_ROOM_LOW, BEGIN_ROOM_HIGH, END_ROOM_LOW, END_ROOM_HIGH = 10, 11, 12, 13

# ``Tables.latch`` int64 (latches, 7).
LATCH_WHEN, LATCH_AT_BEGIN, LATCH_AT, LATCH_LOW, LATCH_HIGH, LATCH_ROOM_LOW, LATCH_ROOM_HIGH = 0, 1, 2, 3, 4, 5, 6

# ``Tables.rule`` int64 (rules, 11).
STROBE_OF, WHEN, WAIT_WHEN, ACTION, KIND, WRITES, ADDRESS, DATA, MATCH, MATCH_MASK, KEPT = (
    0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10,
)  # fmt: skip

# ``Tables.clock`` int64 (4,) and ``Tables.look`` int64 (6,).
CLOCK_WORD, CLOCK_BIT, SILENT_TIMES_16, LEAST_SILENCE = 0, 1, 2, 3
AHEAD, INSET, LONGEST_MIDDLE, MOST_ROWS_OF_A_SPAN, KEEPS_ENDS, FALSE_SAMPLE = 0, 1, 2, 3, 4, 5
