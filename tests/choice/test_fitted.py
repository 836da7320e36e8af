"""The cam that is in the engine now: nothing to buy, fit or run in; its running costs, its torque and its risk stay."""

from __future__ import annotations

import pytest

import lobeledger as ll
from lobeledger.choice.run_in import run_in_charges, run_in_plan
from lobeledger.choice.stake import precautions_by_worth, tornado
from lobeledger.doubt.draws import chance_path, nominal
from lobeledger.engine.cycle import displacement_m3
from lobeledger.errors import BuildError
from lobeledger.page.paper.customer import customer_sheet_html
from lobeledger.page.paper.order import order_sheet_html
from lobeledger.page.paper.quote import quote_html
from lobeledger.page.paper.run_in import run_sheet_html
from lobeledger.page.words.run_in import run_answer
from lobeledger.parts.build import Build
from lobeledger.parts.pairing import order_list
from lobeledger.sheet.edit import set_fitted
from lobeledger.sheet.tables import DATA_DIR

BUDGET = ll.read_build(DATA_DIR / "builds" / "budget-cruiser.toml")
FLAT = ll.change(set_fitted(BUDGET, "h-flat"), {"candidates.h-flat.hours_run": "900 h"})
ROLLER = set_fitted(BUDGET, "h-roller")
AT_START = ("parts", "machining", "fitting", "break-in", "freight and tax", "surprises")


@pytest.fixture(scope="module")
def before() -> ll.Comparison:
    return ll.compare(BUDGET, trials=2)


@pytest.fixture(scope="module")
def after() -> ll.Comparison:
    return ll.compare(FLAT, trials=2)


def chance(build: Build, candidate_id: str) -> float:
    return float(nominal(build)(chance_path(build.candidate(candidate_id))))


def switched(build: Build, candidate_id: str) -> list[str]:
    return [f.id for f in build.factors_on(build.candidate(candidate_id))]


def test_it_costs_nothing_at_the_start_and_what_it_did_later(before: ll.Comparison, after: ll.Comparison) -> None:
    was, now = before.result("h-flat"), after.result("h-flat")
    sums = [
        {g: sum(float(x.amount) for x in r.lines if x.group == g) for g in {x.group for x in r.lines}}
        for r in (was, now)
    ]
    for group in AT_START:
        assert sums[0].get(group, 0.0) > 0.0 or group == "machining"
        assert sums[1].get(group, 0.0) == 0.0, group
    for group in ("upkeep", "fuel lost to friction"):
        assert sums[0][group] == sums[1][group] > 0.0
    assert now.figures["first_cost"].high == 0.0 and not [
        x for x in now.lines if x.group in ("fitting", "parts", "break-in")
    ]
    assert float(now.figures["gain"].value) == float(was.figures["gain"].value)
    assert {x.limit: x.chance for x in now.limits}["budget"] == 1.0


def test_the_answer_says_keep(after: ll.Comparison) -> None:
    assert after.winner_id == "h-flat" and after.answer.startswith("Keep Hydraulic flat, 204 deg: ")


def test_the_others_stay_as_they_are(before: ll.Comparison, after: ll.Comparison) -> None:
    # Rollers: the kind of lifter now fitted is known to be another, as the block with no provision told already.
    for name in ("s-flat", "h-roller", "s-roller"):
        assert after.result(name).figures["owning"] == before.result(name).figures["owning"], name


def test_a_flat_has_its_run_in_behind_it() -> None:
    # odds after = odds before x 0.2: 1/40 -> 1/39 x 0.2 = 1/195, a chance of 1/196
    assert chance(BUDGET, "h-flat") == pytest.approx(1 / 40)
    assert chance(FLAT, "h-flat") == pytest.approx(1 / 196)
    assert switched(FLAT, "h-flat") == ["run-in-behind"]
    shown = FLAT.data["factors.run-in-behind.odds"]
    assert (shown.low, shown.value, shown.high, shown.origin) == (0.05, 0.2, 0.6, "assumed")


@pytest.mark.parametrize(
    ("hours", "expected"), [("5 h", []), ("20 h", ["run-in-behind"]), ("2000 h", ["run-in-behind"])]
)
def test_first_hours_are_not_yet_behind_it(hours: str, expected: list[str]) -> None:
    assert switched(ll.change(FLAT, {"candidates.h-flat.hours_run": hours}), "h-flat") == expected


def test_a_worn_lobe_raises_the_odds_and_any_factor_can_be_said_off() -> None:
    worn = ll.change(FLAT, {"candidates.h-flat.lobe_wear": "0.003 in"})
    assert switched(worn, "h-flat") == ["run-in-behind", "worn-lobe"] and chance(worn, "h-flat") > chance(
        FLAT, "h-flat"
    )
    assert switched(ll.change(FLAT, {"candidates.h-flat.lobe_wear": "0.001 in"}), "h-flat") == ["run-in-behind"]
    off = ll.change(worn, {"candidates.h-flat.failure.factors_off": "worn-lobe run-in-behind"})
    assert switched(off, "h-flat") == []


def test_what_only_a_cam_that_has_run_has_is_no_factor_of_another() -> None:
    said = {"candidates.h-flat.failure.factors": "run-in-behind"}
    with pytest.raises(BuildError, match="is of the cam that is in the engine now"):
        ll.change(BUDGET, said)
    assert "worn-lobe" not in [f.id for f in BUDGET.factors_for(BUDGET.candidate("h-flat"))]
    assert "worn-lobe" in [f.id for f in FLAT.factors_for(FLAT.candidate("h-flat"))]


def test_lifters_of_the_fitted_flat_are_its_own() -> None:
    used = ll.change(FLAT, {"candidates.h-flat.lifter_state": "used"})
    assert switched(used, "h-flat") == ["run-in-behind"] and not used.candidate("h-flat").has_used_lifters


def test_no_run_in_is_missed_where_it_is_behind() -> None:
    # Run in for five minutes it would have the odds of a run-in left out for three quarters; fitted it has not.
    short = {"candidates.h-flat.run_in_time": "5 min"}
    assert chance(ll.change(BUDGET, short), "h-flat") > 2 * chance(BUDGET, "h-flat")
    assert chance(ll.change(FLAT, short), "h-flat") == chance(FLAT, "h-flat")


def test_the_spring_load_of_its_run_in_no_longer_counts() -> None:
    stiff = {"candidates.h-flat.springs.rate": "600 lbf/in"}
    assert "high-open-load" in switched(ll.change(BUDGET, stiff), "h-flat")
    assert switched(ll.change(FLAT, stiff), "h-flat") == ["run-in-behind"]


def test_rollers_of_unknown_hours_are_used_ones() -> None:
    assert switched(ROLLER, "h-roller") == ["used-rollers"]
    known = ll.change(ROLLER, {"candidates.h-roller.hours_run": "400 h"})
    assert switched(known, "h-roller") == [] and chance(known, "h-roller") == chance(BUDGET, "h-roller")


def test_nothing_is_ordered_prepared_or_run_in_for_it() -> None:
    fitted = FLAT.candidate("h-flat")
    assert order_list(FLAT, fitted) == () and order_list(BUDGET, BUDGET.candidate("h-flat"))
    plan = run_in_plan(FLAT, fitted)
    assert plan.acts == plan.steps == plan.charges == plan.cautions == () and plan.total_money.high == 0.0
    assert run_answer(plan) == "Already fitted and broken in."
    assert run_in_charges(FLAT, fitted, displacement_m3(FLAT.engine), nominal(FLAT)) == []


def test_precautions_were_for_its_run_in() -> None:
    taken = {"candidates.h-flat.failure.precautions": "gauge run-in-oil"}
    assert len(BUDGET.precautions_for(BUDGET.candidate("h-flat"))) > 3
    one = ll.change(FLAT, taken)
    assert one.precautions_for(one.candidate("h-flat")) == one.precautions_on(one.candidate("h-flat")) == ()
    assert ll.compare(one, trials=2).result("h-flat").figures["first_cost"].value == 0.0


def test_it_goes_through_all_that_is_told(after: ll.Comparison) -> None:
    result = after.result("h-flat")
    assert precautions_by_worth(FLAT, result) == []
    assert {bar.path for bar in tornado(FLAT, result)} >= {chance_path(result.candidate), "factors.run-in-behind.odds"}
    page = customer_sheet_html(after)
    assert "Already fitted and broken in." in page and "already fitted" in page.lower()
    assert "Already fitted" in order_sheet_html(after, "h-flat")
    assert "Already fitted" in run_sheet_html(after, "h-flat")
    with pytest.raises(BuildError, match="already fitted"):
        quote_html(after, candidate_id="h-flat")
    assert "first_cost" in after.to_json()


@pytest.mark.parametrize("name", ["s-flat", "h-roller", "s-roller"])
def test_any_kind_can_be_the_one_fitted(name: str) -> None:
    found = ll.compare(set_fitted(BUDGET, name), trials=2, details=False)
    assert found.result(name).figures["first_cost"].value == 0.0 and found.answer
    assert found.build.fitted is not None and found.build.fitted.id == name
