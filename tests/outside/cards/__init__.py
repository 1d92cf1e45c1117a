"""An independent virtual card: machines, traffic, faults and captures drawn from a seed, with the truth beside them.

Nothing here reads or shares code with the program under test; what it knows of buses and parts is published.
"""

from .case import KINDS, Case, make, write

__all__ = ["KINDS", "Case", "make", "write"]
