"""The choose panel in process: every slider at both ends, mistakes and recovery, saving and handing out.

No browser here; what a person sees is tested in `test_browser_choose.py`.
"""

from __future__ import annotations

import datetime
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import ipywidgets as w
import numpy as np
import pandas as pd
import pytest

import lobeledger as ll
from lobeledger import panels
from lobeledger.page.panels import chart
from lobeledger.page.panels.chart import LiveChart
from lobeledger.page.panels.choose import ChoosePanel
from lobeledger.page.panels.controls import Button, Numbers, Slider
from lobeledger.page.plots import compare as plots
from lobeledger.page.words.board import board_of
from lobeledger.page.words.figures import near_money
from lobeledger.record.book import open_record
from lobeledger.sheet.open import starter_sheet
from panel_support import SHIPPED, walk


@pytest.fixture()
def panel(folder: Path) -> Iterator[ChoosePanel]:
    made = ChoosePanel(folder, "budget-cruiser")
    settled(made)
    yield made
    made.close()


def settled(panel: ChoosePanel) -> ll.Comparison:
    # Bands and shares fill in afterwards; without waiting for them two looks at one state may differ.
    assert panel.runner.wait(60) and panel.later.wait(120)
    assert panel.comparison is not None
    return panel.comparison


def said(panel: ChoosePanel) -> str:
    return str(panel.message.value)


def sliders(panel: ChoosePanel) -> list[Slider | Numbers]:
    return [each for each in panel.controls.every() if isinstance(each, Slider | Numbers)]


def test_it_opens_with_the_answer(panel: ChoosePanel) -> None:
    comparison = settled(panel)
    assert f'data-answer="{comparison.answer}"' in panel.answer.value
    assert said(panel) == ""
    assert len(panel.charts.children) == 3
    for c in comparison.build.candidates:
        assert c.name in panel.board.value and c.name in panel.table.value


@pytest.mark.slow
@pytest.mark.parametrize("name", SHIPPED)
def test_every_slider_holds_at_both_ends(folder: Path, name: str) -> None:
    panel = ChoosePanel(folder, name)
    settled(panel)
    found = sliders(panel)
    assert len(found) > 20
    for slider in found:
        before = slider.value
        if isinstance(slider, Numbers):
            low, high = slider.facts["parts"][0]["low"], slider.facts["parts"][0]["high"]
            ends = [(low, low + 50, 0), (high - 50, high, 100)]
        else:
            ends = [slider.low, slider.high]
        for end in ends:
            slider.value = end
            assert panel.runner.wait(60)
            assert "our fault" not in said(panel), (slider.key, end, said(panel))
        slider.value = before
        assert panel.runner.wait(60)
    settled(panel)
    assert "ll-error" not in said(panel), "back at the start nothing is wrong"
    panel.close()


def test_the_shops_record_moves_the_verdict_only_when_told(folder: Path, tmp_path: Path) -> None:
    place = tmp_path / "shop.sqlite"
    with open_record(place) as record:
        for n in range(4):
            build = record.add_build(f"build {n}")
            cam = record.add_candidate(build, "flat", follower="flat", lifter="hydraulic")
            record.add_outcome(cam, "wiped lobe")
    panel = ChoosePanel(folder, "budget-cruiser", place)
    before = settled(panel).result("h-flat").figures
    panel.use_record.box.value = True
    after = settled(panel).result("h-flat").figures
    # Beta-Binomial: (30 / 40 + 4) / (30 + 4)
    assert after["chance"].value == pytest.approx((30 / 40 + 4) / 34) and before["chance"].value == 1 / 40
    assert after["owning"].value > before["owning"].value
    panel.close()


def test_moving_the_budget_moves_answer_table_and_chart(panel: ChoosePanel) -> None:
    slider = panel.controls["limits.budget"]
    answer, table = panel.answer.value, panel.table.value
    room = panel._charts.figures["Room left at each limit"]
    charts = [np.array(t["x"], dtype=float) for t in room.figure["data"]]
    slider.value = 0
    comparison = settled(panel)
    assert comparison.winner_id is None
    assert panel.answer.value != answer and panel.table.value != table
    assert room is panel._charts.figures["Room left at each limit"]
    after = [np.array(t["x"], dtype=float) for t in room.figure["data"]]
    assert any(a.shape != b.shape or not np.allclose(a, b) for a, b in zip(charts, after, strict=True))


def test_a_range_with_one_end_on_the_other_is_one_sentence_and_the_old_result_stays(panel: ChoosePanel) -> None:
    before = panel.answer.value
    span = next(s for s in sliders(panel) if isinstance(s, Numbers))
    kept = span.value
    span.value = (kept[0], kept[0], kept[2])
    assert panel.runner.wait(60)
    assert "ll-error" in said(panel) and "Traceback" not in said(panel)
    assert panel.answer.value == before
    span.value = kept
    settled(panel)
    assert said(panel) == ""


def test_no_candidate_ticked_says_what_to_do(panel: ChoosePanel) -> None:
    ticks = [each for each in panel.controls.every() if each.key.startswith("tick-")]
    for tick in ticks:
        tick.value = False
    assert panel.runner.wait(60)
    assert "tick at least one" in said(panel)
    ticks[0].value = True
    first = ticks[0].key.removeprefix("tick-")
    comparison = settled(panel)
    assert [r.candidate.id for r in comparison.results] == [first] and said(panel) == ""


def upload(panel: ChoosePanel, name: str, content: bytes) -> None:
    panel.upload.value = (
        {
            "name": name,
            "type": "",
            "size": len(content),
            "content": memoryview(content),
            "last_modified": datetime.datetime(2026, 1, 1),
        },
    )
    assert panel.runner.wait(60)


def test_upload_of_a_sheet_and_of_what_is_not_one(panel: ChoosePanel) -> None:
    upload(panel, "mine.toml", starter_sheet().encode())
    assert settled(panel).build.name == "My build"
    assert panel.picker.value == "My build (opened)", "the list names what is shown"
    panel.picker.value = "budget-cruiser"
    assert settled(panel).build.name == "Budget cruiser (invented)"
    panel.picker.value = "My build (opened)"
    assert settled(panel).build.name == "My build"
    shown = panel.answer.value
    for name, content in (
        ("broken.toml", b"[engine"),
        ("latin.toml", b"name = '\xe9'"),
        ("empty.toml", b""),
        ("big.toml", b"#" * 2_000_000),
    ):
        upload(panel, name, content)
        assert name in said(panel) and "ll-error" in said(panel)
        assert panel.answer.value == shown, "the old result stays"
    upload(panel, "mine.toml", starter_sheet().encode())
    assert said(panel) == ""


def test_markup_in_a_sheet_stays_text(panel: ChoosePanel) -> None:
    upload(panel, "mine.toml", starter_sheet().replace("Hydraulic flat", "<b onclick='x'>flat</b>").encode())
    settled(panel)
    for view in (panel.answer, panel.board, panel.why, panel.table, panel.footer, panel.message):
        assert "<b onclick" not in view.value


def test_whole_sheet_edited_and_applied(panel: ChoosePanel) -> None:
    panel.show_entry("sheet")
    panel.sheet_text.value = panel.sheet_text.value.replace('highest_speed = "4800 rpm"', 'highest_speed = "4900"')
    button = next(b for b in walk(panel.entry_box) if isinstance(b, w.Button) and b.description == "Apply changes")
    button.click()
    assert panel.runner.wait(60)
    assert "use.highest_speed" in said(panel) and "rpm" in said(panel)
    panel.sheet_text.value = panel.sheet_text.value.replace('highest_speed = "4900"', 'highest_speed = "4900 rpm"')
    button.click()
    assert settled(panel).build.use.highest_speed_rpm == 4900 and said(panel) == ""
    assert panel.controls["use.highest_speed"].value == 4900
    assert panel.baseline is not None and panel.baseline.build.use.highest_speed_rpm == 4800, "told against what was"
    panel.undo()
    assert settled(panel).build.use.highest_speed_rpm == 4800


def press(panel: ChoosePanel, text: str) -> None:
    every = [*panel.head.every(), *panel.tools.every()]
    next(b for b in every if isinstance(b, Button) and b.label == text).click()
    assert panel.runner.wait(60)


def test_save_under_a_new_name_reads_back_and_never_overwrites(panel: ChoosePanel, folder: Path) -> None:
    slider = panel.controls["use.years"]
    slider.value = 5
    settled(panel)
    panel.save_name.value = "  mine: no. 1 "
    press(panel, "Save")
    saved = folder / "mine- no. 1.toml"
    assert ll.read_build(saved).use.years == 5
    assert panel.picker.value == "mine- no. 1" and "Saved" in said(panel)
    before = saved.read_bytes()
    slider.value = 6
    press(panel, "Save")
    assert "exists already" in said(panel) and saved.read_bytes() == before
    panel.save_name.value = " .. "
    press(panel, "Save")
    assert "name" in said(panel)


def test_reset_goes_back_to_the_sheet(panel: ChoosePanel) -> None:
    first = settled(panel).to_json()
    panel.controls["use.years"].value = 3
    assert settled(panel).to_json() != first
    press(panel, "Undo all changes")
    assert settled(panel).to_json() == first


def test_start_new_explains_itself(panel: ChoosePanel) -> None:
    press(panel, "New build")
    assert settled(panel).build.name == "My build" and "invented" in said(panel)


def test_units_switch_changes_words_not_the_table_columns(panel: ChoosePanel) -> None:
    us = settled(panel).table
    panel.system.value = "metric"
    metric = settled(panel)
    assert "kPa" in panel.table.value and "inHg" not in panel.table.value
    pd.testing.assert_frame_equal(
        us.drop(columns=["limits_broken", "cautions"]), metric.table.drop(columns=["limits_broken", "cautions"])
    )


def test_units_switch_computes_nothing_anew(panel: ChoosePanel) -> None:
    settled(panel)
    panel.controls["use.years"].value = 3
    us = settled(panel)
    panel.system.value = "metric"
    metric = settled(panel)
    assert metric.decision is us.decision and (us.system, metric.system) == ("us", "metric")
    assert metric.build.use.years == 3


def test_files_to_hand_out(panel: ChoosePanel) -> None:
    comparison = settled(panel)
    name, mime, text = panel._file("sheet")()
    assert name.endswith(".html") and mime == "text/html" and "http://" not in text and "https://" not in text
    _, _, quote = panel._file("quote")()
    winner = comparison.build.candidate(comparison.winner_id or "")
    assert winner.name in quote and "Valid until" in quote
    _, _, table = panel._file("table")()
    assert list(pd.read_csv(io.StringIO(table)).columns) == list(comparison.table.columns)
    name, _, sheet = panel._file("build")()
    assert name.endswith(".toml") and ll.build_from_text(sheet).use == comparison.build.use


def test_quote_adds_up_and_leaves_out_upkeep(panel: ChoosePanel) -> None:
    comparison = settled(panel)
    assert comparison.winner_id
    result = comparison.result(comparison.winner_id)
    total = sum(float(line.amount) for line in result.lines if line.is_first and line.group != "surprises")
    _, _, quote = panel._file("quote")()
    assert f"{total:,.2f}" in quote and "Lash checks" not in quote and "Average failure cost" not in quote


def test_a_figure_that_stands_is_not_sent_again(panel: ChoosePanel) -> None:
    comparison = settled(panel)
    shown = LiveChart("lift")
    sent: list[Any] = []
    shown.live.observe(lambda change: sent.append(change["new"]["rev"]), names="state")
    assert shown.show(plots.lift_figure(comparison)) and not shown.show(plots.lift_figure(comparison))
    assert shown.show(plots.lift_figure(comparison, 300)) and sent == [1, 2]


def test_moves_are_taken_back_and_done_again(panel: ChoosePanel) -> None:
    first = settled(panel).to_json()
    years, hours = panel.controls["use.years"], panel.controls["use.hours_a_year"]
    years.value, kept = 3, years.value
    second = settled(panel).to_json()
    hours.value = 20
    settled(panel)
    panel.undo()
    assert settled(panel).to_json() == second and (years.value, hours.value) == (3, 150)
    panel.undo()
    assert settled(panel).to_json() == first and years.value == kept
    assert not panel.undo_button.facts["on"] and panel.redo_button.facts["on"]
    panel.undo()
    panel.redo()
    assert settled(panel).to_json() == second and years.value == 3
    hours.value = 30
    settled(panel)
    assert not panel.redo_button.facts["on"], "what was taken back is forgotten once something else is done"


def test_a_move_is_told_against_the_baseline(panel: ChoosePanel) -> None:
    start = settled(panel)
    assert "ll-change" not in panel.answer.value and "<ins>" not in panel.board.value
    years = panel.controls["use.years"]
    years.value, kept = 3, years.value
    after = settled(panel)
    saved = start.result("h-flat").figures["owning"].value - after.result("h-flat").figures["owning"].value
    assert f"{near_money(saved):,.0f} USD less to own than when opened" in panel.answer.value
    assert "<ins>" in panel.board.value and "<ins>was" in panel.table.value
    assert years.facts["before"] == kept
    assert len(panel.chart.shown["ghost"]) > 0
    panel.keep()
    settled(panel)
    assert "ll-change" not in panel.answer.value and "<ins>" not in panel.board.value and years.facts["before"] == 3
    panel.picker.value = "weekend-racer"
    settled(panel)
    assert "ll-change" not in panel.answer.value, "another build is no change of this one"
    panel.undo()
    assert settled(panel).build.name == "Budget cruiser (invented)" and panel.picker.value == "budget-cruiser"


def test_one_costly_cam_does_not_flatten_the_rest(panel: ChoosePanel) -> None:
    board = board_of(settled(panel))
    beyond = [row.candidate_id for row in board.rows if row.is_beyond]
    assert beyond == ["s-roller"]
    bars = {row.candidate_id: row.bar for row in board.rows}
    assert bars["h-flat"] > 35.0 and bars["s-roller"] == 100.0


def test_plotly_bundle_still_has_the_shape_we_split() -> None:
    source = chart._bundle_source()
    assert "__lobeledger_plotly_ready" in source and len(source) > 1_000_000


def test_panels_do_no_arithmetic_the_library_should() -> None:
    """Wiring may scale a slider or a share, no more: none of the physics rooms is imported by panels."""
    rooms = [
        Path(panels.__file__),
        *(
            p
            for p in (Path(panels.__file__).parent / "page" / "panels").glob("[a-z]*.py")
            if p.stem not in ("runner", "screen", "chart")
        ),
    ]
    assert len(rooms) > 2
    for each in rooms:
        text = each.read_text(encoding="utf-8")
        for room in (
            "train.rigid",
            "lobe.contact",
            "engine.breathing",
            "lobe.follower",
            "engine.crank",
            "lobe.card",
            "choice.cost",
        ):
            folder, _, leaf = room.rpartition(".")
            assert not re.search(rf"from lobeledger\.{folder} import ([\w]+, )*{leaf}\b", text), each.name
            # Types may be named in annotations; functions are the library's to call.
            named = re.findall(rf"from lobeledger\.{room} import \(?([^)\n]+)", text)
            assert all(name.strip()[:1].isupper() for line in named for name in line.split(",")), each.name
        assert "numpy" not in text, each.name
