"""The cost of owning, against arithmetic written out by hand and distributions from scipy.

The sheet below is small enough to add up on paper; every figure is invented and chosen to come out even.
"""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from lobeledger import build_from_text, change
from lobeledger.choice import cost
from lobeledger.doubt import draws
from lobeledger.sheet.open import starter_sheet

SHEET = """
schema = 1
name = "Sums by hand"
currency = "USD"

[engine]
cylinders = 8
bore = "100 mm"
stroke = "80 mm"
rod = "150 mm"
compression = 9.0
intake_valve = "48 mm"
exhaust_valve = "38 mm"

[use]
highest_speed = "5000 rpm"
hours_a_year = "100 h"
years = 5
bands = [{ from = "1500 rpm", to = "3300 rpm", share = 1.0 }]

[shop]
labour_rate = { value = "100 USD/h", low = "80 USD/h", high = "150 USD/h" }
dyno_rate = "200 USD/h"
fuel_price = "2 USD/L"
run_in_oil = "120 USD"
freight = 0.04
tax = 0.10
contingency = 0.10

[limits]
budget = "5000 USD"
torque_worth = "50 USD"

[model]
run_in_load = "138.2 kPa"
run_in_efficiency = 0.25
marginal_efficiency = 0.40
fuel_heating_value = "40 MJ/kg"
fuel_density = "720 kg/m**3"
friction_scale = 1.0
"""

CANDIDATE = """
[[candidates]]
id = "{id}"
name = "{id}"
follower = "flat"
lifter = "solid"
lobe_separation = "110 deg"
intake_centreline = "106 deg"
exhaust = "same as intake"
fitting_time = "8 h"
dyno_time = "1.5 h"
run_in_school = "hold"
run_in_time = "30 min"
run_in_speed = "2400 rpm"
lash_check_every = "50 h"
lash_check_labour = "1.5 h"
spring_change_every = "250 h"
spring_set_price = "160 USD"
spring_labour = "4 h"
lifter_service_every = "400 h"
lifter_service_price = "80 USD"
lifter_labour = "2 h"

[candidates.intake]
lobe_lift = "0.300 in"
durations = [{{ at = "0.020 in", duration = "250 deg" }}, {{ at = "0.050 in", duration = "220 deg" }}]

[candidates.failure]
what = "a wiped lobe"
one_in = 50
worth_builds = 25
cost = "3000 USD"
factors_off = "high-open-load"

[[candidates.parts]]
item = "camshaft and lifters"
price = "300 USD"
core_charge = "40 USD"
serves = "lifters timing lube"
[[candidates.parts]]
item = "springs"
price = "10 USD"
quantity = 16
[[candidates.parts]]
item = "spring seats"
price = "100 USD"
group = "machining"
[[candidates.parts]]
item = "gasket sets"
price = "20 USD"
quantity = 2
group = "consumables"
"""

# Size and the valvetrain's friction are given here and not computed, so that the sums stay by hand.
FUEL = cost.FuelUse(displacement_m3=0.005, valvetrain_friction_pa=20e3, mean_speed_rpm=2400.0)
# Friction at 2400 rpm: 0.97 + 0.15 x 2.4 + 0.05 x 2.4^2 = 1.618 bar (Barnes-Moss, as Heywood 1988, eq. 13.6, from
# memory). 30 min at 2400 rpm are 36,000 cycles; (138.2 + 161.8) kPa x 5 L = 1500 J a cycle, so 54 MJ of work. A litre
# of this fuel holds 0.720 kg x 40 MJ/kg x 0.25 = 7.2 MJ of it: 7.5 L at 2 USD.
RUN_IN_FUEL = 15.00
# 500 h at 2400 rpm are 36 million cycles; 20 kPa x 5 L = 100 J a cycle, so 3.6 GJ. At the marginal 0.40 a litre does
# 11.52 MJ: 312.5 L at 2 USD.
VALVETRAIN_FUEL = 625.00
BY_HAND = [
    ("parts", 300.00),
    ("parts", 160.00),  # 16 x 10
    ("machining", 100.00),
    ("parts", 40.00),  # 2 x 20
    ("fitting", 800.00),  # 8 h x 100
    ("break-in", 300.00),  # 1.5 h x 200
    ("break-in", 120.00),
    ("break-in", RUN_IN_FUEL),
    ("freight and tax", 20.00),  # 4 % of 500; machining travels nowhere
    ("freight and tax", 52.00),  # 10 % of 520
    ("surprises", 190.70),  # 10 % of 1907.00
    ("upkeep", 1500.00),  # 500 h / 50 h = 10 checks x 1.5 h x 100
    ("upkeep", 1120.00),  # 2 changes x (160 + 4 h x 100)
    ("upkeep", 350.00),  # 1.25 services x (80 + 2 h x 100)
    ("fuel lost to friction", VALVETRAIN_FUEL),
    ("risk of failure", 60.00),  # 1 in 50 x 3000
]


@functools.cache
def by_hand(*pairs: tuple[str, object]):
    text = SHEET + CANDIDATE.format(id="a") + CANDIDATE.format(id="b")
    return change(build_from_text(text), dict(pairs)) if pairs else build_from_text(text)


def lines_of(build, candidate_id="a", value=None, fuel=FUEL):
    return cost.cost_lines(build, build.candidate(candidate_id), fuel, value or draws.nominal(build))


def owning(build, value=None, candidate_id="a"):
    return cost.cost_of_owning(lines_of(build, candidate_id, value))


# -- identities --------------------------------------------------------------------------------------------


def test_every_line_to_the_cent():
    found = [(line.group, round(float(line.amount), 9)) for line in lines_of(by_hand())]
    assert found == BY_HAND


def test_totals_to_the_cent():
    build = by_hand()
    lines = lines_of(build)
    # 500 + 100 + 800 + 435 + 72 + 190.70 = 2097.70, and 40 of deposit which comes back.
    assert cost.first_cost(lines, build.candidate("a"), draws.nominal(build)) == pytest.approx(2137.70, abs=1e-9)
    assert cost.cost_of_owning(lines) == pytest.approx(2097.70 + 2970.00 + VALVETRAIN_FUEL + 60.00, abs=1e-9)
    assert cost.expected_loss(lines) == pytest.approx(60.00, abs=1e-9)
    assert cost.cost_without_loss(lines) == pytest.approx(5692.70, abs=1e-9)


def test_tax_on_labour_to_the_cent():
    taxed = lines_of(by_hand(("shop.tax_labour", 0.05)))
    by_text = {line.text: float(line.amount) for line in taxed}
    # 5 % of 8 h x 100, of 1.5 h x 200 on the dyno and of 100 of machining.
    assert by_text["Tax on labor"] == pytest.approx(60.00, abs=1e-9)
    # 10 % of 1967.00
    assert by_text["Allowance for surprises"] == pytest.approx(196.70, abs=1e-9)
    # Its labour bears it later as well: 10 x 1.5 h x 105, 2 x (160 + 4 h x 105), 1.25 x (80 + 2 h x 105).
    upkeep = [float(line.amount) for line in taxed if line.group == "upkeep"]
    assert upkeep == pytest.approx([1575.00, 1160.00, 362.50], abs=1e-9)
    assert "Tax on labor" not in {line.text for line in lines_of(by_hand())}


def test_lines_sum_to_totals_group_by_group():
    lines = lines_of(by_hand())
    groups = {g: math.fsum(float(x.amount) for x in lines if x.group == g) for g in cost.GROUPS}
    assert math.fsum(groups.values()) == pytest.approx(cost.cost_of_owning(lines), abs=1e-9)
    assert {x.group for x in lines} == set(cost.GROUPS)
    assert all(x.is_first == cost.GROUPS[x.group] for x in lines)


def test_groups_run_from_what_is_paid_first_to_what_may_never_be_paid():
    assert list(cost.GROUPS) == [
        "parts", "machining", "fitting", "break-in", "freight and tax", "surprises",
        "upkeep", "fuel lost to friction", "risk of failure",
    ]  # fmt: skip
    paid_first = list(cost.GROUPS.values())
    assert paid_first == sorted(paid_first, reverse=True)


def test_a_deposit_is_paid_at_the_start_and_is_no_cost_of_owning():
    without = by_hand(("candidates.a.parts.0.core_charge", "0 USD"))
    first = [cost.first_cost(lines_of(b), b.candidate("a"), draws.nominal(b)) for b in (by_hand(), without)]
    assert first[0] - first[1] == pytest.approx(40.00, abs=1e-9)
    assert owning(by_hand()) == pytest.approx(owning(without), abs=1e-9)
    # It comes once a piece.
    pair = by_hand(("candidates.a.parts.0.core_charge", "0 USD"), ("candidates.a.parts.1.core_charge", "2 USD"))
    both = cost.first_cost(lines_of(pair), pair.candidate("a"), draws.nominal(pair))
    assert both - first[1] == pytest.approx(32.00, abs=1e-9)


def test_what_is_never_done_has_no_line():
    upkeep = ("lash_check_every", "spring_change_every", "lifter_service_every")
    never = by_hand(
        *((f"candidates.a.{key}", "0 h") for key in upkeep),
        ("candidates.a.run_in_time", "0 min"),
    )
    lines = lines_of(never)
    assert not [x for x in lines if x.group == "upkeep"]
    assert not [x for x in lines if x.text == "Fuel for the lobe break-in"]
    # Without the break-in's fuel the allowance of 10 % shrinks with it; odds of 1 to 49 grow by 8 (factors.csv).
    likelier = 3000.00 * 8 / 57 - 60.00
    assert cost.cost_of_owning(lines) == pytest.approx(5752.70 - 2970.00 - 1.10 * RUN_IN_FUEL + likelier, abs=1e-9)


def test_nominal_takes_overrides_by_path_and_leaves_the_rest():
    build = by_hand()
    value = draws.nominal(build, {"shop.labour_rate": 200.0})
    assert value("shop.labour_rate") == 200.0 and value("shop.dyno_rate") == 200.0
    # 100 more an hour: 8 h to fit with its 10 % allowance, 10 x 1.5 + 2 x 4 + 1.25 x 2 = 25.5 h of upkeep.
    assert owning(build, value) - owning(build) == pytest.approx(880.00 + 2550.00, abs=1e-9)
    # A chance of loss is looked up as a chance.
    path = draws.chance_path(build.candidate("a"))
    assert draws.nominal(build)(path) == pytest.approx(0.02)
    assert owning(build, draws.nominal(build, {path: 0.5})) - owning(build) == pytest.approx(1440.00, abs=1e-9)


# -- draws -------------------------------------------------------------------------------------------------

_RANGES = st.tuples(st.floats(10, 500), st.floats(0, 300), st.floats(0, 300)).filter(lambda t: t[1] + t[2] > 1)


@settings(max_examples=20, deadline=None)
@given(_RANGES)
def test_triangular_draws_are_those_of_scipy(ranges):
    mode, below, above = ranges
    low, high = mode - min(below, mode), mode + above
    if high - low < 1.0:
        return
    money = {"value": f"{mode} USD/h", "low": f"{low} USD/h", "high": f"{high} USD/h"}
    found = draws.draws(change(by_hand(), {"shop.labour_rate": money}))("shop.labour_rate")
    exact = stats.triang((mode - low) / (high - low), loc=low, scale=high - low)
    assert found.shape == (draws.DRAWS,)
    # Kolmogorov-Smirnov at one in 10,000: 2.23 / sqrt(n) (asymptotic, from memory; scipy gives the same).
    assert stats.kstest(found, exact.cdf).statistic < 2.23 / math.sqrt(draws.DRAWS)
    # Mean (low + mode + high) / 3 and variance (a2 + b2 + c2 - ab - ac - bc) / 18 (Evans, Hastings and Peacock,
    # Statistical Distributions, from memory); four standard errors.
    mean = (low + mode + high) / 3.0
    var = (low**2 + mode**2 + high**2 - low * mode - low * high - mode * high) / 18.0
    assert exact.mean() == pytest.approx(mean) and exact.var() == pytest.approx(var, rel=1e-6, abs=1e-6)
    assert abs(found.mean() - mean) < 4.0 * math.sqrt(var / draws.DRAWS)
    for share in (0.05, 0.5, 0.95):
        assert exact.cdf(np.quantile(found, share)) == pytest.approx(share, abs=4.0 * math.sqrt(0.25 / draws.DRAWS))
    # Whatever its range, one path rides on the same luck: the same draws are low and high.
    wide = draws.draws(by_hand())("shop.labour_rate")
    same = stats.triang(20 / 70, loc=80, scale=70)
    assert exact.cdf(found) == pytest.approx(same.cdf(wide), abs=1e-9)


def test_chance_draws_are_those_of_scipys_beta():
    build = by_hand()
    found = draws.draws(build)(draws.chance_path(build.candidate("a")))
    exact = stats.beta(25 / 50, 25 - 25 / 50)
    assert stats.kstest(found, exact.cdf).statistic < 2.23 / math.sqrt(draws.DRAWS)
    assert abs(found.mean() - 0.02) < 4.0 * exact.std() / math.sqrt(draws.DRAWS)
    assert ((found >= 0.0) & (found <= 1.0)).all()


def test_a_certain_loss_is_certain_in_every_draw():
    build = by_hand(("candidates.a.failure.one_in", 1))
    assert draws.draws(build)("candidates.a.failure.chance") == 1.0
    assert draws.nominal(build)("candidates.a.failure.chance") == 1.0


def test_what_has_no_range_is_not_drawn():
    assert draws.draws(by_hand())("shop.dyno_rate") == 200.0


def test_symmetric_draws_are_triangular_from_minus_one_to_one():
    found = draws.symmetric_draws("torque_model")
    assert stats.kstest(found, stats.triang(0.5, loc=-1, scale=2).cdf).statistic < 2.23 / math.sqrt(draws.DRAWS)
    assert abs(np.corrcoef(found, draws.symmetric_draws("candidates.a.torque"))[0, 1]) < 4.0 / math.sqrt(draws.DRAWS)


def test_a_shared_labour_rate_cancels_between_candidates_with_the_same_hours():
    build = by_hand()
    value = draws.draws(build)
    fitting = [next(line.amount for line in lines_of(build, c, value) if line.group == "fitting") for c in ("a", "b")]
    assert np.std(fitting[0]) > 50.0
    assert np.ptp(fitting[0] - fitting[1]) == 0.0
    # Only the chance of a loss, each candidate's own, is left in the difference of the whole.
    left = owning(build, value, "a") - owning(build, value, "b")
    risk = [cost.expected_loss(lines_of(build, c, value)) for c in ("a", "b")]
    assert left == pytest.approx(risk[0] - risk[1], abs=1e-8)


def test_hours_of_their_own_do_not_cancel():
    hours = {"value": "8 h", "low": "6 h", "high": "12 h"}
    build = change(by_hand(), {"candidates.a.fitting_time": hours, "candidates.b.fitting_time": hours})
    value = draws.draws(build)
    one, other = value("candidates.a.fitting_time"), value("candidates.b.fitting_time")
    assert abs(np.corrcoef(one, other)[0, 1]) < 4.0 / math.sqrt(draws.DRAWS)


def test_draws_are_the_same_every_time_and_cannot_be_written_into():
    value = draws.draws(by_hand())("shop.labour_rate")
    assert (value == draws.draws(by_hand())("shop.labour_rate")).all()
    with pytest.raises(ValueError):
        value[0] = 0.0


# -- directions --------------------------------------------------------------------------------------------

_UP = (
    "shop.labour_rate", "shop.dyno_rate", "shop.fuel_price", "shop.run_in_oil", "shop.freight", "shop.tax",
    "shop.contingency", "use.hours_a_year", "use.years", "candidates.a.fitting_time", "candidates.a.dyno_time",
    "candidates.a.parts.0.price", "candidates.a.parts.2.price", "candidates.a.lash_check_labour",
    "candidates.a.spring_set_price", "candidates.a.spring_labour", "candidates.a.lifter_service_price",
    "candidates.a.lifter_labour", "candidates.a.failure.cost", "candidates.a.failure.chance",
    "candidates.a.run_in_time",
)  # fmt: skip
_DOWN = ("candidates.a.lash_check_every", "candidates.a.spring_change_every", "candidates.a.lifter_service_every")


@given(st.sampled_from(_UP + _DOWN), st.floats(1.0, 20.0), st.floats(1.01, 5.0))
def test_dearer_is_dearer_and_rarer_is_cheaper(path, start, factor):
    build = by_hand()
    now = draws.nominal(build)(path) * start
    if path.endswith("chance"):
        now = min(now, 0.2)
    low, high = (owning(build, draws.nominal(build, {path: x})) for x in (now, now * factor))
    assert (high > low) if path in _UP else (high < low)


@given(st.floats(0.0, 500.0), st.floats(0.1, 500.0))
def test_more_hours_bring_more_upkeep_in_proportion(hours, more):
    build = by_hand()

    def upkeep(value):
        lines = lines_of(build, value=draws.nominal(build, {"use.hours_a_year": value}))
        return math.fsum(float(x.amount) for x in lines if x.group == "upkeep")

    assert upkeep(hours + more) > upkeep(hours)
    assert upkeep(2.0 * more) == pytest.approx(2.0 * upkeep(more), rel=1e-12)


def test_the_sheet_to_start_from_adds_up_too():
    build = build_from_text(starter_sheet())
    for c in build.candidates:
        lines = cost.cost_lines(build, c, FUEL, draws.nominal(build))
        assert all(math.isfinite(x.amount) and x.amount >= 0.0 for x in lines)
        assert cost.cost_without_loss(lines) + cost.expected_loss(lines) == pytest.approx(cost.cost_of_owning(lines))
