"""The dump reader against three independent readers: vcdvcd, pyvcd's tokenizer, pywellen.

pyvcd writes the files; the same contents are also spelled by hand as free-form
text. Every reader must see the same level at the same time.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import pywellen
import vcd
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from busledger.decoder.capture.vcd_header import import_vcdvcd
from tests.capture.vcd_texts import SPACES, codes, opened, rows_of

Changes = dict[str, list[tuple[int, str]]]


@dataclass(frozen=True)
class Run:
    """Sizes by name, and (time, name, digits) in file order; digits as long as the variable."""

    sizes: dict[str, int]
    changes: list[tuple[int, str, str]]


@st.composite
def runs(draw: st.DrawFn) -> Run:
    """Up to five variables and twenty changes."""
    sizes = {f"s{i}": draw(st.sampled_from([1, 1, 1, 4, 8, 16])) for i in range(draw(st.integers(1, 5)))}
    now, changes = 0, []
    for _ in range(draw(st.integers(0, 20))):
        now += draw(st.sampled_from([0, 0, 1, 3, 50, 10**9]))
        name = draw(st.sampled_from(sorted(sizes)))
        letters = draw(st.sampled_from(["01", "01", "01xz"]))
        changes.append((now, name, draw(st.text(letters, min_size=sizes[name], max_size=sizes[name]))))
    return Run(sizes, changes)


def _expected(run: Run) -> Changes:
    """The last value of each variable at each time it was given one, z as x, repeats left out."""
    seen: Changes = {name: [] for name in run.sizes}
    for time, name, digits in run.changes:
        value = digits.replace("z", "x")
        if seen[name] and seen[name][-1][0] == time:
            seen[name].pop()
        seen[name].append((time, value))
    return {name: _without_repeats(values, run.sizes[name]) for name, values in seen.items()}


def _without_repeats(values: list[tuple[int, str]], size: int) -> list[tuple[int, str]]:
    kept: list[tuple[int, str]] = []
    for time, value in values:
        if value != (kept[-1][1] if kept else "x" * size):
            kept.append((time, value))
    return kept


def _ours(text: str) -> Changes:
    capture = opened(text)
    signals = capture.header.signals
    rows = rows_of(capture.read(range(len(signals))), len(signals))
    places: dict[str, list[int]] = {}
    for index, signal in enumerate(signals):
        places.setdefault(signal.channel, []).append(index)
    found: Changes = {}
    for name, bits in places.items():
        values = [(time, "".join(levels[k] for k in reversed(bits))) for time, levels in rows]
        found[name] = _without_repeats(values, len(bits))
    return found


def _by_vcdvcd(text: str) -> Changes:
    read = import_vcdvcd().VCDVCD(vcd_string=text)
    found: Changes = {}
    for reference in read.signals:
        entry = read[reference]
        size, last = int(entry.size), {}
        for time, value in entry.tv:
            lead = value[0].lower() if value[0] in "xXzZ" else "0"
            last[time] = value.lower().rjust(size, lead).replace("z", "x")
        found[reference.split(".")[-1].split("[")[0]] = _without_repeats(sorted(last.items()), size)
    return found


def _by_pyvcd(text: str) -> Changes:
    names: dict[str, tuple[str, int]] = {}
    last: dict[str, dict[int, str]] = {}
    now = 0
    for token in tokenize(io.BytesIO(text.encode())):
        if token.kind is TokenKind.VAR:
            names[token.var.id_code] = (token.var.reference, token.var.size)
            last[token.var.reference] = {}
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind in (TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR):
            change = token.scalar_change if token.kind is TokenKind.CHANGE_SCALAR else token.vector_change
            name, size = names[change.id_code]
            value = f"{change.value:b}" if isinstance(change.value, int) else change.value.lower()
            lead = value[0] if value[0] in "xz" else "0"
            last[name][now] = value.rjust(size, lead).replace("z", "x")
    sizes = dict(names.values())
    return {name: _without_repeats(sorted(values.items()), sizes[name]) for name, values in last.items()}


def _written_by_pyvcd(run: Run) -> str:
    out = io.StringIO()
    with vcd.VCDWriter(out, timescale="1 ns", date="", version="") as writer:
        made = {n: writer.register_var("top", n, "wire", size=s, init="x" * s) for n, s in run.sizes.items()}
        for time, name, digits in run.changes:
            writer.change(made[name], time, digits)
    return out.getvalue()


@settings(max_examples=60, deadline=None)
@given(runs())
def test_files_by_pyvcd_read_alike_everywhere(run: Run) -> None:
    text = _written_by_pyvcd(run)
    expected = _expected(run)
    assert _ours(text) == expected
    assert _by_vcdvcd(text) == expected
    assert _by_pyvcd(text) == expected


@settings(max_examples=60, deadline=None)
@given(runs(), st.data())
def test_free_form_spelling_reads_as_the_plain_one_does_in_vcdvcd(run: Run, data: st.DataObject) -> None:
    code = dict(zip(run.sizes, data.draw(codes(len(run.sizes))), strict=True))
    # vcdvcd takes a line by its first letter and one word a change: spell its file one change a line
    tame = {name: f"c{i}" for i, name in enumerate(run.sizes)}
    plain, free, before = "", "", None
    for name, size in run.sizes.items():
        plain += f"$var wire {size} {tame[name]} {name} $end\n"
        free += data.draw(SPACES).join(["$var", "wire", str(size), code[name], name, "$end", ""])
    plain, free = plain + "$enddefinitions $end\n", free + "$enddefinitions $end "
    for time, name, digits in run.changes:
        if time != before:
            plain, free, before = plain + f"#{time}\n", free + f"#{time}" + data.draw(SPACES), time
        scalar = run.sizes[name] == 1
        plain += f"{digits}{tame[name]}\n" if scalar else f"b{digits} {tame[name]}\n"
        short = digits.lstrip("0") or "0" if data.draw(st.booleans()) else digits
        shorter = short if short[0] in "01" else digits
        free += digits + code[name] if scalar else "b" + shorter + " " + code[name]
        free += data.draw(SPACES)
    head = "$timescale 1 ns $end\n"
    assert _ours(head + free) == _by_vcdvcd(head + plain) == _expected(run)


def test_pywellen_sees_the_same_levels(tmp_path: Path) -> None:
    run = Run(
        {"clk": 1, "data": 8, "addr": 16},
        [(5 * t, "clk", str(t % 2)) for t in range(40)]
        + [(5 * t + 200, "data", f"{t * 37 % 256:08b}") for t in range(40)]
        + [(5 * t + 400, "addr", f"{t * 4321 % 65536:016b}") for t in range(40)],
    )
    text = _written_by_pyvcd(run)
    path = tmp_path / "run.vcd"
    path.write_text(text, encoding="ascii")
    ours = _ours(text)
    signals = {var.name: var for var in pywellen.Waveform(str(path)).all_vars()}
    compared = 0
    for name, size in run.sizes.items():
        for time, value in ours[name]:
            seen = signals[name].signal.value_at(time)
            assert f"{int(seen):0{size}b}" == value, (name, time)
            compared += 1
    assert compared > 100
