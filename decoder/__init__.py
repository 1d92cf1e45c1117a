"""The engine: from the bytes of a capture to the name of a part. Its packages each have a door of their own."""

from busledger.decoder.kernel_caches import drop_stale_caches
from busledger.decoder.kernel_forgiving import forgive_caches

__all__ = ["drop_stale_caches", "forgive_caches"]

# Before any kernel is loaded.
drop_stale_caches()
forgive_caches()
