"""What is at stake: chances, factors, bad luck, precautions, and what it is worth to know."""

from __future__ import annotations

import dataclasses
import functools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import lobeledger as ll
import shipped_builds
from lobeledger.choice import cost, precautions, stake
from lobeledger.doubt import draws
from lobeledger.doubt.chance import ChancePrior, chance_prior, odds_after, posterior
from lobeledger.page.words.break_in import stake_tables, tables_html
from lobeledger.page.words.limits import caution_text
from lobeledger.page.words.stake import stake_answer, stake_answers
from lobeledger.parts.conditions import parse
from lobeledger.parts.facts import NO_RUN_IN
from lobeledger.sheet.change import sheet_text
from lobeledger.sheet.tables import DATA_DIR, GRADES, PROVENANCE, read_factors, read_precautions, read_table

BUILDS = Path(__file__).parents[2] / "data" / "builds"
LBF = 4.4482216152605  # N, exact by definition
NAMES = ["budget-cruiser", "towing-engine", "weekend-racer"]
CHANCE = st.floats(0.0, 1.0)
ODDS = st.floats(0.01, 100.0)


@functools.cache
def shipped(name: str = "towing-engine"):
    return ll.read_build(BUILDS / f"{name}.toml")


@functools.cache
def compared(name: str = "towing-engine"):
    return shipped_builds.compared(name)


@functools.cache
def stakes(name: str = "towing-engine"):
    return stake.stake(compared(name).decision, count=100_000)


def changed(**failure):
    """The towing engine with its hydraulic flat's failure changed."""
    return ll.change(shipped(), {f"candidates.h-flat.failure.{key}": value for key, value in failure.items()})


# -- the outside ---------------------------------------------------------------------------------------------


def test_beta_binomial_by_conjugacy_and_scipy():
    # Beta(1, 1) and 3 losses of 27 builds: mean 4/29. Conjugacy, as in Gelman and others, 2013, sec. 2.4 (memory).
    after = posterior(ChancePrior(1.0, 1.0), 3, 27)
    assert after.mean == pytest.approx(4 / 29, abs=1e-12)
    assert after.mean == pytest.approx(stats.beta(4, 25).mean(), abs=1e-12)
    # The same by Bayes' rule on a grid, with scipy's binomial as the likelihood of the record.
    prior = chance_prior(one_in=40, worth_builds=80)
    p = np.linspace(0.0, 1.0, 200_001)[1:-1]
    weight = stats.beta(prior.alpha, prior.beta).pdf(p) * stats.binom.pmf(3, 27, p)
    assert posterior(prior, 3, 27).mean == pytest.approx(float((p * weight).sum() / weight.sum()), abs=1e-9)


def test_no_loss_in_thirty_by_scipy():
    # Beta(1, 1) and 0 of 30: 95 % bound 1 - 0.05^(1/31) = 0.0921.
    after = posterior(ChancePrior(1.0, 1.0), 0, 30)
    bound = stats.beta(after.alpha, after.beta).ppf(0.95)
    assert bound == pytest.approx(1 - 0.05 ** (1 / 31), abs=1e-12)
    assert bound == pytest.approx(0.0921, abs=0.00005)


@pytest.mark.parametrize(("builds", "said"), [(1500, 1 / 500), (300, 1 / 100)])
def test_rule_of_three_eypasch_1995(builds, said):
    # E. Eypasch and others, BMJ 311 (1995) 619: none of 1500 -> 1 in 500; none of 300 -> 1 in 100 (95 % bound).
    # Their bound is 1 - 0.05^(1/n); a flat opinion on n - 1 builds has the same one, so both are compared.
    after = posterior(ChancePrior(1.0, 1.0), 0, builds - 1)
    bound = stats.beta(after.alpha, after.beta).ppf(0.95)
    assert bound == pytest.approx(1 - 0.05 ** (1 / builds), rel=1e-9)
    assert bound == pytest.approx(said, rel=0.05)


# -- odds ----------------------------------------------------------------------------------------------------


def test_odds_are_multiplied():
    assert odds_after(0.5, [3.0]) == pytest.approx(0.75, abs=1e-15)  # odds 1 -> 3
    assert odds_after(0.025, [8.0]) == pytest.approx(8 / 47, abs=1e-15)  # odds 1/39 -> 8/39
    assert odds_after(0.0, [50.0]) == 0.0 and odds_after(1.0, [0.02]) == 1.0
    assert odds_after(0.3, []) == 0.3


@given(CHANCE, st.lists(ODDS, max_size=5), st.randoms())
def test_order_and_grouping_of_factors_do_not_matter(p, factors, random):
    shuffled = list(factors)
    random.shuffle(shuffled)
    one = odds_after(p, factors)
    assert odds_after(p, shuffled) == pytest.approx(one, rel=1e-9, abs=1e-300)
    step = p
    for factor in factors:
        step = odds_after(step, [factor])
    assert step == pytest.approx(one, rel=1e-9, abs=1e-12)
    assert 0.0 <= one <= 1.0


@given(st.floats(1e-6, 1 - 1e-6), ODDS)
def test_a_factor_and_its_reciprocal_cancel_and_bigger_is_likelier(p, m):
    assert odds_after(odds_after(p, [m]), [1 / m]) == pytest.approx(p, rel=1e-8)
    assert (odds_after(p, [m]) >= p) == (m >= 1.0) or m == pytest.approx(1.0)
    # A chance does not grow by more than its odds do.
    assert odds_after(p, [max(m, 1.0)]) <= p * max(m, 1.0) * (1 + 1e-12)


@pytest.mark.parametrize(("p", "factors"), [(-0.1, []), (1.1, [2.0]), (0.1, [0.0]), (0.1, [-2.0]), (float("nan"), [])])
def test_what_is_no_chance_or_no_factor_is_refused(p, factors):
    with pytest.raises(ll.OutOfRange):
        odds_after(p, factors)


@pytest.mark.parametrize(("losses", "builds"), [(-1, 3), (4, 3)])
def test_more_losses_than_builds_are_refused(losses, builds):
    with pytest.raises(ll.OutOfRange, match="failures lie between 0 and the number of builds"):
        posterior(ChancePrior(1.0, 1.0), losses, builds)


@given(st.integers(0, 50), st.integers(0, 50))
def test_more_losses_are_likelier_and_more_good_builds_rarer(losses, good):
    prior = chance_prior(one_in=40, worth_builds=40)
    now = posterior(prior, losses, losses + good).mean
    assert posterior(prior, losses + 1, losses + 1 + good).mean > now > posterior(prior, losses, losses + good + 1).mean


# -- tables --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["factors.csv", "precautions.csv"])
def test_tables_say_who_says_so(name):
    table = read_table(name)
    assert (DATA_DIR / name).is_file()
    assert set(PROVENANCE) <= set(table.provenance) and table.provenance["grade"] in GRADES
    assert {row["origin"] for row in table.rows} <= {"assumed", "common practice"}


def test_ids_are_unique_and_ranges_are_wide():
    factors, acts = read_factors(), read_precautions()
    ids = [f.id for f in factors] + [p.id for p in acts]
    assert len(set(ids)) == len(ids)
    for f in factors:
        # A factor lies on one side of 1 with its whole range.
        assert f.low < f.odds < f.high and f.high / f.low >= 2.0 and (f.low > 1.0 or f.high < 1.0), f.id
    for p in acts:
        assert p.removes or p.odds < 1.0, p.id
        assert p.high <= 1.0, p.id
        # Good practice is in the opinion already: it saves nothing on top.
        assert (p.practice == "good") == (p.odds == 1.0), p.id
    # Every factor has something that can be done about it; against a short run-in, its minutes. A cam that has run is
    # as it is: against its wear there is another cam.
    assert {f.id for f in factors if not f.is_of_fitted} - {name for p in acts for name in p.removes} == {NO_RUN_IN}


# -- through the comparison ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_shipped_builds_list_no_factor_and_only_heavy_springs_switch_one_on(name):
    build = shipped(name)
    heavy = set()
    for c in build.candidates:
        assert not c.failure.factor_ids and build.precautions_on(c) == ()
        # 260 lbf open for the run-in of a flat cam: common practice, no source.
        on = {f.id for f in build.factors_on(c)}
        assert on == ({"high-open-load"} if c.follower == "flat" and c.greatest_open_load_n > 260 * LBF else set())
        p = 1.0 / c.failure.one_in
        odds = p / (1 - p) * (2 if on else 1)  # data/factors.csv
        assert compared(name).result(c.id).figures["chance"].value == pytest.approx(odds / (1 + odds), abs=1e-15)
        heavy |= {c.id} if on else set()
    assert heavy == ({"h-flat", "s-flat"} if name == "weekend-racer" else set())


def test_a_listed_factor_reaches_nominal_and_draws():
    build = changed(factors="used-lifters no-paste")
    result = ll.compare(build).result("h-flat")
    p = 1 / shipped().candidate("h-flat").failure.one_in
    odds = p / (1 - p) * 8 * 4  # data/factors.csv: used-lifters 8, no-paste 4
    assert result.figures["chance"].value == pytest.approx(odds / (1 + odds), abs=1e-12)
    before = compared().result("h-flat")
    for key in ("chance", "expected_loss", "owning"):
        assert result.figures[key].value > before.figures[key].value
        assert result.figures[key].high > before.figures[key].high
    assumed = ll.compare(build).assumptions
    assert {"factors.used-lifters.odds", "factors.no-paste.odds"} <= set(assumed["path"])
    # The other candidates are left alone.
    assert ll.compare(build).result("h-roller").figures["chance"] == compared().result("h-roller").figures["chance"]


def test_an_open_load_above_the_usual_switches_its_factor_on():
    # A flat is judged as it is run in: 260 lbf, common practice without a source.
    for rate, ids in ((344.0, []), (346.0, ["high-open-load"])):
        build = ll.change(shipped("budget-cruiser"), {"candidates.h-flat.springs.rate": f"{rate} lbf/in"})
        # 110 + rate x 1.5 x 0.290 lbf (by hand): 259.6 and 260.5.
        assert [f.id for f in build.factors_on(build.candidate("h-flat"))] == ids
    shown = {f.factor.id: f for f in stake.stake(ll.compare(build).decision, count=1000).of("h-flat").factors}
    assert shown["high-open-load"].is_automatic and shown["high-open-load"].is_on
    assert not shown["no-paste"].is_on
    off = ll.change(build, {"candidates.h-flat.failure.factors_off": "high-open-load"})
    assert off.factors_on(off.candidate("h-flat")) == ()
    shown = {f.factor.id: f for f in stake.stake(ll.compare(off).decision, count=1000).of("h-flat").factors}
    assert shown["high-open-load"].is_automatic and not shown["high-open-load"].is_on
    # A roller is judged as it runs, by its own usual range.
    load = compared().result("h-roller").figures["open_load"].value
    assert shipped().candidate("h-roller").greatest_open_load_n == pytest.approx(load, rel=1e-12)
    for end, ids in ((load + 1, []), (load - 1, ["high-roller-load"])):
        usual = {"candidates.h-roller.open_load_high": f"{end:.3f} N", "candidates.h-roller.open_load_low": "0 N"}
        build = ll.change(shipped(), usual)
        assert [f.id for f in build.factors_on(build.candidate("h-roller"))] == ids
    new = ll.change(build, {"candidates.h-roller.failure.precautions": "springs-in-range"})
    assert new.factors_on(new.candidate("h-roller")) == ()


def test_used_rollers_bring_their_factor_and_new_ones_take_it_away():
    used = ll.change(shipped(), {"candidates.h-roller.lifter_state": "used"})
    assert [f.id for f in used.factors_on(used.candidate("h-roller"))] == ["used-rollers"]
    new = ll.change(used, {"candidates.h-roller.failure.precautions": "new-rollers"})
    assert new.factors_on(new.candidate("h-roller")) == ()
    # The sheet's own line pays for lifters already: nothing is billed twice.
    costs = [ll.compare(b).result("h-roller").figures["first_cost"].value for b in (used, new)]
    assert costs[0] == pytest.approx(costs[1], abs=1e-9)


def test_the_shops_record_replaces_opinion_little_by_little():
    build = changed(seen_losses=2, seen_builds=30)
    f = build.candidate("h-flat").failure
    expected = (f.worth_builds / f.one_in + 2) / (f.worth_builds + 30)
    assert ll.compare(build).result("h-flat").figures["chance"].value == pytest.approx(expected, abs=1e-12)
    drawn = draws.draws(build)("candidates.h-flat.failure.chance")
    beta = stats.beta(f.worth_builds / f.one_in + 2, f.worth_builds - f.worth_builds / f.one_in + 28)
    assert stats.kstest(drawn, beta.cdf).pvalue > 1e-4


@pytest.mark.parametrize(
    ("failure", "says"),
    [
        ({"factors": "no-past"}, "did you mean 'no-paste'"),
        ({"factors": "worn-bores"}, "for a flat follower"),
        ({"precautions": "gage"}, "did you mean 'gauge'"),
        ({"factors": "no-paste no-paste"}, "names an id twice"),
        ({"factors_off": "no-past"}, "did you mean 'no-paste'"),
        ({"factors": "no-paste", "factors_off": "no-paste"}, "keep it in one of them"),
        ({"seen_losses": 3}, "give both or neither"),
        ({"seen_losses": 3, "seen_builds": 2}, "fails once at most"),
    ],
)
def test_what_a_sheet_may_not_say(failure, says):
    with pytest.raises(ll.BuildError, match=says):
        changed(**failure)


def test_a_listed_factor_can_be_taken_off_again():
    build = ll.change(changed(factors="no-paste"), {"candidates.h-flat.failure.factors": ""})
    assert ll.compare(build).result("h-flat").figures["owning"] == compared().result("h-flat").figures["owning"]


# -- bad luck ------------------------------------------------------------------------------------------------


def test_a_million_builds_are_drawn():
    costs, lost = stake.realised_costs(shipped(), compared().results[0])
    assert costs.shape == (1_000_000,) and costs.dtype == np.float64
    assert 0 < lost < 1_000_000


def test_realised_costs_against_closed_forms():
    n = 1_000_000
    build = shipped()
    for result in compared().results:
        c = result.candidate
        costs, lost = stake.realised_costs(build, result, count=n)
        p = 1 / c.failure.one_in
        # A loss with a Beta-distributed chance is a Bernoulli draw of its mean (law of total probability):
        # four standard errors of a binomial share.
        assert lost / n == pytest.approx(p, abs=4 * (p * (1 - p) / n) ** 0.5)
        base = cost.cost_without_loss(cost.cost_lines(build, c, result.assessment.fuel, draws.draws(build)))
        datum = build.data[f"candidates.{c.id}.failure.cost"]
        loss = stats.uniform(float(datum.value), 0)
        if datum.low is not None and datum.low < datum.high:
            width = datum.high - datum.low
            loss = stats.triang((float(datum.value) - datum.low) / width, datum.low, width)
        spread = (p * loss.std() ** 2 + p * (1 - p) * loss.mean() ** 2) ** 0.5
        assert costs.mean() == pytest.approx(np.mean(base) + p * loss.mean(), abs=4 * spread / n**0.5)


def test_realised_quantiles_against_scipy():
    """With the inputs held, the cost is base with chance 1 - p and base + triangular loss with chance p."""
    build = changed(one_in=5, worth_builds=40, cost={"value": "3000 USD", "low": "2000 USD", "high": "6000 USD"})
    result = ll.compare(build).result("h-flat")
    costs, _ = stake.realised_costs(build, result)
    base = np.broadcast_to(
        cost.cost_without_loss(cost.cost_lines(build, result.candidate, result.assessment.fuel, draws.draws(build))),
        (draws.DRAWS,),
    )
    loss = stats.triang(0.25, 2000, 4000)
    for share, found in zip((0.05, 0.95), stake._ends(costs), strict=True):
        # The exact distribution at the quantile found; four standard errors of a share.
        exact = np.mean(0.8 * (base <= found) + 0.2 * loss.cdf(found - base))
        assert exact == pytest.approx(share, abs=4 * (share * (1 - share) / 1e6) ** 0.5 + 0.8 / draws.DRAWS)


def test_sizes_of_factors_are_triangular_in_their_logarithm():
    drawn = draws.draws(changed(factors="used-lifters"))("factors.used-lifters.odds")
    low, mode, high = np.log([3.0, 8.0, 30.0])  # data/factors.csv
    triangle = stats.triang((mode - low) / (high - low), low, high - low)
    assert stats.kstest(np.log(drawn), triangle.cdf).pvalue > 1e-4


def test_factors_reach_the_realised_builds():
    build = changed(factors="used-lifters")
    result = ll.compare(build).result("h-flat")
    _, lost = stake.realised_costs(build, result)
    drawn = draws.draws(build)("factors.used-lifters.odds")
    prior = draws.opinion(build, build.candidate("h-flat"))
    beta = stats.beta(prior.alpha, prior.beta)
    # The mean over the opinion by scipy's own grid of quantiles, over the sizes by their draws.
    q = beta.ppf((np.arange(4000) + 0.5) / 4000)[:, None]
    expected = float(np.mean(q * drawn / (1 - q + q * drawn)))
    assert lost / 1e6 == pytest.approx(expected, abs=4 * (expected / 1e6) ** 0.5 + 2e-4)


def test_the_same_number_gives_the_same_figures_and_another_does_not():
    one, two = (stake.stake(compared().decision, count=20_000, seed=7) for _ in range(2))
    assert one.pairs == two.pairs
    assert [s.realised for s in one.stakes] == [s.realised for s in two.stakes]
    other = stake.stake(compared().decision, count=20_000, seed=8)
    assert [s.realised for s in one.stakes] != [s.realised for s in other.stakes]


def test_too_few_builds_are_refused():
    with pytest.raises(ll.OutOfRange, match="at least 1000"):
        stake.stake(compared().decision, count=999)


def test_the_share_that_is_cheaper_is_that_of_the_shared_draws():
    build, result = shipped(), compared()
    owning = {
        r.candidate.id: cost.cost_of_owning(cost.cost_lines(build, r.candidate, r.assessment.fuel, draws.draws(build)))
        for r in result.results
    }
    for pair in stakes().pairs:
        assert pair.expected_share == np.mean(owning[pair.flat_id] < owning[pair.roller_id])
        assert 0.0 <= pair.realised_share <= 1.0


# -- even-handedness -----------------------------------------------------------------------------------------


def test_flat_and_roller_with_the_same_inputs_run_the_same_risk():
    same = {"one_in": 50, "worth_builds": 40, "cost": "4000 USD", "seen_losses": 1, "seen_builds": 20}
    build = ll.change(
        shipped(), {f"candidates.{i}.failure.{k}": v for i in ("h-flat", "h-roller") for k, v in same.items()}
    )
    found = stake.stake(ll.compare(build).decision)
    flat, roller = found.of("h-flat"), found.of("h-roller")
    assert flat.chance.value == roller.chance.value
    assert flat.expected_loss.value == roller.expected_loss.value
    assert flat.lost_share == pytest.approx(roller.lost_share, abs=6 * (flat.lost_share / 1e6) ** 0.5)
    # Their automatic factors have the same size.
    loads = [f for f in read_factors() if f.switch == parse("run_in_load=high")]
    assert len({(f.low, f.odds, f.high) for f in loads}) == 1 and {f.follower for f in loads} == {"flat", "roller"}


@settings(max_examples=20, deadline=None)
@given(st.sets(st.sampled_from([f.id for f in read_factors() if f.follower == "flat" and not f.is_of_fitted])))
def test_more_factors_never_lower_the_cost(ids):
    c = shipped().candidate("h-flat")
    p, before = 1 / c.failure.one_in, 0.0
    for n in range(len(ids) + 1):
        build = changed(factors=" ".join(sorted(ids)[:n]))
        chance = draws.nominal(build)(draws.chance_path(build.candidate("h-flat")))
        assert chance >= max(p * (1 - 1e-12), before)
        before = chance


# -- tornado -------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_bars_are_those_of_whole_comparisons():
    checked = 0
    for bar in stakes().of("h-flat").bars:
        datum = shipped().data.get(bar.path)
        if datum is None:
            continue
        for end, told in ((datum.low, bar.at_low), (datum.high, bar.at_high)):
            value = f"{end!r} {datum.unit}" if datum.unit else end
            again = ll.compare(ll.change(shipped(), {bar.path: value})).result("h-flat")
            assert told == pytest.approx(again.figures["owning"].value, abs=0.005), bar.path
            checked += 1
    assert checked >= 16
    swings = [bar.swing for bar in stakes().of("h-flat").bars]
    assert swings == sorted(swings, reverse=True)


def test_the_bar_of_the_chance_spans_scipys_quantiles():
    c = shipped().candidate("h-flat")
    bar = next(b for b in stakes().of("h-flat").bars if b.path == draws.chance_path(c))
    beta = stats.beta(c.failure.worth_builds / c.failure.one_in, c.failure.worth_builds * (1 - 1 / c.failure.one_in))
    assert bar.swing == pytest.approx((beta.ppf(0.95) - beta.ppf(0.05)) * c.failure.cost_money, abs=0.005)


def test_factors_at_work_have_their_bar():
    build = changed(factors="no-paste")
    bars = {b.path: b for b in stake.tornado(build, ll.compare(build).result("h-flat"))}
    f = build.candidate("h-flat").failure
    p = 1 / f.one_in
    expected = (odds_after(p, [12.0]) - odds_after(p, [2.0])) * f.cost_money  # data/factors.csv: no-paste 2 to 12
    assert bars["factors.no-paste.odds"].swing == pytest.approx(expected, abs=0.005)


# -- precautions ---------------------------------------------------------------------------------------------


_PAIRS = ("used-lifters no-paste", "high-open-load slow-start")


@pytest.mark.parametrize("factors", ["", *(pytest.param(pair, marks=pytest.mark.slow) for pair in _PAIRS)])
def test_a_precautions_worth_is_the_difference_of_two_comparisons(factors):
    build = changed(factors=factors)
    result = ll.compare(build).result("h-flat")
    ranked = precautions.precautions_by_worth(build, result)
    # These springs have no inner that could stay out; good practice is offered only where it was left out.
    on = {f.id for f in build.factors_on(build.candidate("h-flat"))}
    assert {w.id for w in ranked} == {
        p.id
        for p in read_precautions()
        if p.follower == "flat" and p.id != "light-springs" and (p.practice == "further" or on & set(p.removes))
    }
    for w in ranked:
        after = ll.compare(ll.change(build, {"candidates.h-flat.failure.precautions": w.id})).result("h-flat")
        assert w.worth.value == pytest.approx(
            result.figures["owning"].value - after.figures["owning"].value, abs=0.005
        ), w.id
        assert w.chance_after == pytest.approx(after.figures["chance"].value, abs=1e-12)
        assert w.chance_after <= w.chance_before
        assert w.worth.value == pytest.approx(w.loss_saved - w.price, abs=1e-6)
        assert w.pays == (w.loss_saved > w.price)
    assert [w.worth.value for w in ranked] == sorted((w.worth.value for w in ranked), reverse=True)


def test_good_practice_costs_nothing_and_saves_nothing_of_its_own():
    plain = compared().result("h-flat")
    every = " ".join(p.id for p in read_precautions() if p.follower == "flat" and p.practice == "good")
    done = ll.compare(changed(precautions=every)).result("h-flat")
    assert done.figures["owning"] == plain.figures["owning"] and done.figures["chance"] == plain.figures["chance"]
    # Against what was left out it takes the factor off and is paid for: 0.7 h of labour with tax-free surprises.
    left = ll.compare(changed(factors="no-gauge")).result("h-flat")
    mended = ll.compare(changed(factors="no-gauge", precautions="gauge")).result("h-flat")
    assert left.figures["chance"].value > mended.figures["chance"].value == plain.figures["chance"].value
    shop = shipped().shop
    paid = 0.7 * shop.labour_rate_money_per_h * (1 + shop.contingency)
    assert mended.figures["owning"].value - plain.figures["owning"].value == pytest.approx(paid, abs=0.005)


def test_what_is_left_out_is_told_by_the_loss_it_adds():
    one = stakes().of("h-flat")
    assert {each.factor.id for each in one.left_out} == {
        f.id for f in read_factors() if f.follower == "flat" and f.kind == "left out"
    }
    p, loss = 1 / shipped().candidate("h-flat").failure.one_in, shipped().candidate("h-flat").failure.cost_money
    for each in one.left_out:
        odds = p / (1 - p) * each.factor.odds
        assert each.chance_after == pytest.approx(odds / (1 + odds), abs=1e-12)
        assert each.loss_added.value == pytest.approx((odds / (1 + odds) - p) * loss, abs=1e-6)
        assert 0.0 < each.loss_added.low < each.loss_added.value < each.loss_added.high
    assert one.left_out[0].factor.id == NO_RUN_IN
    # What is left out already is not told again.
    assert "no-gauge" not in {
        each.factor.id
        for each in stake.stake(ll.compare(changed(factors="no-gauge")).decision, count=1000).of("h-flat").left_out
    }
    told = tables_html(stake_tables(stakes(), "h-flat"))
    assert "no reason to skip" in told and told.index("leaving out good practice") < told.index("Beyond good practice")


@pytest.mark.parametrize(("minutes", "share"), [(0, 1.0), (5, 0.75), (10, 0.5), (19, 0.05), (20, 0.0), (30, 0.0)])
def test_a_run_in_cut_short_costs_odds_by_degrees(minutes, share):
    # A whole one: 20 minutes (data/runin.csv); none at all multiplies the odds by 8 (data/factors.csv).
    build = ll.change(shipped(), {"candidates.h-flat.run_in_time": f"{minutes} min"})
    p = 1 / shipped().candidate("h-flat").failure.one_in
    odds = p / (1 - p) * 8**share
    assert draws.nominal(build)("candidates.h-flat.failure.chance") == pytest.approx(odds / (1 + odds), abs=1e-12)
    on = [f.id for f in build.factors_on(build.candidate("h-flat"))]
    assert on == ([NO_RUN_IN] if share else [])
    drawn = np.mean(draws.draws(build)("candidates.h-flat.failure.chance"))
    assert drawn == pytest.approx(odds / (1 + odds), rel=0.35)
    # The maker's own word comes before the table, and the sheet can say that it is not so.
    for said in ({"maker_instruction": "No run-in."}, {"failure.factors_off": NO_RUN_IN}):
        kept = ll.change(build, {f"candidates.h-flat.{key}": value for key, value in said.items()})
        assert draws.nominal(kept)("candidates.h-flat.failure.chance") == pytest.approx(p, abs=1e-12)


def test_fewer_minutes_tried_out_cost_odds_where_the_sheet_has_enough():
    plain = draws.nominal(shipped())
    short = draws.nominal(shipped(), {"candidates.h-flat.run_in_time": 0.0})
    path = "candidates.h-flat.failure.chance"
    assert short(path) > 6 * plain(path)


def test_what_is_left_out_is_a_caution():
    found = ll.compare(changed(factors="no-priming")).result("h-flat").assessment.cautions
    told = [caution_text(shipped(), each, "us") for each in found]
    assert sum("oil pump not primed" in each and "no reason to skip" in each for each in told) == 1
    assert not any(
        "good practice" in caution_text(shipped(), c, "us") for c in compared().result("h-flat").assessment.cautions
    )


def test_a_precautions_price_by_hand():
    # face-oiled: 110 USD of goods, no labour; freight, tax and the allowance of the sheet on top.
    s = shipped().shop
    goods = 110 * (1 + s.freight) * (1 + s.tax) * (1 + s.contingency)
    w = next(w for w in stakes().of("h-flat").precautions if w.id == "face-oiled")
    assert w.price == pytest.approx(goods, abs=0.005)


def test_a_precaution_taken_is_not_offered_again():
    build = changed(factors="no-gauge", precautions="gauge")
    ranked = precautions.precautions_by_worth(build, ll.compare(build).result("h-flat"))
    assert "gauge" not in {w.id for w in ranked}
    assert precautions.with_precaution(build, "h-flat", "gauge") is build
    with pytest.raises(ll.OutOfRange, match="there is no precaution 'bore-check'"):
        precautions.with_precaution(build, "h-flat", "bore-check")


def test_prices_in_another_currency_are_not_guessed():
    # Every price the library would supply in USD is written out first, so that only the precaution is left to refuse.
    written = {
        path: f"{datum.value!r} {datum.unit}"
        for path, datum in shipped().data.items()
        if not datum.written and "USD" in datum.unit
    }
    euro = ll.build_from_text(sheet_text(ll.change(shipped(), written)).replace("USD", "EUR"))
    assert euro.currency == "EUR"
    # What is done without buying costs hours alone and works in any currency.
    assert {p.id for p in euro.precautions} == {p.id for p in read_precautions() if not p.price_money}
    ungauged = ll.change(euro, {"candidates.h-flat.failure.factors": "no-gauge"})
    found = {w.id: w for w in precautions.precautions_by_worth(ungauged, ll.compare(ungauged).result("h-flat"))}
    build = changed(factors="no-gauge")
    dollar = {w.id: w for w in precautions.precautions_by_worth(build, ll.compare(build).result("h-flat"))}
    assert "gauge" in found and "face-oiled" not in found and found["gauge"].worth == dollar["gauge"].worth
    # Factors have no price and work in any currency.
    worse = ll.change(euro, {"candidates.h-flat.failure.factors": "no-paste"})
    assert [f.id for f in worse.factors_on(worse.candidate("h-flat"))] == ["no-paste"]
    with pytest.raises(ll.BuildError, match="price of 'face-oiled' is in USD and this sheet is in EUR"):
        ll.change(euro, {"candidates.h-flat.failure.precautions": "face-oiled"})


# -- words ---------------------------------------------------------------------------------------------------


def test_break_evens_come_first_and_a_sentence_a_candidate_follows():
    found = stakes()
    evens = [compared().break_even_text(b) for b in compared().break_evens]
    answers = stake_answers(found)
    assert list(answers[: len(evens)]) == evens
    assert len(answers) == len(evens) + len(shipped().candidates)
    build = changed(factors="no-paste")
    told = stake_answer(build, stake.stake(ll.compare(build).decision, count=1000).of("h-flat"))
    assert "no assembly paste" in told and "USD each time" in told


def test_results_are_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        stakes().count = 3
