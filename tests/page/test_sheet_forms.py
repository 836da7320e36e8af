"""Forms of what a sheet has: only what was changed is written, what is emptied is the library's again."""

from __future__ import annotations

import pytest

import lobeledger as ll
from lobeledger.page.words import sheet_forms as forms
from lobeledger.page.words.forms import FieldTrouble, Form, Understood, written
from lobeledger.parts.build import Build
from lobeledger.parts.spec import Spec
from lobeledger.sheet.change import sheet_text
from lobeledger.sheet.edit import set_fitted
from lobeledger.sheet.open import starter_sheet
from lobeledger.sheet.tables import DATA_DIR

BUDGET = ll.read_build(DATA_DIR / "builds" / "budget-cruiser.toml")
RACER = ll.read_build(DATA_DIR / "builds" / "weekend-racer.toml")
START = ll.build_from_text(starter_sheet())
IN, LBF = 0.0254, 4.4482216152605


def shown(form: Form) -> dict[str, str]:
    """The answers of one who changes nothing."""
    return {key: each.value for key, each in form.fields.items()}


def to_build(build: Build, more: dict[str, str], system: str = "us") -> tuple[Build, Understood]:
    form = forms.build_form(build, system)
    return forms.lines_applied(build, form, {**shown(form), **more}, forms.specs())


# -- the build ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("build", [BUDGET, RACER, START], ids=lambda b: b.name)
def test_who_changes_nothing_changes_nothing(build: Build, system: str) -> None:
    after, said = to_build(build, {}, system)
    assert after is build and said.said == "Nothing was changed." and not said.wrong
    for form in (forms.springs_form, forms.lifters_form, forms.prices_form):
        for c in build.candidates:
            made = form(build, c.id, system)
            if form is forms.prices_form:
                assert forms.prices_applied(build, c.id, shown(made), system)[0] is build
            else:
                assert forms.lines_applied(build, made, shown(made), forms.cam_specs(build, c.id))[0] is build
    assert forms.cams_applied(build, shown(forms.cams_form(build, system)), system)[0] is build


def test_twelve_first_and_every_other_line_folded() -> None:
    form = forms.build_form(BUDGET, "us")
    assert tuple(each.path for each in form.groups[0].fields) == forms.KNOWN_OFFHAND
    assert len(forms.KNOWN_OFFHAND) == 12 and not form.groups[0].folded
    assert all(group.folded for group in form.groups[1:])
    asked = {each.path for group in form.groups for each in group.fields}
    assert asked == {path for path in forms.specs() if not path.startswith("model.")}


def test_what_nobody_wrote_stands_in_grey_with_its_origin() -> None:
    fields = forms.build_form(START, "us").fields
    assert (fields["engine.bore"].value, fields["engine.bore"].unit) == ("4.030", "in")
    assert (fields["vehicle.axle_ratio"].value, fields["vehicle.axle_ratio"].ghost) == ("", "3.42")
    assert fields["vehicle.axle_ratio"].hint == "empty: our guess"
    assert fields["vehicle.booster_vacuum"].unit == "inHg" and fields["vehicle.booster_vacuum"].ghost == "14"
    assert forms.build_form(START, "metric").fields["engine.bore"].value == "102.36"
    assert fields["vehicle.transmission"].options[0] == ("", "automatic (our guess)")
    assert fields["vehicle.brake_booster"].value == "yes"


def test_answers_become_lines() -> None:
    more = {
        "engine.bore": "4.040", "engine.compression": "9.4", "vehicle.transmission": "manual",
        "limits.budget": "3,200", "vehicle.brake_booster": "no", "use.highest_speed": "5200",
        "valvetrain.rocker_ratio": "1.6", "shop.tax": "0.19",
    }  # fmt: skip
    after, said = to_build(BUDGET, more)
    assert not said.wrong and said.said == "8 lines changed."
    assert after.engine.bore_m == pytest.approx(4.04 * IN) and after.limits.budget_money == 3200.0
    assert after.vehicle.transmission == "manual" and after.vehicle.brake_booster is False
    assert all(c.valvetrain.rocker_ratio == 1.6 for c in after.candidates)
    assert sheet_text(after).count("#") >= sheet_text(BUDGET).count("#") - 2
    metric, _ = to_build(BUDGET, {"engine.bore": "103", "vehicle.cruise_speed": "100"}, "metric")
    assert metric.engine.bore_m == pytest.approx(0.103)
    assert metric.vehicle.cruise_speed_m_per_s == pytest.approx(100 / 3.6)


def test_an_emptied_line_is_the_library_s_again() -> None:
    after, said = to_build(BUDGET, {"vehicle.idle_speed": ""})
    assert not said.wrong and not after.data["vehicle.idle_speed"].written
    same, said = to_build(BUDGET, {"engine.bore": ""})
    assert same is BUDGET and "missing" in said.wrong["engine.bore"]


@pytest.mark.parametrize(
    ("more", "key", "words"),
    [
        ({"engine.bore": "40"}, "engine.bore", "lies between 1.181 and 7.874 in"),
        ({"engine.stroke": "6.2", "engine.rod": "3.0"}, "form", "too short"),
        ({"vehicle.octane": "abc"}, "vehicle.octane", "is a number"),
        ({"engine.cylinders": "7.5"}, "engine.cylinders", "whole number"),
        ({"limits.budget": "30 EUR"}, "limits.budget", "USD"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(more: dict[str, str], key: str, words: str) -> None:
    after, said = to_build(BUDGET, more)
    assert after is BUDGET and list(said.wrong) == [key] and words in said.wrong[key]


def test_a_comma_is_understood_or_asked_about() -> None:
    speed = Spec("quantity", "speed", unit="rpm", low=1000.0, high=10000.0)
    assert written(speed, "4,800", "Top rpm", unit="rpm") == "4800 rpm"
    ratio = Spec("number", "ratio", low=1.0, high=2.2)
    assert written(ratio, "1,6", "Ratio") == 1.6
    money = Spec("quantity", "price", unit="money", low=0.0, high=1e7)
    assert written(money, "1,250", "Price", unit="USD", currency="USD") == "1250 USD"
    mass = Spec("quantity", "mass", unit="kg", low=0.0, high=5.0)
    with pytest.raises(FieldTrouble, match="Write 1250 or 1.250"):
        written(mass, "1,250", "Mass", unit="g")


# -- springs, lifters --------------------------------------------------------------------------------------------


def test_springs_of_one_cam() -> None:
    form = forms.springs_form(BUDGET, "h-flat", "us")
    answers = {**shown(form), "candidates.h-flat.springs.seat_load": "120 lb", "candidates.h-flat.springs.rate": "300"}
    after, said = forms.lines_applied(BUDGET, form, answers, forms.cam_specs(BUDGET, "h-flat"))
    assert not said.wrong
    assert after.candidate("h-flat").springs.seat_load_n == pytest.approx(120 * LBF)
    assert after.candidate("s-flat").springs == BUDGET.candidate("s-flat").springs
    bad = {**shown(form), "candidates.h-flat.springs.coil_bind": "1.9"}
    same, said = forms.lines_applied(BUDGET, form, bad, forms.cam_specs(BUDGET, "h-flat"))
    assert same is BUDGET and said.wrong


def test_lifters_ask_for_what_their_kind_has() -> None:
    flat, roller = (set(forms.lifters_form(BUDGET, cid, "us").fields) for cid in ("s-flat", "h-roller"))
    assert "candidates.s-flat.face_diameter" in flat and "candidates.s-flat.intake_lash" in flat
    assert "candidates.h-roller.wheel_diameter" in roller and not [
        key for key in roller if "lash" in key or "crown" in key
    ]


# -- prices ------------------------------------------------------------------------------------------------------


def test_prices_are_found_by_what_they_serve() -> None:
    turned = list(reversed(forms.price_lines(BUDGET, "h-flat")))
    other = ll.change(BUDGET, {"candidates.h-flat.parts": turned})
    for build in (BUDGET, other):
        after, said = forms.prices_applied(build, "h-flat", {"serves lifters": "305", "serves timing": ""}, "us")
        prices = {p.item: p.price_money for p in after.candidate("h-flat").parts}
        assert not said.wrong and prices["camshaft and lifters"] == 305.0 and "timing set" not in prices
        assert prices["gaskets and sealants"] == 60.0
    text = sheet_text(forms.prices_applied(BUDGET, "h-flat", {"serves lifters": "305"}, "us")[0])
    assert "# the need it pays for" in text
    assert text.count("[[candidates.parts]]") == sheet_text(BUDGET).count("[[candidates.parts]]")


def test_what_nobody_priced_can_be() -> None:
    form = forms.prices_form(START, "h-flat", "us")
    assert form.fields["need timing"].ghost == "95" and form.fields["need timing"].hint == "empty: our guess"
    after, said = forms.prices_applied(START, "h-flat", {"need timing": "88"}, "us")
    line = after.candidate("h-flat").parts[-1]
    assert not said.wrong and (line.price_money, line.serves) == (88.0, "timing")
    text = sheet_text(after)
    assert text.count("[[candidates.parts]]") == starter_sheet().count("[[candidates.parts]]") + 1
    assert "need timing" not in forms.prices_form(after, "h-flat", "us").fields


def test_more_lines_and_refusals() -> None:
    after, said = forms.prices_applied(BUDGET, "h-flat", {"new_item": "freeze plugs", "new_price": "12.50"}, "us")
    assert not said.wrong and after.candidate("h-flat").parts[-1].price_money == 12.5
    for answers, key in (
        ({"new_item": "x"}, "new_price"), ({"new_price": "3"}, "new_item"), ({"serves timing": "-4"}, "serves timing"),
        ({k: "" for k in shown(forms.prices_form(BUDGET, "h-flat", "us")) if k.startswith(("serves", "item"))}, "form"),
    ):  # fmt: skip
        same, said = forms.prices_applied(BUDGET, "h-flat", answers, "us")
        assert same is BUDGET and list(said.wrong) == [key], (answers, said.wrong)


def test_prices_of_the_fitted_cam_stay_to_be_seen() -> None:
    fitted = set_fitted(BUDGET, "h-flat")
    form = forms.prices_form(fitted, "h-flat", "us")
    assert "count for nothing" in form.groups[0].note and form.fields["serves lifters"].value == "290"
    assert not [key for key in form.fields if key.startswith("need ") or "fitting_time" in key]


# -- the list of cams --------------------------------------------------------------------------------------------


def test_cams_are_renamed_and_one_is_fitted() -> None:
    answers = {"name h-flat": "The one in it", "fitted": "h-flat", "hours_run": "800", "lobe_wear": "0.001"}
    after, said = forms.cams_applied(BUDGET, answers, "us")
    assert not said.wrong, said.wrong
    assert after.fitted is not None and after.fitted.name == "The one in it"
    assert after.fitted.hours_run_h == 800.0 and after.fitted.lobe_wear_m == pytest.approx(0.001 * IN)
    assert said.said == "Hydraulic flat, 204 deg is now The one in it. The one in it is the cam you run now."
    again = {**shown(forms.cams_form(after, "us")), "fitted": "h-roller", "hours_run": "", "lobe_wear": ""}
    moved, said = forms.cams_applied(after, again, "us")
    assert not said.wrong and moved.fitted is not None and moved.fitted.id == "h-roller"
    assert moved.fitted.hours_run_h is None and moved.candidate("h-flat").parts
    none, said = forms.cams_applied(moved, {**shown(forms.cams_form(moved, "us")), "fitted": ""}, "us")
    assert none.fitted is None and said.said == "No cam is marked as fitted."


def test_cams_are_copied_and_removed() -> None:
    more, said = forms.cam_act(BUDGET, "copy", "h-flat")
    assert said == "Copied Hydraulic flat, 204 deg." and more.candidates[-1].name == "Hydraulic flat, 204 deg, copy"
    twice, _ = forms.cam_act(more, "copy", "h-flat")
    assert twice.candidates[-1].name == "Hydraulic flat, 204 deg, copy 2"
    less, _ = forms.cam_act(twice, "remove", "h-flat")
    assert len(less.candidates) == 5
    one = START
    one, _ = forms.cam_act(one, "remove", "h-flat")
    assert forms.cams_form(one, "us").fields["name h-roller"].acts == (("copy", "Copy"),)


@pytest.mark.parametrize(
    ("answers", "key"),
    [
        ({"name h-flat": "Solid flat, 212 deg"}, "name h-flat"),
        ({"name h-flat": " "}, "name h-flat"),
        ({"fitted": "h-flat", "hours_run": "long"}, "hours_run"),
        ({"fitted": "h-flat", "lobe_wear": "3"}, "lobe_wear"),
    ],
)
def test_refusals_on_the_list_of_cams(answers: dict[str, str], key: str) -> None:
    same, said = forms.cams_applied(BUDGET, answers, "us")
    assert same is BUDGET and list(said.wrong) == [key]
    assert said.wrong[key][0].isupper() and said.wrong[key].endswith(".")
