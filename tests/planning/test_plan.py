"""The plan as a whole: passes, shared lines, questions, cautions."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from busledger.decoder.bus import load_profile, profile_names
from busledger.decoder.errors import UsageError
from busledger.decoder.planning import EarlierSuspect, PlanRequest, PlanResult, make_plan
from busledger.decoder.planning.strobes import shared_controls
from busledger.decoder.report import plan_page, plan_text
from tests.checks.wide_bus import BOARD as BOARD_16
from tests.planning.boards import DRAM_CARD, LOOM, board


def plan(
    folder: Path, text: str = LOOM, *, channels: int = 8, question: str | None = None, suspects=None
) -> PlanResult:
    card = board(folder, text)
    request = PlanRequest(channels=channels, rate_hz=24e6, depth=1_000_000, question=question)
    return make_plan(card, load_profile(card.bus), request, suspects)


@pytest.mark.parametrize("channels", [4, 8, 16, 34])
def test_no_pass_needs_more_channels_than_there_are(tmp_path: Path, channels: int) -> None:
    result = plan(tmp_path, channels=channels)
    for one in result.passes:
        assert len(one.lines) <= channels
        assert len(set(one.lines)) == len(one.lines)
        assert set(result.shared_lines) <= set(one.lines)


def test_the_passes_together_tell_all_that_any_lines_could(tmp_path: Path) -> None:
    result = plan(tmp_path)
    assert result.bits == pytest.approx(result.open_bits)
    gains = [one.bits_after for one in result.passes]
    assert gains == sorted(gains)
    assert result.passes[-1].bits_after == pytest.approx(result.bits)
    new = [clip.line for one in result.passes for clip in one.clips if clip.why == "new"]
    assert len(new) == len(set(new))


def test_lines_clipped_again_are_what_the_processor_asked_for(tmp_path: Path) -> None:
    """Data differ between runs where memory was never written; the first pass's address lines do not."""
    for channels in (5, 7, 9, 11):
        result = plan(tmp_path, channels=channels)
        again = {clip.line for one in result.passes for clip in one.clips if clip.why == "shared"}
        assert again <= {line for line in result.passes[0].lines if line[0] in "AC"}


def test_one_pass_is_enough_where_every_line_fits(tmp_path: Path) -> None:
    assert len(plan(tmp_path, channels=40).passes) == 1


def test_a_question_about_a_select_leaves_the_data_lines_alone(tmp_path: Path) -> None:
    result = plan(tmp_path, channels=24, question="CS1")
    assert len(result.passes) == 1
    assert "CS1" in result.passes[0].lines
    assert not {line for line in result.passes[0].lines if line.startswith("D")}


def test_a_question_about_a_region_is_about_its_faults(tmp_path: Path) -> None:
    assert plan(tmp_path, question="warp").faults < plan(tmp_path).faults


def test_the_far_side_is_clipped_to_part_a_driver_from_a_chip(tmp_path: Path) -> None:
    """A stuck lane of the only region behind a driver is the chip's or the driver's: only its far side tells."""
    suspects = [
        EarlierSuspect(fault="stuck-low", scope="chip", component="U1", region="stars", lanes=("D0",), probability=0.5),
        EarlierSuspect(fault="stuck-low", scope="buffer", component="U20", lanes=("D0",), probability=0.5),
    ]
    result = plan(tmp_path, DRAM_CARD, suspects=suspects)
    assert result.faults == 2
    assert result.bits == pytest.approx(1.0)
    assert "MD0" in {line for one in result.passes for line in one.lines}


def test_a_repair_asks_for_the_earlier_suspects(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--before"):
        plan(tmp_path, question="repair")
    suspects = [
        EarlierSuspect(fault="stuck-low", scope="chip", component="U1", region="warp", lanes=("D0",), probability=1.0)
    ]
    result = plan(tmp_path, question="repair", suspects=suspects)
    assert result.open_bits == pytest.approx(1.0)  # it or nothing
    assert "D0" in result.passes[0].lines


def test_what_cannot_be_planned_is_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="PHI2, RW"):
        plan(tmp_path, channels=2)
    with pytest.raises(UsageError, match="warp"):
        plan(tmp_path, question="wrap")


@pytest.mark.parametrize("name", profile_names())
def test_every_bus_names_the_lines_that_all_passes_share(name: str) -> None:
    profile = load_profile(name)
    shared = shared_controls(profile)
    assert {line.name for line in profile.lines.values() if line.required} <= set(shared)
    assert not {line for line in shared if profile.lines[line].role == "data"}


def test_a_line_whose_absence_makes_other_cycles_look_like_memory_is_shared() -> None:
    """Motorola MC6800 data sheet: VMA low means that the address is not valid; Intel 8085A data sheet: IO/M tells
    input and output from memory. Both from memory of the sheets."""
    assert "VMA" in shared_controls(load_profile("6800"))
    assert "IOM" in shared_controls(load_profile("8085"))
    # Zilog: MREQ stays high in input and output, so that IORQ is not needed to leave them out.
    assert shared_controls(load_profile("z80")) == ("MREQ", "RD", "WR")


def test_the_first_sentences_say_how_many_passes(tmp_path: Path) -> None:
    result = plan(tmp_path)
    text = plan_text(result, width=100, colour=False)
    assert text.startswith(f"{len(result.passes)} passes with 8 channels")
    assert plan_text(result, width=100, colour=False, answer_only=True) in text
    for one in result.passes:
        assert f"Pass {one.number}:" in text
    assert "Ground first" in text
    assert "41.7 ms" in text  # 1 000 000 samples at 24 MHz


def test_a_rate_too_slow_to_read_the_bus_is_not_said_to_tell_anything_apart(tmp_path: Path) -> None:
    result = plan(tmp_path)
    slow = result.model_copy(
        update={
            "rate_hz": 1e6,
            "sampling": tuple(need.model_copy(update={"verdict": "too slow"}) for need in result.sampling),
        }
    )
    least = min(need.least_hz for need in result.sampling) / 1e6
    told = " ".join(plan_text(slow, width=100, colour=False, answer_only=True).replace("\u00a0", " ").split())
    assert f"but 1 MHz is too slow to read this bus: with {least:.3g} MHz or more" in told


def test_the_page_has_a_box_for_every_clip_and_escapes_what_it_quotes(tmp_path: Path) -> None:
    text = LOOM.replace("Loom controller, pattern store", "<b>Loom</b> & co")
    result = plan(tmp_path, text)
    page = plan_page(result)
    clips = sum(len(one.clips) for one in result.passes)
    assert page.count('class="box"') == clips + len(result.passes) + len(result.cautions)
    assert "<b>Loom" not in page
    assert "&lt;b&gt;Loom&lt;/b&gt; &amp; co" in page
    assert "http" not in page.replace("http-equiv", "")


def test_the_result_survives_json(tmp_path: Path) -> None:
    result = plan(tmp_path)
    text = result.model_dump_json(by_alias=True)
    assert '"schema":"busledger.plan/1"' in text
    assert PlanResult.model_validate_json(text) == result


def test_each_chip_is_drawn_with_the_pins_to_clip(tmp_path: Path) -> None:
    result = plan(tmp_path)
    page = plan_page(result)
    for one in result.passes:
        best = {(c.points[0].designator, c.points[0].pin, c.line) for c in one.clips if c.points and c.points[0].pins}
        for designator, pin, line in best:
            assert re.search(rf'aria-label="{designator} [^"]*pin {pin} {line}\b', page)
    drawn = re.findall(r'<svg role="img" aria-label="(\S+) (\S+): clip (.*?)".*?</svg>', page)
    assert drawn
    for drawing in re.findall(r'<svg role="img".*?</svg>', page):
        numbers = [int(n) for n in re.findall(r'font-size="8.5">(\d+)<', drawing)]
        assert numbers == list(range(1, len(numbers) + 1)) and len(numbers) % 2 == 0


def test_the_chips_of_a_wide_bus_count_words(tmp_path: Path) -> None:
    """A 68000 has no A0: the first address pin of its byte-wide memories is wired to A1 (MC68000 User's Manual)."""
    result = plan(tmp_path, BOARD_16, channels=40)
    pins = {clip.line: {p.pin_name for p in clip.points} for one in result.passes for clip in one.clips}
    assert {line: pins[line] for line in ("A1", "A2", "A13")} == {"A1": {"A0"}, "A2": {"A1"}, "A13": {"A12"}}
    assert not pins["UDS"]


def test_what_the_board_file_does_not_prove_is_said_once_a_pass(tmp_path: Path) -> None:
    result = plan(tmp_path)
    for text in (plan_text(result, width=100, colour=False), plan_page(result)):
        assert text.count("check with a meter") <= 2 * len(result.passes)
        assert "†" in text
