"""A world where real programs run on cards that are broken: what a fault does to the program is in the capture.

Memory tests and everyday programs, assembled here as bytes, run on emulated processors (Z80: z80; 6502: py65; 6800:
a core of this package) against a physical model of the card (`card`, `faults`), so a fault makes them report, stop or
run wild. `waves` draws the cycles after the data sheets, `analyser` samples them, `truth` plays the same accesses again
on the card with a fault mended, or with another in its place. It shares no code with the diagnosis, nor with the other
worlds.

    python -m tests.outside.sixth.run --kind single --seed 1 --count 20 --out DIR --jobs 1
"""
