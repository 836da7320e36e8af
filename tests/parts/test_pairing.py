"""Parts that go together: each rule fires where it should and nowhere else, and what it adds costs what it says.

The rules are common practice; two of their formulas are geometry and are checked by sums on paper. No published
table of such rules was found, so the outside check is each rule's own opposite.
"""

from __future__ import annotations

import dataclasses
import functools
from html import unescape
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lobeledger import build_from_text, change, compare, read_build
from lobeledger.choice import cost
from lobeledger.choice.stake import stake
from lobeledger.doubt import draws
from lobeledger.errors import BuildError, OutOfRange
from lobeledger.page.paper.order import order_sheet_html
from lobeledger.page.words.break_in import order_tables, stake_tables, tables_html
from lobeledger.parts.candidate import Price
from lobeledger.parts.conditions import parse
from lobeledger.parts.facts import oil_band_travel_m, pushrod_length_change_m
from lobeledger.parts.pairing import (
    added_lines,
    order_list,
    rule_of,
    stops,
    unpriced_lines,
)
from lobeledger.parts.spec import ORIGINS
from lobeledger.sheet.open import starter_sheet
from lobeledger.sheet.tables import DATA_DIR, read_pairing

INCH = 0.0254
LBF = 4.4482216152605  # N, exact by definition of the pound and of standard gravity
FUEL = cost.FuelUse(displacement_m3=0.005, valvetrain_friction_pa=20e3, mean_speed_rpm=2400.0)
RULES = {rule.id: rule for rule in read_pairing()}
NEEDS = sorted({need for rule in RULES.values() for need in rule.needs})
BUILDS = sorted((DATA_DIR / "builds").glob("*.toml"))
F, R = "candidates.h-flat.", "candidates.h-roller."


@functools.cache
def starter(*pairs: tuple[str, object]):
    build = build_from_text(starter_sheet())
    return change(build, dict(pairs)) if pairs else build


def rules_of(build, candidate_id):
    return {line.rule for line in order_list(build, build.candidate(candidate_id))}


def bought(build, candidate_id):
    return {line.rule for line in added_lines(build, build.candidate(candidate_id))}


# rule -> candidate, changes under which it holds, changes under which it does not
TRIED: dict[str, tuple[str, dict[str, object], dict[str, object]]] = {
    "flat-used": ("h-flat", {F + "lifter_state": "used"}, {}),
    "flat-lifters": ("h-flat", {}, {"@": "h-roller"}),
    "lube": ("h-flat", {}, {}),
    "used-rollers-bars": (
        "h-roller",
        {R + "lifter_state": "used", R + "parts.1.serves": ""},
        {R + "parts.1.serves": ""},
    ),
    "oil-band-bore": (
        "h-roller",
        {"block.oil_band": "0.70 in", "block.lifter_bore_height": "1.90 in"},
        {
            "block.oil_band": "0.70 in",
            "block.lifter_bore_height": "1.90 in",
            "block.fitted_base_circle_radius": "0.550 in",
        },
    ),
    "roller-guides-missing": ("h-roller", {R + "parts.1.serves": "lifters"}, {}),
    "link-bars": ("h-roller", {}, {"block.lifter_provision": "factory guides"}),
    "roller-lifters": ("h-roller", {"block.lifter_provision": "factory guides"}, {}),
    "lifter-guides": ("h-roller", {"block.lifter_provision": "factory guides"}, {}),
    "oil-band-low": (
        "h-roller",
        {"block.oil_band": "0.02 in", "block.fitted_base_circle_radius": "0.600 in"},  # 0.02 - 0.05 < 0
        {"block.oil_band": "0.06 in", "block.fitted_base_circle_radius": "0.600 in"},  # 0.06 - 0.05 > 0
    ),
    "oil-band-high": (
        "h-roller",
        {"block.oil_band": "0.70 in", "block.lifter_bore_height": "1.01 in"},  # 0.70 + 0.315 > 1.01
        {"block.oil_band": "0.70 in", "block.lifter_bore_height": "1.02 in"},
    ),
    "oil-band-measure": (
        "h-roller",
        {},
        {"block.oil_band": "0.70 in"},
    ),
    "cam-button": ("h-roller", {}, {"block.cam_retention": "plate"}),
    "cam-play": ("h-roller", {"block.cam_retention": "button"}, {}),
    "cam-taper": ("h-flat", {}, {"@": "h-roller"}),
    "gear-steel-core": ("h-roller", {}, {"block.distributor_gear": "polymer"}),
    "gear-bronze": ("h-flat", {"block.distributor_gear": "bronze"}, {}),
    "gear-hard-on-iron": ("h-flat", {"block.distributor_gear": "steel"}, {}),
    "pushrods-kind": ("h-roller", {}, {"block.fitted_lifter": "roller"}),
    "pushrods-length": (
        "h-flat",
        {"block.fitted_base_circle_radius": "0.571 in", F + "lifter_seat_change": "0 in"},  # 0.021 in longer
        {"block.fitted_base_circle_radius": "0.569 in", F + "lifter_seat_change": "0 in"},  # 0.019 in longer
    ),
    "pushrods-measure": ("h-flat", {}, {}),
    "pushrod-holes": ("h-flat", {"valvetrain.rocker_ratio": 1.6}, {}),
    "roller-springs": ("h-roller", {}, {"@": "h-flat"}),
    "flat-springs": ("h-flat", {}, {"@": "h-roller"}),
    "spring-seats": ("h-roller", {"springs": {"inner_seat_load": "60 lbf", "inner_rate": "90 lbf/in"}}, {}),
    # Valve lift 1.5 x 0.285 in = 0.4275 in with a lifter that has not leaked, limit 0.060 in: needs 0.4875 in.
    "coil-bind": (
        "h-flat",
        {"springs": {"installed_height": "1.700 in", "coil_bind": "1.213 in"}},
        {"springs": {"installed_height": "1.700 in", "coil_bind": "1.212 in"}},
    ),
    "retainer-seal": (
        "h-flat",
        {"springs": {"retainer_to_seal": "0.487 in"}},
        {"springs": {"retainer_to_seal": "0.488 in"}},
    ),
    # Open load without take-up: 115 + 1.5 x 0.285 x rate lbf.
    "studs": (
        "h-flat",
        {"engine.rocker_studs": "pressed", "springs": {"seat_load": "115 lbf", "rate": "433 lbf/in"}},  # 300.1
        {"engine.rocker_studs": "pressed", "springs": {"seat_load": "115 lbf", "rate": "432 lbf/in"}},  # 299.7
    ),
    "studs-unknown": (
        "h-flat",
        {"springs": {"seat_load": "115 lbf", "rate": "433 lbf/in"}},
        {"engine.rocker_studs": "screw-in", "springs": {"seat_load": "115 lbf", "rate": "433 lbf/in"}},
    ),
    "adjusters": ("h-flat", {F + "lifter": "solid"}, {}),
    "pump-rod": ("h-roller", {"block.fuel_pump_eccentric": True}, {}),
    "eccentric": ("h-flat", {"block.fuel_pump_eccentric": True}, {}),
    "timing": ("h-flat", {}, {}),
    "piston-clearance": ("h-roller", {}, {}),
    "oil-flat": ("h-flat", {}, {"@": "h-roller"}),
    "oil-roller": ("h-roller", {}, {"@": "h-flat"}),
}
ALWAYS = {"pushrods-measure", "timing", "piston-clearance", "lube"}


def tried(changes: dict[str, object], candidate_id: str):
    plain = {path: value for path, value in changes.items() if path != "@"}
    return change(starter(), plain) if plain else starter(), str(changes.get("@", candidate_id))


def test_every_rule_is_tried() -> None:
    assert set(TRIED) == set(RULES)
    assert {rule.id for rule in RULES.values() if rule.when.count == 0} == ALWAYS


@pytest.mark.parametrize("rule", sorted(TRIED))
def test_each_rule_fires_and_does_not_fire(rule: str) -> None:
    candidate_id, fires, rests = TRIED[rule]
    assert rule in rules_of(*tried(fires, candidate_id))
    if rule not in ALWAYS:
        assert rule not in rules_of(*tried(rests, candidate_id))


@pytest.mark.parametrize("rule", sorted(r.id for r in RULES.values() if r.needs))
def test_a_covered_need_adds_nothing(rule: str) -> None:
    candidate_id, fires, _ = TRIED[rule]
    build, at = tried(fires, candidate_id)
    candidate = build.candidate(at)
    for need in RULES[rule].needs:
        line = Price(item="ours", price_money=1.0, quantity=1, group="parts", core_charge_money=0.0, serves=need)
        covered = dataclasses.replace(candidate, parts=(line,))
        found = {each.rule: each for each in order_list(build, covered)}
        # An electric pump makes the search for the eccentric needless: the rule itself rests.
        if rule in found:
            assert found[rule].covered_by == "ours" and not found[rule].is_added
    bare = dataclasses.replace(candidate, parts=(dataclasses.replace(candidate.parts[0], serves=""),))
    assert (rule in {each.rule for each in added_lines(build, bare)}) == RULES[rule].costs


# -- formulas, against sums on paper ------------------------------------------------------------------------


def test_pushrod_length_by_hand() -> None:
    # Seat 0.400 in higher on a base circle 0.015 in smaller: the rod's foot is 0.385 in higher.
    assert pushrod_length_change_m(
        seat_height_change_m=0.400 * INCH, base_radius_change_m=-0.015 * INCH
    ) == pytest.approx(-0.385 * INCH, abs=1e-12)
    # Same lifter on a base circle ground 0.050 in smaller: 0.050 in longer.
    assert pushrod_length_change_m(seat_height_change_m=0.0, base_radius_change_m=-0.050 * INCH) == pytest.approx(
        0.050 * INCH, abs=1e-12
    )


def test_pushrod_change_reaches_the_list() -> None:
    build = starter(
        ("block.fitted_base_circle_radius", "0.565 in"), (R + "lifter_seat_change", "0.400 in")
    )  # base circle 0.550 in now
    lines = [x for x in order_list(build, build.candidate("h-roller")) if x.rule.startswith("pushrods")]
    assert [x.change_m for x in lines] == pytest.approx([-0.385 * INCH] * len(lines), abs=1e-12)
    # Kind and length both ask for a set; it is bought once.
    assert [x.is_added for x in lines] == [True, False, False]


def test_oil_band_by_hand() -> None:
    low, high = oil_band_travel_m(band_height_m=0.75 * INCH, base_radius_change_m=-0.02 * INCH, lobe_lift_m=0.35 * INCH)
    assert (low, high) == pytest.approx((0.73 * INCH, 1.08 * INCH), abs=1e-12)
    with pytest.raises(OutOfRange, match="not negative"):
        oil_band_travel_m(band_height_m=0.02, base_radius_change_m=0.0, lobe_lift_m=-0.001)


def test_clearances_of_the_rules_are_those_of_the_limits() -> None:
    # A hydraulic's take-up, 1.5 x 0.006 in, lies between the two tries: rule and limit must count it alike.
    near = [starter((F + "springs.coil_bind", bind)) for bind in ("1.315 in", "1.310 in")]
    near += [starter((F + "springs.retainer_to_seal", seal)) for seal in ("0.485 in", "0.490 in")]
    # clearances do not wait for the tries of the speed
    for build in [*map(read_build, BUILDS), *near]:
        for result in compare(build, trials=0).results:
            known = build.facts(result.candidate)
            for fact, key, least in (
                ("bind", "coil_bind", build.limits.coil_bind_clearance_m),
                ("retainer", "retainer", build.limits.retainer_clearance_m),
            ):
                assert known[fact] == ("short" if result.figures[key].value < least else "enough")


# -- money --------------------------------------------------------------------------------------------------


def test_added_lines_to_the_cent() -> None:
    """A hydraulic roller in a block with nothing for it, and a sheet that forgot five things."""
    build = starter()
    candidate = build.candidate("h-roller")
    assert bought(build, "h-roller") == {"cam-button", "gear-steel-core", "pushrods-kind", "timing", "lube"}
    everything = dataclasses.replace(
        candidate,
        parts=(
            *candidate.parts[:-1],
            dataclasses.replace(candidate.parts[-1], serves="springs retention gear pushrods timing lube"),
        ),
    )
    with_rules, without = (
        cost.first_cost(cost.cost_lines(build, each, FUEL, draws.nominal(build)), each, draws.nominal(build))
        for each in (candidate, everything)
    )
    # Goods: button 30 + gear 85 + pushrods 150 + timing 95 + lube 18 = 378 USD. Labour: 0.5 + 0.5 + 1 h at 115 USD/h
    # = 230. Freight 3 % of 378 = 11.34; tax 7 % of 389.34 = 27.2538; allowance of 8 % on 378 + 230 + 11.34 + 27.2538.
    assert with_rules - without == pytest.approx(1.08 * (378 + 230 + 11.34 + 27.2538), abs=1e-9)


def test_sixteen_studs_are_machining_and_not_freight() -> None:
    build, _ = tried(TRIED["studs"][1], "h-flat")
    lines = cost.cost_lines(build, build.candidate("h-flat"), FUEL, draws.nominal(build))
    studs = [x for x in lines if "stud" in x.text]
    assert [(x.group, float(x.amount)) for x in studs] == [("machining", 160.0), ("fitting", 16 * 0.25 * 115.0)]
    freight = next(x for x in lines if x.text == "Freight on goods")
    assert float(freight.amount) == pytest.approx(
        0.03 * (320 + 95 + 18), abs=1e-9
    )  # cam with lifters, timing set, lube


def test_draws_stay_within_a_rules_range() -> None:
    build = starter()
    drawn = draws.draws(build)("pairing.cam-button.price")
    assert 18.0 <= drawn.min() < 20.0 and 55.0 < drawn.max() <= 60.0
    assert draws.nominal(build, {"pairing.cam-button.price": 44.0})("pairing.cam-button.price") == 44.0


def test_what_is_added_is_listed_as_assumed_and_said() -> None:
    comparison = compare(starter())
    assumed = comparison.assumptions
    rows = assumed[assumed["path"] == "pairing.gear-steel-core.price"]
    assert rows["origin"].tolist() == ["assumed"]
    said = comparison.cautions("h-roller")
    assert any("No price on your sheet for these" in each and "distributor gear" in each for each in said)


EURO_SHOP = """
[shop]
labour_rate = "90 EUR/h"
dyno_rate = "120 EUR/h"
fuel_price = "1.8 EUR/L"
run_in_oil = "100 EUR"

[limits]
torque_worth = "50 EUR"
"""
EURO_CANDIDATE = """spring_set_price = "200 EUR"

[candidates.failure]
cost = "3000 EUR"

[candidates.intake]"""


@functools.cache
def euro(*pairs: tuple[str, object]):
    """The starter sheet in euros with no price of ours left in it, and no zero written out."""
    text = starter_sheet().replace("USD", "EUR").replace("[limits]", EURO_SHOP)
    build = build_from_text(text.replace("[candidates.intake]", EURO_CANDIDATE))
    return change(build, dict(pairs)) if pairs else build


def test_what_has_no_price_in_the_sheet_s_currency_stops_the_candidate() -> None:
    build = euro()
    assert {"timing", "lube"} <= bought(build, "h-flat")
    assert {x.rule for x in unpriced_lines(build, build.candidate("h-flat"))} == bought(build, "h-flat")
    costs = cost.cost_lines(build, build.candidate("h-flat"), FUEL, draws.nominal(build))
    assert not any("timing set" in x.text for x in costs)
    comparison = compare(build)
    result = comparison.result("h-flat")
    (broken,) = (b for b in comparison.broken("h-flat") if b.limit == "unpriced")
    assert (
        "enter prices in EUR for: " in broken.text
        and "timing set" in broken.text
        and "that serve timing, lube" in broken.give
    )
    assert not result.passes and "timing set" in comparison.verdict
    assert not any("we used our own" in x for x in comparison.cautions("h-flat"))
    with pytest.raises(OutOfRange, match="no price in EUR"):
        draws.nominal(build)("pairing.timing.price")


def test_a_price_line_in_that_currency_lets_it_pass() -> None:
    line = ("candidates.h-flat.parts.0.serves", "lifters timing lube")
    result = compare(euro(line)).result("h-flat")
    assert "unpriced" not in {b.limit for b in result.broken}
    # With a winner the search for what flips it finds no price where upkeep is never done, and does without.
    text = starter_sheet().replace("USD", "EUR").replace("[limits]", EURO_SHOP)
    never = EURO_CANDIDATE.replace('spring_set_price = "200 EUR"', 'spring_change_every = "0 h"')
    build = build_from_text(text.replace("[candidates.intake]", never))
    assert build.candidate("h-flat").spring_set_price_money is None
    comparison = compare(change(build, dict([line, ("limits.budget", "9000 EUR"), ("vehicle.brake_booster", False)])))
    assert comparison.winner_id == "h-flat"


def test_the_order_list_says_what_has_no_price() -> None:
    comparison = compare(euro())
    html = order_sheet_html(comparison, "h-flat")
    assert html.count("<td>ask</td>") == 2 and "with 2 things still without a price" in html
    assert "added at the library" not in html
    screen = tables_html(order_tables(comparison, "h-flat"))
    assert screen.count("no price in EUR: write one") == 2
    assert "<td>ask</td>" not in order_sheet_html(compare(starter()), "h-flat")


def test_the_stakes_say_what_they_leave_out() -> None:
    text = tables_html(stake_tables(stake(compare(euro()).decision, count=1000), "h-flat"))
    assert "What must be bought is left out: the library&#39;s prices are in USD" in text
    assert "face through a hole" not in text


def test_deposits_and_the_oil_stand_on_the_order_list() -> None:
    build = starter((F + "parts.0.core_charge", "45 USD"), ("shop.run_in_oil", "99.50 USD"))
    html = order_sheet_html(compare(build), "h-flat")
    assert "a core charge of 45.00, refunded for the old part" in html and "core charges 45.00" in html
    assert "break-in oil, or oil and the additive" in html and "99.50" in html
    assert "the engine&#39;s own oil" in order_sheet_html(compare(build), "h-roller")


def test_what_is_done_without_buying_is_not_only_kept_in_mind() -> None:
    left_out = (F + "failure.factors", "no-gauge no-priming")
    html = order_sheet_html(compare(starter(left_out, (F + "failure.precautions", "gauge prime"))), "h-flat")
    done = html[html.index("Also do") :]
    assert "gauge the crown" in done and "prime the oil pump" in done


def test_an_order_list_says_first_what_stops_it() -> None:
    bound = compare(starter((F + "springs.coil_bind", "1.640 in")))
    for text in (order_sheet_html(bound, "h-flat"), tables_html(order_tables(bound, "h-flat"))):
        said = unescape(text)
        assert said.index("Don't order this yet") < said.index("camshaft and lifters")
        assert "coil bind" in said and "To fix it" in said
    assert "spring seats, for a taller" in order_sheet_html(bound, "h-flat")
    assert "Don't order" not in unescape(order_sheet_html(compare(starter()), "h-flat"))


def test_a_line_of_none_serves_nothing() -> None:
    none = starter((F + "parts.0.quantity", 0))
    assert "flat-lifters" in bought(none, "h-flat") and "flat-lifters" not in bought(starter(), "h-flat")


def test_used_lifters_are_not_bought_and_new_ones_mend_it() -> None:
    used = starter((F + "lifter_state", "used"), (F + "parts.0.serves", ""))
    assert "flat-lifters" not in bought(used, "h-flat") and stops(used, used.candidate("h-flat"))
    # To say it as a factor is to say it.
    word = starter((F + "failure.factors", "used-lifters"))
    assert stops(word, word.candidate("h-flat"))
    new = change(used, {F + "failure.precautions": "new-lifters"})
    assert "flat-lifters" in bought(new, "h-flat") and not stops(new, new.candidate("h-flat"))


# -- what cannot go together --------------------------------------------------------------------------------


def test_lifters_that_stop_a_candidate_are_not_bought_twice() -> None:
    build, _ = tried(TRIED["roller-guides-missing"][1], "h-roller")
    assert "link-bars" not in bought(build, "h-roller")


@pytest.mark.parametrize(
    ("rule", "word"),
    [("roller-guides-missing", "link bars"), ("flat-used", "new lifters"), ("oil-band-high", "oil pressure")],
)
def test_a_stop_reaches_the_verdict(rule: str, word: str) -> None:
    candidate_id, fires, _ = TRIED[rule]
    comparison = compare(tried(fires, candidate_id)[0])
    result = next(r for r in comparison.results if r.candidate.id == candidate_id)
    assert "pairing" in {each.limit for each in result.broken} and not result.passes
    assert RULES[rule].item in comparison.verdict and word in comparison.verdict
    assert all(r.candidate.id != candidate_id for r in comparison.results if r.passes)


def test_a_stop_says_what_would_mend_it() -> None:
    for rule in RULES.values():
        if rule.verb == "stop":
            assert rule.reason and rule.remedy, rule.id
            with pytest.raises(OutOfRange, match="has no remedy"):
                dataclasses.replace(rule, remedy="")


def test_shipped_builds_forget_nothing_and_can_be_built() -> None:
    for path in BUILDS:
        build = read_build(path)
        for candidate in build.candidates:
            assert not added_lines(build, candidate), (path.name, candidate.id)
            assert not stops(build, candidate), (path.name, candidate.id)


# -- the table ----------------------------------------------------------------------------------------------


def test_every_rule_has_its_reason_and_origin() -> None:
    for rule in RULES.values():
        assert rule.item and len(rule.reason) > 20 and rule.origin in ORIGINS
        # Only a rule that buys or has something done costs, and whatever costs can be covered by a line.
        assert not rule.costs or rule.needs, rule.id
        assert rule.verb in ("buy", "change", "machine") or not (rule.price_money or rule.time_h), rule.id


def test_an_unknown_need_offers_the_nearest() -> None:
    with pytest.raises(BuildError, match=r"parts\.0\.serves: names an unknown need, 'lifter'; did you mean 'lifters'"):
        starter((F + "parts.0.serves", "lifter"))


@pytest.mark.parametrize(
    ("when", "message"),
    [
        ("follower=rolling", "is not known"),
        ("colour=red", "is not known"),
        ("open_load>300_parsecs", "has no number with its unit"),
        ("rocker_ratio>high", "has no number with its unit"),
    ],
)
def test_a_rule_that_cannot_be_understood_is_refused(when: str, message: str) -> None:
    with pytest.raises(OutOfRange, match=message):
        parse(when)


def test_a_threshold_carries_its_unit() -> None:
    (found,) = parse("open_load>300_lbf").each
    assert found.above == pytest.approx(300 * LBF, rel=1e-12)


def test_a_table_with_a_bad_rule_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (DATA_DIR / "pairing.csv").read_text(encoding="utf-8")
    (tmp_path / "pairing.csv").write_text(text.replace("core=steel gear=iron", "core=wood"), encoding="utf-8")
    monkeypatch.setenv("LOBELEDGER_DATA", str(tmp_path))
    with pytest.raises(BuildError, match=r"pairing\.csv: gear-steel-core: .*core=wood"):
        read_pairing()


def test_an_unknown_rule_is_named() -> None:
    with pytest.raises(OutOfRange, match="no pairing rule 'cam-knob'"):
        rule_of(starter(), "cam-knob")


# -- properties ---------------------------------------------------------------------------------------------

_BLOCKS = st.fixed_dictionaries(
    {
        "lifter_provision": st.sampled_from(["none", "link-bar retrofit", "factory guides"]),
        "cam_retention": st.sampled_from(["none", "plate", "button"]),
        "fitted_lifter": st.sampled_from(["unknown", "flat", "roller"]),
        "fuel_pump_eccentric": st.booleans(),
        "distributor_gear": st.sampled_from(["iron", "steel", "bronze", "polymer"]),
    }
)


@settings(max_examples=150)
@given(
    block=_BLOCKS,
    candidate_id=st.sampled_from(["h-flat", "h-roller"]),
    serves=st.lists(st.sampled_from(NEEDS), max_size=5),
    more=st.sampled_from(NEEDS),
)
def test_a_covering_part_never_raises_the_number_of_added_lines(block, candidate_id, serves, more) -> None:
    build = dataclasses.replace(starter(), block=dataclasses.replace(starter().block, **block))
    candidate = build.candidate(candidate_id)

    def count(names):
        line = dataclasses.replace(candidate.parts[0], serves=" ".join(names))
        return len(added_lines(build, dataclasses.replace(candidate, parts=(line,))))

    assert count([*serves, more]) <= count(serves)
    assert count(NEEDS) == 0
