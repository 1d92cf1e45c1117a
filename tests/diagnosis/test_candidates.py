"""Every fault of the contract's table is proposed where its part lies on the path, and nothing else is."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from busledger.decoder.board import Board, Region
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.faults.candidate import priors
from busledger.decoder.diagnosis.faults.candidates import own_selects, propose
from busledger.decoder.diagnosis.replay.parts_view import CardView
from tests.contract_table import NOT_REPLAYED, ON_CARD

from .small_cards import two_banks

# The table of faults and scopes that are replayed.
TABLE = {fault: scopes for fault, scopes in ON_CARD.items() if fault not in NOT_REPLAYED}


def card(board: Board) -> CardView:
    return CardView.of(board, CellSpace(board.regions, 16, 8), 8, 0)


def test_every_fault_of_the_table_is_proposed():
    found = propose(card(two_banks()), {0: 0xFF, 1: 0xFF}, {3: 0x01})
    scopes: dict[str, set[str]] = {}
    for c in found:
        scopes.setdefault(c.fault, set()).add(c.scope)
    assert scopes == TABLE


def test_priors_cover_the_table_and_sum_to_one_over_the_board():
    assert {fault: set(scopes) for fault, scopes in priors()["weight"].items()} == ON_CARD
    found = propose(card(two_banks()), {0: 0xFF, 1: 0xFF}, {})
    listed = sum(c.prior for c in found)
    whole = sum(sum(scopes.values()) for scopes in priors()["weight"].values())
    cells = sum(scopes.get("cell", 0.0) for scopes in priors()["weight"].values())
    unlisted = sum(priors()["weight"][kind][scope] for kind in NOT_REPLAYED for scope in ON_CARD[kind])
    # Of two regions a select that comes for all others comes for one: that share is not used.
    held = priors()["weight"]["select-extra"]["decoder"] * priors()["several_selects"]["select-extra"]
    assert listed == pytest.approx((whole - cells - unlisted - held) / whole)


def test_a_fault_of_one_select_is_no_likelier_where_several_cannot_go_at_once():
    """Without a decoder there is nothing by which several go; and of two regions none is one of several others."""
    board = two_banks()

    def of_one(board: Board) -> dict[tuple[str, int | None, int | None], float]:
        found = propose(card(board), {0: 0xFF, 1: 0xFF}, {})
        return {(c.fault, c.region, c.other): c.prior for c in found if c.scope == "decoder" and c.region is not None}

    unnamed = priors()["beyond_edge"]["no_decoder"]
    bare = of_one(replace(board, decoders=()))
    for key, prior in of_one(board).items():
        assert bare[key] == pytest.approx(prior * (unnamed if key[0] == "select-missing" else 1.0))
    pairs = sum(prior for (fault, *_), prior in bare.items() if fault == "select-extra")
    whole = sum(sum(scopes.values()) for scopes in priors()["weight"].values())
    one = 1.0 - priors()["several_selects"]["select-extra"]
    assert pairs == pytest.approx(priors()["weight"]["select-extra"]["decoder"] * one / whole)


def test_only_parts_on_the_path_of_a_wrong_bit_are_proposed():
    found = propose(card(two_banks()), {1: 0x10}, {})
    chips = {c.component for c in found if c.scope == "chip"}
    assert chips == {"U4"}
    assert all(1 in c.regions for c in found)
    assert all(c.mask & 0x10 for c in found)
    assert propose(card(two_banks()), {}, {}) == []


def test_variants_of_one_fault_share_its_prior():
    found = propose(card(two_banks()), {0: 0xFF, 1: 0xFF}, {5: 0x02})
    for c in [*found, *own_selects(card(two_banks()))]:
        assert math.isclose(sum(v.weight for v in c.variants), 1.0), c.key


def test_components_are_the_board_files():
    found = propose(card(two_banks()), {0: 0xFF, 1: 0xFF}, {})
    of = {(c.fault, c.scope): c.component for c in found}
    assert of["select-missing", "decoder"] == "U9"
    assert of["direction-stuck", "buffer"] == "U10"
    assert of["write-lost", "region"] is None
    assert of["stuck-low", "bus"] is None
    lines = {c.component for c in found if c.scope == "board" and c.lines == (2,)}
    assert lines == {"U11"}  # it carries A2 to every region: it, its socket and what lies before are one name


def test_without_chips_any_lane_nibble_or_byte_may_be_one():
    board = Board.from_regions("", [Region("ram", 0x4000, 0x43FF)])
    found = propose(card(board), {0: 0xFF}, {})
    dead = {c.lanes for c in found if c.fault == "dead"}
    assert dead == {0xFF, 0x0F, 0xF0, *(1 << k for k in range(8))}
    assert {c.component for c in found} == {None}


def test_regions_that_only_traffic_shows_have_no_selects_to_exchange():
    """Cells only change their names, and nobody said what they are called."""
    bare = (Region("0000-000F", 0, 15, "ram", "memory"), Region("0010-001F", 16, 31, "ram", "memory"))
    board = replace(two_banks(), regions=bare, decoders=(), buffers=())
    found = {c.fault for c in propose(card(board), {0: 0xFF, 1: 0xFF}, {})}
    assert "select-extra" in found and "select-swapped" not in found


def test_two_parts_of_what_one_select_is_for_have_no_faults_of_two_selects():
    """The diagnosis sets odd addresses of a region apart."""
    board = two_banks()
    parts = replace(board, regions=tuple(replace(region, select="CS0") for region in board.regions))
    found = propose(card(parts), {0: 0xFF, 1: 0xFF}, {})
    assert {"select-extra", "select-swapped"}.isdisjoint(c.fault for c in found)
    assert any(c.fault == "select-missing" for c in found)


def test_address_lines_of_a_memory_card_need_not_hurt_the_rom_beside_the_processor():
    """The ROM has no select from the card's decoder, and no buffer parts the card from the bus."""
    rom = Region("monitor", 0xE000, 0xE03F, "rom", "memory", None, (), bytes(64))
    board = replace(two_banks(), regions=(*two_banks().regions, rom), buffers=())
    found = propose(card(board), {0: 0xFF, 1: 0xFF}, {})
    hurt = {c.regions for c in found if (c.fault, c.scope) == ("address-stuck", "board")}
    assert hurt == {(0, 1, 2), (0, 1)}


def test_what_one_enable_of_an_address_driver_has_in_hand_may_be_lost_together():
    """Of a 74LS244 four lines each, in the order of the board file, and with its supply all of them."""
    driver = replace(two_banks().buffers[1], lines=("A0", "A1", "A2", "A3", "A4"))
    board = replace(two_banks(), buffers=(two_banks().buffers[0], driver))
    found = propose(card(board), {0: 0xFF, 1: 0xFF}, {})
    together = {c.lines for c in found if c.fault == "address-stuck" and c.component == "U11" and len(c.lines) > 1}
    assert together == {(0, 1, 2, 3), (0, 1, 2, 3, 4)}
