"""A world of small-analyser captures: real programs, physical chips, healthy oddities and faults.

Programs (memory tests, interpreters, printers' buffers, scrolling screens) yield accesses; a machine of chips, drivers
and a decoder answers them (`machine`), with faults as physics (`breaks`) or with things that are no plain memory
(`overlays`); `buses` draws the cycles of a Z80, 6502, 6800, 6809 or 8085 after the data sheets, `selects` the decoder's
outputs as they follow their inputs; `analyser` samples all that as a small analyser would. `truth` replays the same
accesses on the card with each fault mended: what a fault spoils, and which other answers read alike. It shares no code
with the diagnosis, nor with the other worlds.

    python -m tests.outside.fifth.run --kind unusual --seed 1 --count 24 --out DIR

writes `DIR/unusual_1_0/` and so on: `capture.vcd`, `board.toml` unless there is none, `truth.json`, and `cycles.csv`,
what really went over the bus. Kinds: healthy, unusual (`odd_memory`, `odd_captures`), single-hard,
single-intermittent, double, many.
"""
