"""The lobes panel in process: controls at both ends, the best lobe, readings, the study, what is handed out."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from pathlib import Path

import ipywidgets as w
import pytest

from lobeledger.page.panels.controls import Slider
from lobeledger.page.panels.lobes import LobesPanel, Motion
from panel_support import SHIPPED, walk


@pytest.fixture()
def panel(folder: Path) -> Iterator[LobesPanel]:
    made = LobesPanel(folder, "budget-cruiser")
    settled(made)
    yield made
    made.close()


def settled(panel: LobesPanel) -> Motion:
    assert panel.runner.wait(60) and panel.later.wait(60) and panel.study_runner.wait(60)
    assert panel.motion is not None
    assert "our fault" not in panel.message.value, panel.message.value
    return panel.motion


def press(panel: LobesPanel, name: str) -> None:
    next(x for x in walk(panel.widget) if isinstance(x, w.Button) and name in x._dom_classes).click()


def test_it_opens_with_the_share_of_the_best(panel: LobesPanel) -> None:
    settled(panel)
    assert "of the lift area possible" in panel.answer.value
    assert panel.share is not None and 0.5 < panel.share.at_its_lift[0] <= 1.001


def test_other_units_are_the_same_lobes(panel: LobesPanel) -> None:
    us, share = settled(panel), panel.share
    panel.system.value = "metric"
    metric = settled(panel)
    assert metric.system == "metric" and metric.card is us.card and metric.flat is us.flat and panel.share is share


@pytest.mark.slow
@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("kind", ["h-flat", "s-roller"])
def test_every_slider_holds_at_both_ends(folder: Path, name: str, kind: str) -> None:
    panel = LobesPanel(folder, name)
    panel.cam.value = kind
    for page in range(3):
        panel.pages.selected_index = page
    settled(panel)
    sliders = [x for x in panel.controls.every() if isinstance(x, Slider)]
    assert len(sliders) >= 7
    for slider in sliders:
        before = slider.value
        for end in (slider.low, slider.high):
            slider.value = end
            settled(panel)
            assert "Traceback" not in panel.message.value
        slider.value = before
    settled(panel)
    assert "ll-error" not in panel.message.value, "back at the start nothing is wrong"
    panel.close()


def test_an_impossible_card_says_what_would_do(panel: LobesPanel) -> None:
    before = panel.motion
    face = panel.controls["candidates.h-flat.face_diameter"]
    assert isinstance(face, Slider)
    face.value = face.low
    settled(panel)
    assert "one of these alone would do" in panel.message.value
    assert panel.motion is before, "what was shown stays"


def test_either_lobe_of_any_cam(panel: LobesPanel) -> None:
    intake = settled(panel).card
    panel.which.value = "exhaust"
    assert settled(panel).card is not intake
    panel.cam.value = "h-roller"
    motion = settled(panel)
    assert motion.candidate.id == "h-roller" and motion.which == "exhaust"
    assert "pressure angle" in panel.reasons.value


def test_the_outline_turns_in_place(panel: LobesPanel) -> None:
    panel.pages.selected_index = 1
    settled(panel)
    figure = panel._charts[1].figures["The same lift under a flat face and under a roller"]
    before = [list(t["x"]) for t in figure.figure["data"] if "x" in t]
    panel.turn.value = 10
    assert figure is panel._charts[1].figures["The same lift under a flat face and under a roller"]
    assert before != [list(t["x"]) for t in figure.figure["data"] if "x" in t]


def test_readings_are_fitted_and_held_against_the_card(panel: LobesPanel) -> None:
    panel.pages.selected_index = 3
    panel.table_choice.value = next(v for _, v in panel.table_choice.options if v.endswith("invented-intake.csv"))
    assert "greatest lift" in panel.readings_words.value and "0.290" in panel.readings_words.value
    assert "Against the card" in panel.readings_words.value
    assert "taken off every reading" in panel.readings_words.value, "it says what was put right"
    panel.table_is.value = "exhaust"
    panel.table_choice.value = next(v for _, v in panel.table_choice.options if v.endswith("worn.csv"))
    assert len(panel._charts[3].figures) == 2
    assert "separation" in panel.readings_words.value


def test_a_bad_table_is_one_sentence(panel: LobesPanel) -> None:
    content = b"angle (deg),lift (in)\n1,2\n"
    file = {"name": "mine.csv", "content": memoryview(content), "type": "", "size": len(content)}
    panel.table_upload.value = ({**file, "last_modified": datetime.datetime(2026, 1, 1)},)
    assert "ll-error" in panel.readings_message.value and "cam angle" in panel.readings_message.value
    assert panel.read == {}


def test_the_study_compares_best_lobes(panel: LobesPanel) -> None:
    press(panel, "ll-study-go")
    settled(panel)
    assert "Best flat against best roller" in panel.study_words.value
    assert panel.study_words.value.count("<tr") >= 7


@pytest.mark.parametrize("kind", ["h-flat", "h-roller"])
def test_outlines_are_handed_out(panel: LobesPanel, kind: str) -> None:
    panel.cam.value = kind
    settled(panel)
    name, mime, text = panel._file("csv")()  # type: ignore[misc]
    assert name.endswith(".csv") and mime == "text/csv" and "cam_angle_deg" in text
    name, _, text = panel._file("dxf")()  # type: ignore[misc]
    assert name.endswith(".dxf") and "LWPOLYLINE" in text
