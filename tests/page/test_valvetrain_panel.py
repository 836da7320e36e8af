"""The valvetrain panel in process: controls at both ends, answer and band, either valve, what buys 500 rpm."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from lobeledger.assess.candidate import assess
from lobeledger.assess.remedies import remedies_of
from lobeledger.doubt.speed import useful_limit_of
from lobeledger.page.panels.controls import Slider
from lobeledger.page.panels.valvetrain import AtSpeed, ValvetrainPanel
from lobeledger.page.words.valvetrain import control_reasons, limit_sentence
from lobeledger.sheet.tables import data_dir
from lobeledger.train.control import Control, UsefulLimit
from panel_support import told

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


def test_it_opens_with_the_answer_and_tells_how_sure_it_is_when_that_is_there(panel: ValvetrainPanel) -> None:
    result = settled(panel)
    rpm, top = result.limit.crank_rpm, result.build.use.highest_speed_rpm
    assert (
        f"valve control holds to {round(rpm, -1):,.0f} rpm, {round(rpm - top, -1):,.0f} over your top rpm"
        in panel.answer.value
    )
    assert "the lifter pumps up" in panel.answer.value and "contact" not in told(panel.answer.value)
    assert f"First touch, a note: at {result.loss_rpm:,.0f} rpm" in told(panel.reasons.value)
    assert panel.later.wait(120)
    doubts = panel.doubts
    assert doubts is not None
    reasons = told(panel.reasons.value)
    assert f"({doubts.band.low_rpm:,.0f} to {doubts.band.high_rpm:,.0f})" in reasons
    assert f"nine of ten tries of both valves hold to {doubts.safe_rpm:,.0f} rpm" in reasons
    assert doubts.safe_rpm >= top and "nowhere below is it more" in reasons
    assert "How to gain 500 rpm" in panel.buys.value and "How sure" in panel.buys.value


def test_the_lesser_of_its_two_valves_is_what_the_comparison_tells(panel: ValvetrainPanel) -> None:
    panel.cam.value = "s-flat"
    panel.which.value = "exhaust"
    result = settled(panel)
    assert panel.later.wait(120) and panel.doubts is not None
    other = panel.doubts.other.crank_rpm
    assert under_control_rpm(result) == pytest.approx(min(result.limit.crank_rpm, other))
    assert other < result.limit.crank_rpm
    assert f"The other valve loses control first, above {round(other, -1):,.0f} rpm" in told(panel.reasons.value)


def test_a_speed_below_that_is_worse_is_told() -> None:
    """Control is weakest at the rung where most is used up; told only where that is more than at the highest speed."""
    held = UsefulLimit(6500.0, Control(6510.0, 1.1, "seat bounce", 2.8e-4, 4), 9000.0, 100)
    rung, top = Control(5200.0, 0.83, "separation", 8.3e-5, 4), Control(6000.0, 0.41, "separation", 4.1e-5, 4)
    said = " ".join(control_reasons(held, held, 6200.0, rung, top, 6000.0))
    assert "weakest at 5,200 rpm, where 83% of what is allowed is used up (41%" in said and "6,200 rpm" in said
    said = " ".join(control_reasons(held, held, 6200.0, top, rung, 6000.0))
    assert "83% of what is allowed is used up at 6,000 rpm; nowhere below is it more" in said
    short = UsefulLimit(5000.0, Control(5010.0, 1.1, "seat bounce", 2.8e-4, 4), 9000.0, 100)
    said = " ".join(control_reasons(held, short, float("nan"), rung, top, 6000.0))
    assert "fewer than nine of ten tries hold even 3,000 rpm" in said and "weakest" not in said


@pytest.mark.parametrize(
    ("limit", "sentence"),
    [
        (UsefulLimit(float("inf"), None, 7200.0, 9), "Valve control holds to 7,200 rpm, as far as we looked."),
        (
            UsefulLimit(0.0, Control(2400.0, 1.2, "separation", 1e-4, 4), 7200.0, 9),
            "Valve control is lost at 2,400 rpm already, the lowest rpm we looked at: the lifter leaves the lobe too "
            "far.",
        ),
        (
            UsefulLimit(4306.0, Control(4312.0, 1.2, "seat bounce", 1e-4, 4), 7200.0, 9),
            "Valve control holds to 4,310 rpm, 490 under your top rpm; beyond it the valve bounces off its seat too "
            "far.",
        ),
    ],
)
def test_every_limit_has_its_sentence(limit: UsefulLimit, sentence: str) -> None:
    assert limit_sentence(limit, 4800.0) == sentence


@pytest.mark.slow
@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("kind", ["h-flat", "s-roller"])
def test_every_slider_holds_at_both_ends(folder: Path, name: str, kind: str) -> None:
    panel = ValvetrainPanel(folder, name)
    panel.cam.value = kind
    for page in range(4):
        panel.pages.selected_index = page
    settled(panel)
    sliders = [x for x in (panel.speed, *panel.controls.every()) if isinstance(x, Slider)]
    assert len(sliders) >= 9
    for slider in sliders:
        before = slider.value
        for end in (slider.low, slider.high):
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
    stiff = panel.controls["model.valvetrain_stiffness"]
    assert stiff.facts["unit"] == "lbf/in"
    stiff.value = 68_500.0  # 12 MN/m
    assert under_control_rpm(settled(panel)) > before
    panel.which.value = "exhaust"
    assert settled(panel).inputs.which == "exhaust"


def test_units_follow_the_switch_and_what_was_moved_stays(panel: ValvetrainPanel) -> None:
    seat = panel.controls["candidates.h-flat.springs.seat_load"]
    seat.value = 140.0
    before = settled(panel)
    assert panel.later.wait(120) and panel.doubts is not None
    moved, band = before.loss_rpm, panel.doubts.band
    panel.system.value = "metric"
    result = settled(panel)
    assert panel.later.wait(120) and panel.doubts is not None
    assert result.loss_rpm == moved and result.run is before.run, "nothing is computed anew"
    assert panel.doubts.band is band and (before.inputs.system, result.inputs.system) == ("us", "metric")
    seat = panel.controls["candidates.h-flat.springs.seat_load"]
    assert seat.facts["unit"] == "N" and seat.value == pytest.approx(140.0 * 4.4482216, rel=1e-3)
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
