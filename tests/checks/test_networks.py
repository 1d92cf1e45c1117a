"""What a decoder's outputs should be, over the lines that are clipped."""

from __future__ import annotations

from busledger.decoder.checks.selects.networks import decoder_network
from busledger.decoder.checks.selects.select_hypotheses import explain, hypotheses
from tests.checks.bench import decoder_of

U9 = decoder_of("74LS138", {"A": "A10", "B": "A11", "C": "A12", "G2A": "A15"}, {"Y0": "CS0", "Y1": "CS1"})


def clipped(*lines):
    return set(lines).__contains__


def network(decoder, board=None, lines=None):
    every = {*decoder.inputs.values(), *decoder.outputs.values()} if lines is None else lines
    found = decoder_network(decoder, board or [decoder], clipped(*every))
    assert found is not None
    return found


def value(net, **levels):
    """The words that the table allows where these lines have these levels, the others low."""
    row = sum(levels.get(line, 0) << k for k, line in enumerate(net.inputs))
    return {int(word) for word in net.table[row]}


def test_enables_left_out_are_tied_to_their_enabling_level():
    net = network(U9)
    assert value(net) == {0b10}  # Y0 low, Y1 high
    assert value(net, A10=1) == {0b01}
    assert value(net, A11=1) == {0b11}
    assert value(net, A15=1) == {0b11}
    assert net.idle == 0b11
    assert net.one_hot


def test_an_input_that_is_not_clipped_leaves_both_possible():
    net = network(U9, lines={"A11", "A12", "A15", "CS0", "CS1"})
    assert net.not_clipped == ("A10",)
    assert value(net) == {0b10, 0b01}
    assert value(net, A11=1) == {0b11}


def test_a_select_input_left_out_is_tied_so_that_every_named_output_can_come():
    low_half = decoder_of("74LS42", {"A": "A10", "B": "A11", "C": "A12"}, {"Y1": "CS1"})
    assert value(network(low_half), A10=1) == {0}
    high_pair = decoder_of("74LS42", {"A": "A10", "B": "A11", "C": "A12"}, {"Y8": "CS8"})
    assert value(network(high_pair)) == {0}
    assert value(network(high_pair), A12=1) == {1}


def test_no_output_clipped_is_no_network():
    assert decoder_network(U9, [U9], clipped("A10", "A11")) is None


def test_a_gate_before_the_decoder_is_followed():
    gate = decoder_of("74LS00", {"1A": "A13", "1B": "A14"}, {"1Y": "HIGH"}, "U8")
    after = decoder_of("74LS138", {"A": "A10", "B": "A11", "C": "A12", "G2A": "HIGH"}, {"Y0": "CS0"})
    net = network(after, [gate, after], {"A10", "A11", "A12", "A13", "A14", "CS0"})
    assert net.through == ("U8",)
    assert not net.not_clipped
    assert value(net, A13=1, A14=1) == {0}  # NAND low enables
    assert value(net, A13=1) == {1}
    # TI, The TTL Data Book, from memory: 41 ns of a 74LS138 after 15 ns of a 74LS00.
    assert net.delay_ns == 41 + 15


def test_shared_open_collectors_are_judged_only_when_low():
    one = decoder_of("74LS156", {"A": "A10", "B": "A11", "1G": "A12", "1C": "A13"}, {"1Y0": "SEL"}, "U1")
    other = decoder_of("74LS156", {"A": "A8", "B": "A9", "1G": "A14", "1C": "A15"}, {"1Y0": "SEL"}, "U2")
    lines = {"A8", "A9", "A10", "A11", "A12", "A13", "A14", "A15", "SEL"}
    assert network(one, [one, other], lines).open_high == 1
    assert network(one, [one], lines).open_high == 0


def observed(net, table, rows, each=10):
    """Counts as the kernel makes them if the decoder followed ``table``."""
    import numpy as np

    seen = np.zeros((len(net.table), len(net.outputs), 2), np.int64)
    for row in rows:
        for j in range(len(net.outputs)):
            seen[row, j, (int(table[row, 0]) >> j) & 1] += each
    return seen


FOUR = decoder_of(
    "74LS138", {"A": "A10", "B": "A11", "C": "A12", "G2A": "A15"}, {"Y0": "CS0", "Y1": "CS1", "Y2": "CS2", "Y3": "CS3"}
)


def test_every_fault_explains_itself_best():
    net = network(FOUR)
    for fault in hypotheses(net):
        seen = observed(net, fault.table, range(len(net.table)))
        found, left = explain(net, seen)
        if (fault.table == net.table).all():
            assert not found
            continue
        assert left == 0
        first = found[0]
        named = [first.hypothesis, *first.others]
        assert any((h.table == fault.table).all() for h in named)
        assert first.contradicted == 0


def test_a_fault_that_comes_and_goes_is_still_named():
    net = network(FOUR)
    missing = next(h for h in hypotheses(net) if h.code == "output-missing" and h.lines == ("CS2",))
    seen = observed(net, net.table, range(len(net.table)), 97) + observed(net, missing.table, range(len(net.table)), 3)
    found, left = explain(net, seen)
    assert (found[0].hypothesis.code, found[0].hypothesis.lines, left) == ("output-missing", ("CS2",), 0)
    assert (found[0].explained, found[0].contradicted) == (3, 97)


def test_two_faults_are_both_named():
    net = network(FOUR)
    by = {h.lines: h.table for h in hypotheses(net) if h.code == "output-missing"}
    table = by["CS0",] | by["CS3",]
    found, left = explain(net, observed(net, table, range(len(net.table))))
    assert {one.hypothesis.lines for one in found} == {("CS0",), ("CS3",)}
    assert left == 0


def test_nothing_wrong_explains_nothing():
    net = network(FOUR)
    assert explain(net, observed(net, net.table, range(len(net.table)))) == ([], 0)


def test_a_prom_is_what_the_board_file_lists(tmp_path):
    """256 x 4 PROM as an address decoder: its contents are data of the board file."""
    from busledger.decoder.board import load_board

    words = [0b10 if a >> 4 == 0xE else 0b01 if a >> 4 == 0xF else 0b11 for a in range(256)]
    pins = ", ".join(f'A{n} = "A{8 + n}"' for n in range(8))
    path = tmp_path / "board.toml"
    path.write_text(
        '[board]\nname = "Planetarium drive"\nbus = "6502"\n'
        '[[region]]\nname = "rom"\nstart = 0xE000\nend = 0xEFFF\nkind = "rom"\nselect = "ROMSEL"\n'
        '[[region]]\nname = "io"\nstart = 0xF000\nend = 0xFFFF\nkind = "io"\nselect = "IOSEL"\n'
        f'[[decoder]]\ndesignator = "U3"\npart = "PROM"\ninputs = {{ {pins} }}\n'
        f'outputs = {{ O0 = "ROMSEL", O1 = "IOSEL" }}\ntable = {words}\n'
    )
    board = load_board(path)
    net = network(board.decoders[0], list(board.decoders))
    high = {"A15": 1, "A14": 1, "A13": 1}
    assert value(net, **high) == {0b10}
    assert value(net, **high, A12=1, A8=1) == {0b01}
    assert value(net, A15=1) == {0b11}
