"""What each address must hold, and where a read did not give it (diagnosis, section 1)."""

from busledger.decoder.ledger.areas import inside_mask
from busledger.decoder.ledger.blocks import failing_blocks
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.ledger.counted import MOST_COUNTED
from busledger.decoder.ledger.infer import InferredRun, TrafficMap
from busledger.decoder.ledger.ledger import CellStories, Counter, Ledger
from busledger.decoder.ledger.levels import LineLevels
from busledger.decoder.ledger.log import AccessLog
from busledger.decoder.ledger.regions import SPACES, RegionMap, actions
from busledger.decoder.ledger.selected import SelectedRegions

__all__ = [
    "MOST_COUNTED",
    "SPACES",
    "AccessLog",
    "CellStories",
    "Compared",
    "Counter",
    "InferredRun",
    "Ledger",
    "LineLevels",
    "RegionMap",
    "SelectedRegions",
    "TrafficMap",
    "Verdict",
    "actions",
    "failing_blocks",
    "inside_mask",
]
