"""How a small function is compiled that only kernels call.

Nobody calls it from Python, so it gets no way in from there and no cache of its own: both would take as long to
compile as the function itself. ``@njit(**INNER)`` is for all of them; with ``_nrt=False`` where it allocates nothing,
and ``forceinline=True`` where the call itself would cost.
"""

INNER = {"nogil": True, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
