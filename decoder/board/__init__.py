"""The board file and the parts library: what is on the card, and what is known of its parts."""

from busledger.decoder.board.lanes import lane_names, parse_lanes
from busledger.decoder.board.loader import bus_of_board, load_board
from busledger.decoder.board.mistakes import nearest
from busledger.decoder.board.model import (
    Board,
    Buffer,
    Chip,
    Decoder,
    LatchValue,
    LineLevel,
    NinthBit,
    ParityChip,
    Region,
    Regulator,
    Tested,
)
from busledger.decoder.board.part_types import (
    BufferGroup,
    BufferPart,
    DecoderPart,
    Delay,
    DirectionPin,
    EnablePin,
    Grade,
    LatchPin,
    MemoryPart,
    Part,
    Section,
)
from busledger.decoder.board.parts_library import PartsLibrary, parts
from busledger.decoder.board.power import CardPower, card_power, supply_figures
from busledger.decoder.board.side_by_side import Beside, Standing, lines_side_by_side

__all__ = [
    "Beside",
    "Board",
    "Buffer",
    "BufferGroup",
    "BufferPart",
    "CardPower",
    "Chip",
    "Decoder",
    "DecoderPart",
    "Delay",
    "DirectionPin",
    "EnablePin",
    "Grade",
    "LatchPin",
    "LatchValue",
    "LineLevel",
    "MemoryPart",
    "NinthBit",
    "ParityChip",
    "Part",
    "PartsLibrary",
    "Region",
    "Regulator",
    "Section",
    "Standing",
    "Tested",
    "bus_of_board",
    "card_power",
    "lane_names",
    "lines_side_by_side",
    "load_board",
    "nearest",
    "parse_lanes",
    "parts",
    "supply_figures",
]
