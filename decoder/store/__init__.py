"""The door of the store: decoded captures kept on disk and mapped again."""

from busledger.decoder.store.cache import StoreCache, store_key
from busledger.decoder.store.layout import DETAIL_ROWS
from busledger.decoder.store.reading import Store, StoreDamagedError, StoredLine, StoredRegion, StoredRule, StoreFacts

__all__ = [
    "DETAIL_ROWS",
    "Store",
    "StoreCache",
    "StoreDamagedError",
    "StoreFacts",
    "StoredLine",
    "StoredRegion",
    "StoredRule",
    "store_key",
]
