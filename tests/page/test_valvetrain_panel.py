"""The valvetrain panel in process: controls at both ends, answer and band, either valve, what buys 500 rpm."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import ipywidgets as w
import pytest

from lobeledger.assess.candidate import assess
from lobeledger.assess.remedies import remedies_of
from lobeledger.doubt.speed import useful_limit_of
from lobeledger.page.panels.valvetrain import AtSpeed, ValvetrainPanel
from lobeledger.sheet.tables import data_dir
from panel_support import walk

SHIPPED = ("budget-cruiser", "weekend-racer")


@pytest.fixture()
def panel(folder: Path) -> Iterator[ValvetrainPanel]:
    made = ValvetrainPanel(folder, "budget-cruiser")
    settled(made)
    yield made
    made.close()


def settled(panel: ValvetrainPanel) -> AtSpeed:
    assert panel.runner.wait(60)
    assert panel.result is not None
    assert "our fault" not in panel.message.value, panel.message.value
    return panel.result


def test_it_opens_with_the_answer_and_tells_the_band_when_it_is_there(panel: ValvetrainPanel) -> None:
    result = settled(panel)
    assert f"contact is lost at {result.loss_rpm:,.0f} rpm" in panel.answer.value
    assert panel.later.wait(120)
    assert panel.doubts is not None
    band = panel.doubts.band
    assert f"band {band.low_rpm:,.0f} to {band.high_rpm:,.0f}" in panel.answer.value
    assert "What buys 500 rpm" in panel.buys.value and "How sure" in panel.buys.value


@pytest.mark.slow
@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("kind", ["h-flat", "s-roller"])
def test_every_slider_holds_at_both_ends(folder: Path, name: str, kind: str) -> None:
    panel = ValvetrainPanel(folder, name)
    panel.cam.value = kind
    for page in range(4):
        panel.pages.selected_index = page
    settled(panel)
    sliders = [x for x in (panel.speed, *walk(panel.controls)) if isinstance(x, w.FloatSlider)]
    assert len(sliders) >= 9
    for slider in sliders:
        before = slider.value
        for end in (slider.min, slider.max):
            slider.value = end
            settled(panel)
        slider.value = before
    settled(panel)
    assert "ll-error" not in panel.message.value, "back at the start nothing is wrong"
    panel.close()


def under_control_rpm(result: AtSpeed) -> float:
    """Highest speed up to which the train as given is under control; first touch alone tells little of that."""
    inputs = assess(result.build, result.candidate).inputs
    return useful_limit_of(inputs, result.candidate.id, result.build.use.highest_speed_rpm).value


def test_a_stiffer_train_holds_longer_and_either_valve_is_told(panel: ValvetrainPanel) -> None:
    panel.cam.value = "s-flat"
    before = under_control_rpm(settled(panel))
    stiff = next(x for x in walk(panel.controls) if isinstance(x, w.FloatSlider) and "MN/m" in x.description)
    stiff.value = 12.0
    assert under_control_rpm(settled(panel)) > before
    panel.which.value = "exhaust"
    assert settled(panel).inputs.which == "exhaust"


def test_units_follow_the_switch_and_what_was_moved_stays(panel: ValvetrainPanel) -> None:
    seat = next(x for x in walk(panel.controls) if isinstance(x, w.FloatSlider) and "Seat load" in x.description)
    seat.value = 140.0
    before = settled(panel)
    assert panel.later.wait(120) and panel.doubts is not None
    moved, band = before.loss_rpm, panel.doubts.band
    panel.system.value = "metric"
    result = settled(panel)
    assert panel.later.wait(120) and panel.doubts is not None
    assert result.loss_rpm == moved and result.run is before.run, "nothing is computed anew"
    assert panel.doubts.band is band and (before.inputs.system, result.inputs.system) == ("us", "metric")
    seat = next(x for x in walk(panel.controls) if isinstance(x, w.FloatSlider) and "Seat load" in x.description)
    assert seat.description.endswith(", N") and seat.value == pytest.approx(140.0 * 4.4482216, rel=1e-3)
    panel.reset.click()
    assert settled(panel).loss_rpm != pytest.approx(moved, abs=1.0)


def test_what_buys_more_speed_is_priced() -> None:
    from lobeledger import read_build

    build = read_build(data_dir() / "builds" / "budget-cruiser.toml")
    candidate = build.candidate("h-flat")
    found = {each.remedy.what: each for each in remedies_of(build, candidate, "intake")}
    assert set(found) == {"lifter_mass", "valve_mass", "seat_load", "rate", "stiffness"}
    seat = found["seat_load"]
    assert seat.remedy.to_value is not None and seat.remedy.to_value > candidate.springs.total_seat_load_n
    # More seat load is more open load by as much: F_open = F_seat + k x.
    gain = seat.remedy.to_value - seat.remedy.from_value
    assert seat.open_load_n == pytest.approx(candidate.greatest_open_load_n + gain, rel=1e-6)
    assert seat.price_money == candidate.spring_set_price_money
    assert found["lifter_mass"].stress_pa is None
