"""A fourth virtual world, written from the design pages and the data sheets alone: its own bus, card, program and analyser."""
