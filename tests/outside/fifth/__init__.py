"""A world of small-analyser captures: real programs, physical chips, healthy oddities and faults."""
