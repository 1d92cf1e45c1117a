"""A third world of test captures: cards, programs, faults and analysers by hands that have not read the tool."""
