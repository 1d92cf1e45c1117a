"""The door of the store: decoded captures kept on disk and mapped again."""

from busledger.decoder.store.cache import StoreCache, store_key
from busledger.decoder.store.reading import Store, StoreDamagedError, StoredLine, StoredRegion, StoredRule, StoreFacts

__all__ = [
    "Store",
    "StoreCache",
    "StoreDamagedError",
    "StoreFacts",
    "StoredLine",
    "StoredRegion",
    "StoredRule",
    "store_key",
]
