"""What replay kernels share: a hash of effects, and counting bits."""

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import INNER


@nb.njit(**INNER, _nrt=False)
def mix(index, bits):
    """A 64-bit hash of one effect (splitmix64, Steele et al. 2014, constants from memory)."""
    z = np.uint64(index) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(bits)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@nb.njit(**INNER, _nrt=False)
def ones(bits):
    """How many bits are set."""
    n = 0
    rest = np.uint32(bits)
    while rest:
        rest &= rest - np.uint32(1)
        n += 1
    return n
