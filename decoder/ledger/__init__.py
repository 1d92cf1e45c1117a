"""What each address must hold, and where a read did not give it (diagnosis, section 1)."""

from .blocks import failing_blocks
from .columns import Compared, Verdict
from .infer import InferredRun, TrafficMap
from .ledger import Counter, Ledger
from .log import AccessLog
from .regions import SPACES, RegionMap, actions
from .selected import SelectedRegions, inside_mask

__all__ = [
    "SPACES",
    "AccessLog",
    "Compared",
    "Counter",
    "InferredRun",
    "Ledger",
    "RegionMap",
    "SelectedRegions",
    "TrafficMap",
    "Verdict",
    "actions",
    "failing_blocks",
    "inside_mask",
]
