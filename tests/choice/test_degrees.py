"""The answer moves by degrees: as a need, a card or a price moves, no chance jumps and no cost falls off a cliff.

Costs of a limit are worked out by hand from its chance: (1 - P) times the remedy's price, or what falling short costs.
"""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import pytest

import lobeledger as ll
from lobeledger.page.words.figures import near_money

BUILDS = Path(__file__).parents[2] / "data" / "builds"


@functools.cache
def build_of(name: str):
    return ll.read_build(BUILDS / f"{name}.toml")


def first_answer(build: ll.Build, changes: dict[str, object]) -> ll.Comparison:
    """The answer of the valvetrain as given; its speed limit is then sure, so that the others show alone."""
    return ll.compare(ll.change(build, changes), trials=0)


# A pump at a sure price, 300 USD and 2 h: with freight 3 %, tax 6 %, labour 95 USD/h and 8 % for surprises (all of the
# cruiser's sheet, without ranges) it is ((300 x 1.03 x 1.06) + 2 x 95) x 1.08 by hand.
PUMP = {"remedies.vacuum-pump.price": "300 USD", "remedies.vacuum-pump.time": "2 h"}
PUMP_MONEY = (300.0 * 1.03 * 1.06 + 2.0 * 95.0) * 1.08
WALK_INHG = np.arange(12.0, 18.01, 0.25)


@functools.cache
def walked() -> tuple[ll.Comparison, ...]:
    """The cruiser, its booster's need raised by quarters of an inch of mercury."""
    sure = ll.change(build_of("budget-cruiser"), PUMP)
    return tuple(first_answer(sure, {"vehicle.booster_vacuum": f"{need} inHg"}) for need in WALK_INHG)


@pytest.mark.parametrize("name", ["h-flat", "s-flat", "h-roller", "s-roller"])
def test_a_rising_need_of_vacuum_takes_the_chance_away_by_degrees(name: str) -> None:
    chances = np.array([c.result(name).limit("vacuum").chance for c in walked()])
    costs = np.array([c.result(name).cost_draws.mean() for c in walked()])
    assert chances[0] > 0.99 and chances[-1] < 0.2
    assert np.all(np.diff(chances) <= 0.0) and np.all(np.diff(costs) >= 0.0)
    # Each step costs the share of the draws that it loses times the pump, and no more.
    np.testing.assert_allclose(np.diff(costs), -np.diff(chances) * PUMP_MONEY, atol=1e-6)
    # From 5 to 95 % the vacuum spreads over 2 inHg and more; a quarter of an inch then takes fewer than a quarter.
    assert np.max(np.diff(costs)) < 0.25 * PUMP_MONEY


def test_the_pump_is_all_that_a_hopeless_need_costs_and_the_lead_stays() -> None:
    first, last = walked()[0], ll.change(walked()[0].build, {"vehicle.booster_vacuum": "25 inHg"})
    hopeless = ll.compare(last, trials=0)
    for before, after in zip(first.results, hopeless.results, strict=True):
        short = before.limit("vacuum").chance - after.limit("vacuum").chance
        assert after.limit("vacuum").chance == 0.0 and after.limit("vacuum").standing == "out"
        assert after.cost_draws.mean() - before.cost_draws.mean() == pytest.approx(short * PUMP_MONEY, abs=1e-6)
        # Money mends it, so it stops nobody.
        assert after.mended_chance == before.mended_chance
    assert {c.winner_id for c in (*walked(), hopeless)} == {"h-flat"}


def test_the_lead_changes_hands_where_the_costs_meet() -> None:
    """A pump so dear that the roller's stronger vacuum is worth its price in the middle of the walk, and only there."""
    dear = ll.change(build_of("budget-cruiser"), {
        "remedies.vacuum-pump.price": "3000 USD", "remedies.vacuum-pump.time": "2 h", "limits.budget": "90000 USD",
    })  # fmt: skip
    price = (3000.0 * 1.03 * 1.06 + 2.0 * 95.0) * 1.08
    leaders, gaps = [], []
    for need in WALK_INHG:
        c = first_answer(dear, {"vehicle.booster_vacuum": f"{need} inHg"})
        # What no pump mends costs the same all along the walk: taken from the comparison, the pump by hand.
        hand = {}
        for r in c.results:
            rest = r.cost_draws - (1.0 - r.limit("vacuum").draws.ok) * r.limit("vacuum").draws.remedy
            hand[r.candidate.id] = rest.mean() + (1.0 - r.limit("vacuum").chance) * price
        assert c.winner_id == min(hand, key=hand.get)
        leaders.append(c.winner_id)
        gaps.append(hand["h-roller"] - hand["h-flat"])
    assert leaders[0] == leaders[-1] == "h-flat" and "h-roller" in leaders
    turns = [i for i in range(1, len(leaders)) if leaders[i] != leaders[i - 1]]
    assert len(turns) == 2, "there and back"
    assert all(gaps[i] * gaps[i - 1] <= 0.0 for i in turns)
    # By degrees: the gap at which the lead turns is one that a step of a quarter of an inch can make.
    assert np.max(np.abs(np.diff(gaps))) < 0.25 * price


def test_a_card_a_degree_longer_changes_vacuum_and_cost_by_little() -> None:
    """The cruiser's solid flat, both cams a degree longer at 0.050 in at a time: weaker at idle each time, by little.

    A fifth of the room between two standings (0.9 and 0.1) is more than a degree may take.
    """
    build, own = build_of("budget-cruiser"), "candidates.s-flat"
    chances, costs, middles = [], [], []
    for more in (-2, -1, 0, 1, 2):
        changes = {
            f"{own}.{which}.durations.1.duration": f"{at + more} deg"
            for which, at in (("intake", 212), ("exhaust", 220))
        }
        r = first_answer(build, {**PUMP, **changes}).result("s-flat")
        vacuum = r.limit("vacuum")
        chances.append(vacuum.chance)
        middles.append(float(np.median(vacuum.values)))
        costs.append((r.cost_draws.mean(), r.net_draws.mean()))
    assert chances == sorted(chances, reverse=True) and middles == sorted(middles, reverse=True)
    assert np.max(-np.diff(chances)) < 0.16
    whole, net = np.array(costs).T
    np.testing.assert_allclose(whole - net, (1.0 - np.array(chances)) * PUMP_MONEY, atol=1e-6)
    assert np.max(np.abs(np.diff(whole))) < 0.16 * PUMP_MONEY


def test_a_price_moved_through_the_budget_costs_by_degrees() -> None:
    """Towing's hydraulic roller from well inside the budget to well beyond it, falling short given a price."""
    build = ll.change(build_of("towing-engine"), {"limits.shortfall": "1500 USD"})
    chances, extra, owning = [], [], []
    for budget in range(3500, 4601, 50):
        r = first_answer(build, {"limits.budget": f"{budget} USD"}).result("h-roller")
        chances.append(r.limit("budget").chance)
        # Its retainer may have to be mended too: that does not move with the budget.
        mends = (1.0 - r.limit("retainer").draws.ok) * r.limit("retainer").draws.remedy
        extra.append((r.cost_draws - r.net_draws - mends).mean())
        owning.append(r.figures["owning"].value)
    assert chances[0] < 0.01 and chances[-1] > 0.99 and chances == sorted(chances)
    np.testing.assert_allclose(extra, (1.0 - np.array(chances)) * 1500.0, atol=1e-6)
    assert np.max(np.diff(chances)) < 0.25 and len(set(owning)) == 1


def test_a_part_dearer_by_a_little_costs_by_a_little() -> None:
    """Money in a line: 10 USD more of parts are 10 x 1.03 x 1.06 x 1.08 USD more of cost, in every draw."""
    build = build_of("budget-cruiser")
    before = first_answer(build, {}).result("h-flat")
    after = first_answer(build, {"candidates.h-flat.parts.0.price": "300 USD"}).result("h-flat")
    np.testing.assert_allclose(after.cost_draws - before.cost_draws, 10.0 * 1.03 * 1.06 * 1.08, atol=1e-6)


# -- what falling short costs --------------------------------------------------------------------------------------


@functools.cache
def racer() -> ll.Comparison:
    """The racer that wants to turn 7,900 rpm: beyond what even stiffer springs make sure."""
    return ll.compare(ll.change(build_of("weekend-racer"), {"use.highest_speed": "7900 rpm"}))


def test_where_nothing_holds_the_surest_comes_nearest_and_its_shortfall_is_told() -> None:
    c = racer()
    assert c.winner_id is None and c.decision.order == () and not c.table.is_winner.any()
    chances = {r.candidate.id: r.mended_chance for r in c.results}
    # Chances that 64 trials do not tell apart (0.05) count as the same; of those the least cost.
    near = [r for r in c.results if r.mended_chance >= max(chances.values()) - 0.05]
    assert c.nearest_id == min(near, key=lambda r: r.cost_draws.mean()).candidate.id
    assert c.build.candidate(c.nearest_id).name in c.answer and "comes closest" in c.answer
    assert c.decision.shortfalls
    for each in c.decision.shortfalls:
        a, b = (c.result(x) for x in (each.cheaper_id, each.dearer_id))
        money = (b.cost_draws.mean() - a.cost_draws.mean()) / (b.mended_chance - a.mended_chance)
        assert each.money == pytest.approx(money, rel=1e-9) and money > 0.0
        assert f"{near_money(each.money):,.0f} USD" in c.verdict


def test_with_a_price_of_falling_short_the_lead_follows_the_break_even_on_both_sides() -> None:
    c = racer()
    for each in c.decision.shortfalls:
        for factor, leads in ((1.0 - 1e-4, each.cheaper_id), (1.0 + 1e-4, each.dearer_id)):
            money = each.money * factor
            given = first_answer(c.build, {"limits.shortfall": f"{money!r} USD"})
            assert given.winner_id == leads and not given.decision.shortfalls
            # Each pays it in the share of tries in which it falls short, springs and all.
            for before, after in zip(c.results, given.results, strict=True):
                short = 1.0 - after.mended_chance
                assert after.cost_draws.mean() - before.cost_draws.mean() == pytest.approx(short * money, rel=1e-6)


def test_the_cheapest_that_is_not_sure_does_not_lead_unless_falling_short_has_a_price() -> None:
    """Towing, the budget just at the flat's own first cost: in doubt, so the cheapest may not lead; priced, it may."""
    build = build_of("towing-engine")
    first = first_answer(build, {}).result("h-flat").limit("budget").have.value
    doubt = first_answer(build, {"limits.budget": f"{first!r} USD"})
    flat = doubt.result("h-flat")
    assert 0.1 < flat.limit("budget").chance < 0.9 and flat.standing == "in doubt"
    assert doubt.winner_id is None and "h-flat" not in doubt.decision.order
    priced = first_answer(build, {"limits.budget": f"{first!r} USD", "limits.shortfall": "100 USD"})
    assert priced.winner_id == "h-flat" and len(priced.decision.order) == 4


# -- remedies ------------------------------------------------------------------------------------------------------


def test_the_sheets_own_price_of_a_remedy_wins_in_the_cost() -> None:
    build = ll.change(build_of("budget-cruiser"), {"vehicle.booster_vacuum": "25 inHg"})
    of_library, own = first_answer(build, {}), first_answer(build, PUMP)
    for r, plain in zip(own.results, of_library.results, strict=True):
        limit = r.limit("vacuum")
        assert limit.remedy_id == "vacuum-pump" and np.ptp(limit.draws.remedy) == 0.0
        assert float(limit.draws.remedy[0]) == pytest.approx(PUMP_MONEY, abs=1e-9)
        # The library's own is a range: 200 to 450 USD, 1.5 to 3 h.
        low, high = ((p * 1.03 * 1.06 + t * 95.0) * 1.08 for p, t in ((200.0, 1.5), (450.0, 3.0)))
        drawn = plain.limit("vacuum").draws.remedy
        assert low < drawn.min() < PUMP_MONEY < drawn.max() < high


def test_what_the_order_list_mends_already_is_not_paid_twice() -> None:
    """A retainer that comes too near its seal as given: guides are shortened by the order list, at its own price."""
    build = build_of("budget-cruiser")
    before = first_answer(build, {}).result("s-flat")
    after = first_answer(build, {"candidates.s-flat.springs.retainer_to_seal": "0.46 in"}).result("s-flat")
    assert before.limit("retainer").chance == 1.0 and after.limit("retainer").chance < 0.1
    assert any("guides" in line.text for line in after.lines) and not any("guides" in x.text for x in before.lines)
    assert float(np.max(after.limit("retainer").draws.remedy)) == 0.0
    others = sum((1.0 - x.draws.ok) * x.draws.remedy for x in after.limits if x.limit == "vacuum")
    np.testing.assert_allclose(after.cost_draws - after.net_draws, others, atol=1e-9)
    assert after.mended_chance == before.mended_chance
