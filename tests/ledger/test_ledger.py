"""The ledger's rules, each as the person at the bench would say it (diagnosis, section 1)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import AccessLog, Counter, Ledger, RegionMap, Verdict


@dataclass(frozen=True)
class Area:
    name: str
    start: int
    end: int
    kind: str = "ram"
    space: str = "memory"
    image: bytes | None = None
    chips: tuple[()] = ()


BANK = Area("bank", 0x4000, 0x43FF)


def traffic(*accesses: tuple, width: int = 1) -> Cycles:
    """Cycles from (kind, address, data[, unknown data bits[, unknown address bits]]), 10 ticks apart."""
    cycles = Cycles.empty(len(accesses))
    for i, (kind, address, data, *rest) in enumerate(accesses):
        cycles.kind[i] = kind
        cycles.address[i] = address
        cycles.data_unknown[i] = rest[0] if rest else 0
        cycles.data[i] = data & ~int(cycles.data_unknown[i])
        cycles.address_unknown[i] = rest[1] if len(rest) > 1 else 0
        cycles.time[i] = 10 * i
        cycles.width[i] = width
    return cycles


def run(cycles: Cycles, *areas: Area, gaps=(), **options) -> tuple:
    regions = RegionMap(areas or (BANK,), data_bits=options.pop("data_bits", 8))
    ledger = Ledger(regions, 16, **options)
    compared = ledger.feed(cycles, gaps)
    counter = Counter(regions)
    counter.feed(cycles, compared)
    return compared, counter.counts()


def test_a_read_is_compared_only_after_a_write():
    compared, (bank,) = run(traffic((Kind.READ, 0x4000, 0x55), (Kind.WRITE, 0x4000, 0xAA), (Kind.READ, 0x4000, 0xAA)))
    assert list(compared.verdict) == [Verdict.UNKNOWN, Verdict.WRITE, Verdict.AGREES]
    assert (bank.writes, bank.reads, bank.reads_unknown, bank.reads_compared, bank.mismatches) == (1, 2, 1, 1, 0)


def test_after_a_mismatch_the_ledger_keeps_what_was_written():
    compared, (bank,) = run(traffic((Kind.WRITE, 0x4000, 0xFF), (Kind.READ, 0x4000, 0xDF), (Kind.READ, 0x4000, 0xFF)))
    assert list(compared.verdict) == [Verdict.WRITE, Verdict.MISMATCH, Verdict.AGREES]
    assert compared.mismatch[1] == 0x20
    assert (bank.lanes[5].low_for_high, bank.lanes[5].high_for_low, bank.lanes[5].compared) == (1, 0, 2)
    assert list(compared.writer) == [-1, 0, 0]


def test_the_writer_is_counted_over_all_blocks():
    cycles = traffic((Kind.READ, 0x4000, 0), (Kind.WRITE, 0x4000, 1), (Kind.READ, 0x4000, 1))
    ledger = Ledger(RegionMap((BANK,)), 16)
    assert [int(ledger.feed(cycles.slice(i, i + 1)).writer[0]) for i in range(3)] == [-1, -1, 1]


def test_two_different_reads_of_an_unwritten_cell_disagree_but_are_no_mismatch():
    compared, (bank,) = run(traffic((Kind.READ, 0x4000, 0x00), (Kind.READ, 0x4000, 0x01), (Kind.READ, 0x4000, 0x01)))
    assert list(compared.verdict) == [Verdict.UNKNOWN, Verdict.DISAGREES, Verdict.UNKNOWN]
    assert (bank.reads_disagree, bank.mismatches, bank.reads_compared) == (1, 0, 0)
    assert (bank.reads_never_written, bank.reads_never_written_disagree) == (3, 1)


def test_after_missing_samples_a_wrong_read_proves_nothing_and_a_right_one_restores_trust():
    cycles = traffic(
        (Kind.WRITE, 0x4000, 0x11),
        (Kind.WRITE, 0x4001, 0x22),
        (Kind.READ, 0x4000, 0x10),  # after the gap: stale
        (Kind.READ, 0x4001, 0x22),  # right, so known again
        (Kind.READ, 0x4001, 0x23),  # and now a real mismatch
        (Kind.READ, 0x4000, 0x91),  # bit 0 is right now, bit 7 was right before
    )
    compared, (bank,) = run(cycles, gaps=[(12, 18)])
    assert list(compared.verdict)[2:] == [Verdict.STALE, Verdict.UNKNOWN, Verdict.MISMATCH, Verdict.MISMATCH]
    assert compared.mismatch[5] == 0x80
    assert (bank.reads_stale, bank.mismatches) == (1, 2)


def test_unsettled_bits_are_unknown_not_wrong():
    compared, (bank,) = run(
        traffic(
            (Kind.WRITE, 0x4000, 0xF0, 0x0F),
            (Kind.READ, 0x4000, 0xFF, 0x80),
            (Kind.READ, 0x4000, 0x0A),
        )
    )
    assert compared.known[1] == 0x70 and compared.verdict[1] == Verdict.AGREES
    assert compared.mismatch[2] == 0xF0
    assert bank.mismatches == 1


def test_a_write_to_a_doubtful_address_makes_every_possible_cell_stale():
    compared, _ = run(
        traffic(
            (Kind.WRITE, 0x4000, 0x11),
            (Kind.WRITE, 0x4002, 0x11),
            (Kind.WRITE, 0x4000, 0x99, 0, 0x01),  # A0 unsettled: 4000 or 4001
            (Kind.READ, 0x4000, 0x99),
            (Kind.READ, 0x4002, 0x99),
        )
    )
    assert list(compared.verdict)[2:] == [Verdict.NOT_TAKEN, Verdict.AGREES, Verdict.MISMATCH]
    assert compared.known[3] == 0x77  # 11 and 99 agree in these bits, whichever of them the cell holds


def test_a_rom_with_an_image_is_known_from_the_start_and_ignores_writes():
    rom = Area("monitor", 0xF000, 0xF003, kind="rom", image=b"\x01\x02\x03\x04")
    compared, (counts,) = run(
        traffic((Kind.READ, 0xF001, 0x02), (Kind.WRITE, 0xF001, 0x77), (Kind.OPCODE_FETCH, 0xF001, 0x03)), rom
    )
    assert list(compared.verdict) == [Verdict.AGREES, Verdict.NOT_TAKEN, Verdict.MISMATCH]
    assert counts.mismatches == 1


def test_io_regions_and_addresses_outside_all_regions_are_listed_not_compared():
    port = Area("port", 0x80, 0x83, kind="io", space="io")
    cycles = traffic((Kind.IO_WRITE, 0x80, 1), (Kind.IO_READ, 0x80, 2), (Kind.WRITE, 0x80, 1), (Kind.READ, 0x80, 2))
    compared, (counts,) = run(cycles, port)
    assert set(compared.verdict) == {Verdict.NOT_TAKEN}
    assert list(cycles.region) == [0, 0, -1, -1]
    assert counts.reads == 0


def test_dma_and_block_writes_count_like_any_other():
    compared, _ = run(traffic((Kind.DMA_WRITE, 0x4010, 0x5A), (Kind.READ, 0x4010, 0x5B)))
    assert compared.mismatch[1] == 0x01


def test_unwired_address_lines_share_an_entry_and_never_accuse_on_ambiguity():
    # A0 is not clipped: 4000 and 4001 look alike; a select told the first two writes apart.
    cycles = traffic(
        (Kind.READ, 0x4000, 0xEE, 0, 1),  # nobody wrote either cell
        (Kind.WRITE, 0x4000, 0x0F),
        (Kind.READ, 0x4000, 0xEE, 0, 1),  # its twin cell was never written: could be anything
        (Kind.WRITE, 0x4001, 0x0C),
        (Kind.READ, 0x4000, 0x0F, 0, 1),  # equals one of the two values
        (Kind.READ, 0x4000, 0x8C, 0, 1),  # lane 7 is wrong under every reading
        (Kind.READ, 0x4000, 0x0D, 0, 1),  # neither value, yet no lane is certainly wrong
        (Kind.WRITE, 0x4000, 0x8C, 0, 1),  # one of the two cells holds this now
        (Kind.READ, 0x4000, 0x8C, 0, 1),
        (Kind.READ, 0x4000, 0x1C, 0, 1),
    )
    compared, (bank,) = run(cycles, unwired=1)
    wanted = dict.fromkeys((1, 3, 7), Verdict.WRITE) | dict.fromkeys((5, 9), Verdict.MISMATCH)
    assert compared.verdict.tolist() == [wanted.get(i, Verdict.AMBIGUOUS) for i in range(10)]
    assert compared.mismatch.tolist() == [0] * 5 + [0x80] + [0] * 3 + [0x10]
    assert compared.known[4] == 0xFC and compared.known[8] == 0x7C  # the lanes on which the cells agree
    assert (bank.mismatches, bank.reads_ambiguous) == (2, 5)


def test_sixteen_bit_words_keep_their_byte_lanes_apart():
    area = Area("bank", 0x1000, 0x1FFF)
    cycles = traffic((Kind.WRITE, 0x1000, 0xABCD), (Kind.READ, 0x1001, 0xAB00), (Kind.READ, 0x1000, 0xABCC), width=3)
    cycles.width[1] = 2
    cycles.data_unknown[1] = 0x00FF
    compared, (bank,) = run(cycles, area, data_bits=16)
    assert list(compared.verdict) == [Verdict.WRITE, Verdict.AGREES, Verdict.MISMATCH]
    assert compared.known[1] == 0xFF00
    assert bank.lanes[0].high_for_low == 0 and bank.lanes[0].low_for_high == 1


def test_the_log_gives_back_the_same_rows_from_memory_and_from_disk():
    accesses = [(Kind.WRITE, 0x4000 + i, i & 0xFF) for i in range(50)] + [(Kind.READ, 0x9000, 0)]
    cycles = traffic(*accesses)
    compared, _ = run(cycles)
    logs = AccessLog(), AccessLog(rows_in_memory=10)
    for log in logs:
        for start in range(0, len(cycles), 7):
            log.append(cycles.slice(start, start + 7), compared.slice(start, start + 7))
    wholes = [log.whole() for log in logs]
    assert len(logs[0]) == len(logs[1]) == 50
    for a, b in zip(wholes[0], wholes[1], strict=True):
        for name in a.__dataclass_fields__:
            np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
    logs[1].close()


def test_a_machine_larger_than_any_of_the_period_is_refused_with_advice(monkeypatch):
    from busledger.decoder.errors import BoardError
    from busledger.decoder.ledger import ledger as module

    monkeypatch.setattr(module, "_MAX_CELLS", 20 << 10)
    cycles = traffic(*((Kind.WRITE, 1024 * i, 0) for i in range(40)))
    with pytest.raises(BoardError, match="--region"):
        run(cycles, Area("all", 0, 0xFFFF))
