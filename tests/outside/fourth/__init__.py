"""A fourth virtual world, from the design pages and data sheets alone: its own bus, card, program and analyser."""
