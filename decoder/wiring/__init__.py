"""Which channel is clipped to which line: spellings, matching, wiring tables."""

from decoder.wiring.binding import LineNeed, Wiring, bind, load_wiring
from decoder.wiring.names import canonical, ranges_text

__all__ = ["LineNeed", "Wiring", "bind", "canonical", "load_wiring", "ranges_text"]
