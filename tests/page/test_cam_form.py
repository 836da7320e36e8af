"""The form of a cam: cards, events and the little that is known become lines of a sheet.

What is wrong stands beside its field, and nothing is changed.
"""

from __future__ import annotations

import math

import pytest

import lobeledger as ll
from lobeledger.page.words.cam_form import CamEntry, cam_applied, cam_form
from lobeledger.parts.build import Build
from lobeledger.sheet.change import sheet_text
from lobeledger.sheet.tables import DATA_DIR

BUDGET = ll.read_build(DATA_DIR / "builds" / "budget-cruiser.toml")
IN, DEG = 0.0254, math.pi / 180.0
CARD = {
    "name": "Card 218", "like": "h-flat", "at_low": "0.006",
    "intake_low": "264", "intake_mid": "212", "intake_lift": ".290",
    "exhaust_low": "272", "exhaust_mid": "220", "exhaust_lift": ".300",
    "lsa": "112", "icl": "108", "price": "310",
}  # fmt: skip
EVENTS = {
    "name": "Factory", "like": "h-flat", "way": "events", "at_events": "0.050",
    "intake_open": "-2", "intake_close": "34", "intake_lift": "0.28",
    "exhaust_open": "40", "exhaust_close": "-4", "exhaust_lift": "0.285",
}  # fmt: skip
KNOWN = {
    "name": "Little known", "like": "h-roller", "way": "known", "same": "yes",
    "intake_mid": "210", "intake_lift": "0.310",
}  # fmt: skip


def taken(answers: dict[str, str], build: Build = BUDGET, system: str = "us") -> tuple[Build, CamEntry]:
    after, entry = cam_applied(build, answers, system)
    assert entry.understood.wrong == {}, entry.understood.wrong
    return after, entry


def wrong(answers: dict[str, str], system: str = "us") -> dict[str, str]:
    after, entry = cam_applied(BUDGET, answers, system)
    assert after is BUDGET and entry.understood.wrong
    for sentence in entry.understood.wrong.values():
        assert sentence[0].isupper() and sentence.endswith(".") and sentence.isprintable() and len(sentence) < 260
    return dict(entry.understood.wrong)


def remarks(text: str) -> list[str]:
    return [line.partition("#")[2] for line in text.splitlines() if "#" in line]


# -- a card ------------------------------------------------------------------------------------------------------


def test_a_card_becomes_a_new_cam() -> None:
    after, entry = taken(CARD)
    cam = after.candidate("card-218")
    assert [c.id for c in after.candidates][:-1] == [c.id for c in BUDGET.candidates]
    assert [(p.at_m, p.duration_rad) for p in cam.intake.points] == [
        (pytest.approx(0.006 * IN), pytest.approx(264 * DEG)), (pytest.approx(0.05 * IN), pytest.approx(212 * DEG)),
    ]  # fmt: skip
    assert cam.exhaust.lobe_lift_m == pytest.approx(0.3 * IN) and cam.lobe_separation_rad == pytest.approx(112 * DEG)
    assert cam.intake_centreline_rad == pytest.approx(108 * DEG)
    assert cam.springs == BUDGET.candidate("h-flat").springs
    assert [p.price_money for p in cam.parts] == [310.0, *(p.price_money for p in BUDGET.candidate("h-flat").parts[1:])]
    assert after.data["candidates.card-218.lobe_separation"].origin == "card"
    assert entry.understood.said == "Added Card 218."
    assert remarks(sheet_text(after)) == remarks(sheet_text(BUDGET)) and len(remarks(sheet_text(after))) > 80


def test_a_card_can_take_the_place_of_another() -> None:
    answers = {**CARD, "do": "change", "target": "h-flat", "name": ""}
    after, entry = taken(answers)
    cam = after.candidate("h-flat")
    assert len(after.candidates) == 4 and cam.name == "Hydraulic flat, 204 deg" and len(cam.intake.points) == 2
    assert cam.parts[0].price_money == 310.0 and cam.parts[0].serves == "lifters"
    assert entry.understood.said == "Changed Hydraulic flat, 204 deg."
    text = sheet_text(after)
    assert len(remarks(text)) >= len(remarks(sheet_text(BUDGET))) - 4
    assert '  { at = "0.006 in", duration = "264 deg" },\n' in text


def test_one_pattern_for_both() -> None:
    after, _ = taken({**CARD, "same": "yes", "exhaust_low": "", "exhaust_mid": "", "exhaust_lift": ""})
    assert after.candidate("card-218").intake == after.candidate("card-218").exhaust
    again, _ = taken({**CARD, "do": "change", "target": "card-218"}, after)
    assert again.candidate("card-218").exhaust.lobe_lift_m == pytest.approx(0.3 * IN)
    back, _ = taken({**CARD, "do": "change", "target": "card-218", "same": "yes"}, again)
    assert back.candidate("card-218").intake == back.candidate("card-218").exhaust
    assert len(remarks(sheet_text(back))) == len(remarks(sheet_text(BUDGET)))


def test_no_installed_centerline_is_a_guess_with_a_range() -> None:
    after, entry = taken({**CARD, "icl": ""})
    datum = after.data["candidates.card-218.intake_centreline"]
    assert datum.origin == "assumed" and datum.value == pytest.approx(108 * DEG)
    assert (datum.low, datum.high) == (pytest.approx(104 * DEG), pytest.approx(112 * DEG))
    assert "We guessed an intake centerline of 108°" in entry.understood.said


def test_lifts_at_the_valve() -> None:
    # 0.435 in at the valve over rockers of 1.5 is 0.290 in of lobe.
    after, _ = taken({**CARD, "lift_of": "valve", "intake_lift": "0.435", "exhaust_lift": "0.450"})
    assert after.candidate("card-218").intake.lobe_lift_m == pytest.approx(0.29 * IN)
    # The same card quoted with rockers of 1.6: 0.464 in at the valve is the same lobe, whatever the engine has.
    other, _ = taken({**CARD, "lift_of": "valve", "card_ratio": "1.6", "intake_lift": "0.464", "exhaust_lift": "0.48"})
    assert other.candidate("card-218").intake.lobe_lift_m == pytest.approx(0.29 * IN)
    # Durations at 0.050 in of valve lift are at 0.0333 in of lobe lift with 1.5.
    valve, _ = taken({**CARD, "at_of": "valve"})
    assert valve.candidate("card-218").intake.points[1].at_m == pytest.approx(0.05 / 1.5 * IN)
    given, _ = taken({**CARD, "at_of": "valve", "card_ratio": "1.6"})
    assert given.candidate("card-218").intake.points[1].at_m == pytest.approx(0.05 / 1.6 * IN, rel=1e-5)


def test_metric_cards_and_units_of_their_own() -> None:
    metric = {
        **CARD, "at_low": "0.15", "at_mid": "1", "intake_lift": "7,37", "exhaust_lift": "7.62 mm", "at_high": "5.08",
    }  # fmt: skip
    after, _ = taken(metric, system="metric")
    cam = after.candidate("card-218")
    assert cam.intake.lobe_lift_m == pytest.approx(0.00737) and cam.intake.points[1].at_m == pytest.approx(0.001)
    mixed, _ = taken({**CARD, "intake_lift": "7.37 mm", "at_low": '0.006"', "lsa": "112°"})
    assert mixed.candidate("card-218").intake.lobe_lift_m == pytest.approx(0.00737)


def test_an_advertised_duration_without_its_lift_is_refused_with_the_reason() -> None:
    found = wrong({**CARD, "at_low": ""})
    assert list(found) == ["at_low"] and "Makers differ" in found["at_low"]
    after, _ = taken({**CARD, "at_low": "", "intake_low": "", "exhaust_low": ""})
    assert len(after.candidate("card-218").intake.points) == 1


def test_an_empty_form_says_what_is_missing() -> None:
    found = wrong({})
    assert set(found) == {"name", "intake_mid", "intake_lift", "exhaust_mid", "exhaust_lift", "lsa"}
    assert found["intake_mid"] == "Duration is missing."


@pytest.mark.parametrize(
    ("change", "key", "words"),
    [
        ({"intake_lift": "2.9"}, "intake_lift", "this is 2.9"),
        ({"intake_mid": "abc"}, "intake_mid", "is a number in degrees"),
        ({"intake_mid": "280"}, "intake_mid", "must be shorter"),
        ({"intake_high": "230"}, "intake_high", "must be shorter"),
        ({"lsa": "212"}, "lsa", "lies between 85 and 135"),
        ({"name": "hydraulic flat, 204 deg"}, "name", "already"),
        ({"like": "nobody"}, "like", "Choose one"),
        ({"intake_lash": "0.01"}, "intake_lash", "Hydraulic lifters"),
        ({"at_low": "0.05"}, "at_mid", "Two durations"),
        ({"intake_lift": "0.045"}, "intake_lift", "above the lifts"),
        ({"price": "3,10"}, "price", ""),
        ({"exhaust_lift": "0.3 stone"}, "exhaust_lift", "unit"),
        ({"name": "x" * 90}, "name", "80"),
        ({"lsa": "1,112,1"}, "lsa", "is a number"),
    ],
)  # fmt: skip
def test_what_is_wrong_stands_beside_its_field(change: dict[str, str], key: str, words: str) -> None:
    if not words:
        after, _ = taken({**CARD, **change})
        assert after.candidate("card-218").parts[0].price_money == pytest.approx(3.10)
        return
    found = wrong({**CARD, **change})
    assert list(found) == [key] and words in found[key]


def test_a_lobe_that_hangs_over_its_lifter_is_taken_and_told_later() -> None:
    after, _ = taken({**CARD, "intake_lift": "0.45", "exhaust_lift": "0.45"})
    assert not ll.compare(after, trials=2).result("card-218").passes


# -- events ------------------------------------------------------------------------------------------------------


def test_events_make_duration_centerline_and_separation() -> None:
    # 180 - 2 + 34 = 212, its middle 106 + 2 = 108 after TDC; 180 + 40 - 4 = 216, its middle 108 + 4 = 112 before TDC.
    after, entry = taken(EVENTS)
    cam = after.candidate("factory")
    assert [p.duration_rad for p in cam.intake.points] == [pytest.approx(212 * DEG)]
    assert [p.duration_rad for p in cam.exhaust.points] == [pytest.approx(216 * DEG)]
    assert cam.intake_centreline_rad == pytest.approx(108 * DEG) and cam.lobe_separation_rad == pytest.approx(110 * DEG)
    assert "Exact only where both sides of a lobe are alike." in entry.understood.said
    assert after.data["candidates.factory.lobe_separation"].origin == "computed"


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"intake_close": "200"}, "intake_close"),
        ({"intake_open": ""}, "intake_open"),
        ({"at_events": ""}, "at_events"),
        ({"intake_open": "60", "intake_close": "20"}, "intake_open"),
        ({"exhaust_open": "-50", "exhaust_close": "90"}, "exhaust_open"),
    ],
)  # fmt: skip
def test_events_that_cannot_be(change: dict[str, str], key: str) -> None:
    assert key in wrong({**EVENTS, **change})


# -- little known ------------------------------------------------------------------------------------------------


def test_one_duration_and_lift_are_enough() -> None:
    after, entry = taken(KNOWN)
    cam = after.candidate("little-known")
    assert cam.follower == "roller" and len(cam.intake.points) == 1 and cam.intake == cam.exhaust
    for key, low, high in (("lobe_separation", 106, 114), ("intake_centreline", 102, 110)):
        datum = after.data[f"candidates.little-known.{key}"]
        assert datum.origin == "assumed"
        assert (datum.low, datum.high) == (pytest.approx(low * DEG), pytest.approx(high * DEG))
    assert entry.understood.said.count("We guessed") == 2


@pytest.mark.parametrize("kind", ["new flat hydraulic", "new flat solid", "new roller hydraulic", "new roller solid"])
def test_of_a_kind_that_no_cam_on_the_list_is(kind: str) -> None:
    lash = {"intake_lash": "0.018", "exhaust_lash": "0.020"} if "solid" in kind else {}
    low = {"at_low": "0.020"} if "solid" in kind else {}
    after, _ = taken({**CARD, **lash, **low, "like": kind})
    cam = after.candidate("card-218")
    assert f"new {cam.follower} {cam.lifter}" == kind and [p.item for p in cam.parts] == ["camshaft"]
    assert cam.intake_lash_m == pytest.approx(0.018 * IN if lash else 0.0)
    assert "price" in wrong({**CARD, **lash, **low, "like": kind, "price": ""})
    own, _ = taken({**CARD, **lash, **low, "like": kind, "lifter_price": "500"})
    assert own.candidate("card-218").parts[1].serves == ("lifters" if "flat" in kind else "link-bars")


# -- prices ------------------------------------------------------------------------------------------------------


def test_prices_go_by_what_they_serve() -> None:
    roller, _ = taken({**KNOWN, "price": "400", "lifter_price": "500"})
    was = {p.item: p.price_money for p in BUDGET.candidate("h-roller").parts}
    now = {p.item: p.price_money for p in roller.candidate("little-known").parts}
    assert now == {**was, "camshaft": 400.0, "link-bar lifters": 500.0}
    flat, _ = taken({**CARD, "price": "200", "lifter_price": "150"})
    parts = flat.candidate("card-218").parts
    assert [(p.item, p.price_money, p.serves) for p in parts[:2]] == [
        ("camshaft", 200.0, None),
        ("lifters", 150.0, "lifters"),
    ]
    assert list(wrong({**CARD, "price": "", "lifter_price": "150"})) == ["price"]


# -- the form itself ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("system", ["us", "metric"])
def test_every_field_has_a_name_and_every_condition_a_field(system: str) -> None:
    form = cam_form(BUDGET, system)
    keys = [each.key for group in form.groups for each in group.fields]
    assert len(keys) == len(set(keys)) == len(form.fields)
    for each in form.fields.values():
        assert each.label and each.label[0].isupper()
        for other, values in each.when:
            options = {value for value, _ in form.fields[other].options} | {"", "yes"}
            assert set(values) <= options
    text = str(form.as_data())
    for word in ("centreline", "colour", "jerk", "nominal", "draws"):
        assert word not in text


# -- a cam on the list -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("cam", [c.id for c in BUDGET.candidates])
def test_its_card_stands_in_the_form_and_sent_back_changes_nothing(cam: str, system: str) -> None:
    form = cam_form(BUDGET, system, changing=cam)
    answers = {key: each.value for key, each in form.fields.items()}
    assert answers["do"] == "change" and answers["target"] == cam and answers["intake_mid"]
    after, entry = taken(answers, system=system)
    assert after is BUDGET and entry.understood.said == "Nothing was changed."


def test_only_what_was_changed_is_written() -> None:
    known = {"value": "204 deg", "pm": "2 deg", "origin": "measured"}
    path = "candidates.h-flat.intake.durations"
    points = [{"at": "0.006 in", "duration": "256 deg"}, {"at": "0.050 in", "duration": known}]
    build = ll.change(BUDGET, {path: points})
    answers = {key: each.value for key, each in cam_form(build, "us", changing="h-flat").fields.items()}
    assert answers["intake_high"] == "" and answers["exhaust_high"] == "118"
    after, entry = taken({**answers, "intake_lift": "0.284", "icl": "106"}, build)
    assert after.candidate("h-flat").intake.lobe_lift_m == pytest.approx(0.284 * IN)
    assert after.data[f"{path}.1.duration"].origin == "measured" and after.data[f"{path}.1.duration"].low is not None
    assert after.candidate("h-flat").intake_centreline_rad == pytest.approx(106 * DEG)
    assert after.data["candidates.h-flat.lobe_separation"].origin == "given" and entry.understood.said.startswith(
        "Changed"
    )


def test_a_card_that_holds_more_is_not_half_shown() -> None:
    more = {"candidates.h-flat.intake.ramp_velocity": "0.0004 in/deg"}
    form = cam_form(ll.change(BUDGET, more), "us", changing="h-flat")
    assert form.fields["intake_mid"].value == "" and "holds more than fits here" in form.groups[0].note


def test_an_exhaust_that_followed_the_intake_stands_by_itself_once_it_is_entered() -> None:
    same, _ = taken({**CARD, "same": "yes"})
    answers = {key: each.value for key, each in cam_form(same, "us", changing="card-218").fields.items()}
    assert answers["same"] == "yes"
    after, _ = taken({**answers, "same": "", "intake_lift": "0.280"}, same)
    cam = after.candidate("card-218")
    assert cam.intake.lobe_lift_m == pytest.approx(0.28 * IN) and cam.exhaust.lobe_lift_m == pytest.approx(0.29 * IN)
