"""What could be broken: the table of fault kinds, and every fault that a board could have."""
