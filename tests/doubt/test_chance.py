"""Run-in fuel, opinions about a loss, and the break-even chance.

Sources are named beside each check; 'from memory' where nobody saw the page.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lobeledger.choice.run_in import run_in_fuel_m3
from lobeledger.doubt.chance import break_even_chance, chance_prior
from lobeledger.errors import OutOfRange

# -- opinions ----------------------------------------------------------------------------------------------


def test_beta_binomial_conjugacy_3_of_27():
    # Conjugacy of Beta and Binomial (any Bayesian text, from memory): Beta(1, 1) with 3 losses in 27 -> mean 4/29.
    prior = chance_prior(one_in=2.0, worth_builds=2.0)
    assert (prior.alpha, prior.beta) == (1.0, 1.0)
    after = stats.beta(prior.alpha + 3, prior.beta + 24)
    assert after.mean() == pytest.approx(4 / 29, abs=1e-12)
    # The same without conjugacy: likelihood times flat prior, integrated numerically.
    p = (np.arange(200_000) + 0.5) / 200_000
    weight = stats.binom.pmf(3, 27, p) * stats.beta.pdf(p, prior.alpha, prior.beta)
    assert (p * weight).sum() / weight.sum() == pytest.approx(after.mean(), abs=1e-9)


def test_beta_binomial_none_lost_of_30():
    # Beta(1, 1) with 0 losses in 30: 95 % bound 1 - 0.05**(1/31) = 0.0921 (4 digits printed).
    prior = chance_prior(one_in=2.0, worth_builds=2.0)
    bound = stats.beta(prior.alpha, prior.beta + 30).ppf(0.95)
    assert bound == pytest.approx(1 - 0.05 ** (1 / 31), abs=1e-12)
    assert bound == pytest.approx(0.0921, abs=5e-5)


@pytest.mark.parametrize(("builds", "bound"), [(1500, 1 / 500), (300, 1 / 100), (30, 1 / 10)])
def test_rule_of_three_eypasch(builds, bound):
    # Rule of three: none lost of n -> at most 3/n with 95 % confidence.
    # E. Eypasch et al., BMJ 311 (1995) 619; restated at errickson.net/blog/posts/the-rule-of-three. 5 % for n >= 30.
    weak = chance_prior(one_in=1.0 + 1e-9, worth_builds=1.0)  # Beta(1, ~0): n builds without a loss make it Beta(1, n)
    assert stats.beta(weak.alpha, weak.beta + builds).ppf(0.95) == pytest.approx(bound, rel=0.05)


@given(st.floats(1.001, 1e5), st.floats(1e-3, 1e5))
def test_an_opinion_has_the_mean_and_the_weight_it_was_given(one_in, worth):
    prior = chance_prior(one_in=one_in, worth_builds=worth)
    assert prior.mean == pytest.approx(1.0 / one_in, rel=1e-9)
    assert prior.alpha + prior.beta == pytest.approx(worth, rel=1e-9)
    assert prior.mean == pytest.approx(stats.beta(prior.alpha, prior.beta).mean(), rel=1e-9)


@pytest.mark.parametrize(("one_in", "worth"), [(1.0, 30.0), (0.5, 30.0), (40.0, 0.0), (40.0, -1.0)])
def test_impossible_opinions_are_refused(one_in, worth):
    with pytest.raises(OutOfRange, match=r"1 in more than 1"):
        chance_prior(one_in=one_in, worth_builds=worth)


# -- break-even --------------------------------------------------------------------------------------------

_MONEY = st.floats(0.0, 1e6)
_LOSS = st.floats(1.0, 1e6)


@given(_MONEY, _LOSS, _MONEY, st.floats(0.0, 1.0), _LOSS)
def test_break_even_makes_both_sides_cost_the_same(cost, loss, other_cost, other_chance, other_loss):
    chance = break_even_chance(
        cost_without_loss=cost,
        loss=loss,
        other_cost_without_loss=other_cost,
        other_chance=other_chance,
        other_loss=other_loss,
    )
    other = other_cost + other_chance * other_loss
    if chance is None:
        # The same side is the cheaper at a chance of nought and of one.
        assert (cost < other) == (cost + loss < other) or math.isclose(cost + loss, other, rel_tol=1e-9)
    else:
        assert 0.0 <= chance <= 1.0
        assert cost + chance * loss == pytest.approx(other, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(
    ("cost", "loss", "other", "chance"),
    [
        (1000.0, 4000.0, 999.99, None),  # dearer even when it never fails
        (1000.0, 4000.0, 1000.0, 0.0),
        (1000.0, 4000.0, 5000.0, 1.0),
        (1000.0, 4000.0, 5000.01, None),  # cheaper even when it always fails
        (1000.0, 0.0, 1500.0, None),  # a loss that costs nothing decides nothing
    ],
)
def test_break_even_at_its_ends(cost, loss, other, chance):
    found = break_even_chance(
        cost_without_loss=cost, loss=loss, other_cost_without_loss=other, other_chance=0.0, other_loss=0.0
    )
    assert found == chance


def test_break_even_where_two_expected_values_cross():
    # Payoffs of a solved decision exercise (solvely.ai/homework/318896182): three choices, three states, p 0.2 0.4 0.4,
    # expected values 7.6, 9.6, 8.2 and 12.4 with perfect information. The arithmetic first, on the exercise itself:
    payoffs = np.array([[10.0, 8.0, 6.0], [14.0, 15.0, 2.0], [7.0, 8.0, 9.0]])
    chances = np.array([0.2, 0.4, 0.4])
    expected = payoffs @ chances
    assert expected == pytest.approx([7.6, 9.6, 8.2], abs=1e-12)
    assert payoffs.max(axis=0) @ chances == pytest.approx(12.4, abs=1e-12)
    # Then with the third state as 'the loss', the other two keeping their ratio 1 to 2: the second choice is worth
    # (14 + 2 x 15)/3 without it and 2 with it, the third (7 + 2 x 8)/3 and 9. Both are worth the same at p where
    # 44/3 - p (44/3 - 2) = 23/3 - p (23/3 - 9), that is p = 7 / 14 = 0.5.
    second, third = (row[:2] @ [1 / 3, 2 / 3] for row in payoffs[1:])
    found = break_even_chance(
        cost_without_loss=-second,
        loss=(second - 2.0) - (third - 9.0),  # what the loss costs more in the second than in the third
        other_cost_without_loss=-third,
        other_chance=0.0,
        other_loss=0.0,
    )
    assert found == pytest.approx(0.5, abs=1e-12)
    # At the exercise's own 0.4 the second choice is still ahead, as its expected values say.
    assert expected[1] > expected[2] and 0.4 < 0.5


# -- fuel --------------------------------------------------------------------------------------------------


def test_run_in_fuel_by_way_of_power_and_specific_consumption():
    # The same fuel by another road: indicated power P = p V N / 2, specific consumption 1 / (efficiency x heating
    # value), fuel = P x bsfc x time (definitions; Heywood 1988 ch. 2, from memory). In the units a dyno sheet uses.
    litres, rpm, minutes = 5.7, 2300.0, 30.0
    pressure_bar = 1.0 + 1.5
    power_kw = pressure_bar * 100.0 * (litres / 1000.0) * (rpm / 60.0) / 2.0
    grams_per_kwh = 3600.0 * 1000.0 / (0.28 * 43.9e3)  # kJ in a kWh over kJ in a gram, per indicated kWh
    fuel_kg = power_kw * grams_per_kwh * (minutes / 60.0) / 1000.0
    found = run_in_fuel_m3(
        time_s=minutes * 60.0,
        speed_rpm=rpm,
        displacement_m3=litres / 1000.0,
        brake_pressure_pa=1.0e5,
        friction_pressure_pa=1.5e5,
        indicated_efficiency=0.28,
        heating_value_j_per_kg=43.9e6,
        density_kg_per_m3=745.0,
    )
    assert found * 745.0 == pytest.approx(fuel_kg, rel=1e-12)


@given(st.floats(0.0, 1e4), st.floats(1.1, 5.0))
def test_run_in_fuel_is_proportional_to_time_and_takes_arrays(time_s, factor):
    def fuel(time, efficiency):
        return run_in_fuel_m3(
            time_s=time, speed_rpm=2300.0, displacement_m3=0.0057, brake_pressure_pa=1e5, friction_pressure_pa=1.5e5,
            indicated_efficiency=efficiency, heating_value_j_per_kg=43.9e6, density_kg_per_m3=745.0,
        )  # fmt: skip

    assert fuel(time_s * factor, 0.28) == pytest.approx(fuel(time_s, 0.28) * factor, rel=1e-12)
    many = fuel(time_s, np.array([0.2, 0.28, 0.35]))
    assert many.shape == (3,) and many[1] == fuel(time_s, 0.28)
    assert time_s == 0.0 or (np.diff(many) < 0).all()
