"""Limits under doubt against closed forms and hand cases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from lobeledger.doubt.standing import (
    LimitDraws,
    break_even_shortfall,
    expected_cost,
    joint_draws,
    lead_of,
    share_is_settled,
)

N = 200_000
GRID = norm.ppf((np.arange(N) + 0.5) / N)  # a normal deviate at even shares: no sampling noise


def limit(mean: float, sd: float, need: float, remedy: float | None = 590.0, z=GRID) -> LimitDraws:
    price = None if remedy is None else np.full(len(z), remedy)
    return LimitDraws("vacuum", (mean + sd * z >= need).astype(float), price)


def test_one_limit_with_a_remedy_by_hand() -> None:
    """Figure N(15.6, 0.7), need 14: P = Phi(1.6 / 0.7) = 0.988865; 2,867 + 0.011135 x 590 = 2,873.57 (by hand)."""
    vacuum = limit(15.6, 0.7, 14.0)
    assert vacuum.chance == pytest.approx(0.988865, abs=5e-6)
    assert expected_cost(np.full(N, 2867.0), [vacuum]).mean() == pytest.approx(2873.570, abs=0.005)
    assert expected_cost(np.full(N, 2867.0), [limit(15.6, 0.7, 15.6)]).mean() == pytest.approx(3162.0, abs=0.005)


@pytest.mark.parametrize(
    ("need", "first", "second"),
    [(14.0, 2885.671, 3100.005), (15.0, 3064.129, 3101.261), (16.0, 3363.393, 3145.173)],
)
def test_two_candidates_and_one_limit_by_hand(need: float, first: float, second: float) -> None:
    """A: 2,867, N(15.3, 0.7); B: 3,100, N(17, 0.7); remedy 590: mean = C + 590 Phi((need - m) / s) (by hand)."""
    a = expected_cost(np.full(N, 2867.0), [limit(15.3, 0.7, need)])
    b = expected_cost(np.full(N, 3100.0), [limit(17.0, 0.7, need)])
    assert (a.mean(), b.mean()) == (pytest.approx(first, abs=0.01), pytest.approx(second, abs=0.01))
    assert lead_of({"a": a, "b": b}).order[0] == ("a" if first < second else "b")


def test_the_lead_changes_hands_where_the_means_meet() -> None:
    """The same two tie at a need of 15.12000 (root of the closed form)."""

    def leader(need: float) -> str:
        pair = {"a": (2867.0, 15.3), "b": (3100.0, 17.0)}
        costs = {k: expected_cost(np.full(N, c), [limit(m, 0.7, need)]) for k, (c, m) in pair.items()}
        return lead_of(costs).order[0]

    assert (leader(15.1199), leader(15.1201)) == ("a", "b")


@pytest.mark.parametrize(("rho", "joint"), [(1.0, 0.8), (0.0, 0.72), (0.5, 0.751497), (0.97, 0.799199)])
def test_two_limits_are_met_together_as_their_draws_say(rho: float, joint: float) -> None:
    """P 0.9 and 0.8, normal: least of both when shared, the product when independent, scipy's bivariate between."""
    rng = np.random.default_rng(7)
    n = 1_000_000
    z = rng.standard_normal(n)
    other = rho * z + np.sqrt(1.0 - rho**2) * rng.standard_normal(n)
    limits = [limit(0.0, 1.0, -norm.ppf(0.9), z=z), limit(0.0, 1.0, -norm.ppf(0.8), z=other)]
    found = joint_draws(limits, n).mean()
    assert found == pytest.approx(joint, abs=4.0 * np.sqrt(joint * (1 - joint) / n))
    if 0.0 < rho < 1.0:
        exact = multivariate_normal([0, 0], [[1, rho], [rho, 1]]).cdf([norm.ppf(0.9), norm.ppf(0.8)])
        assert joint == pytest.approx(exact, abs=2e-6)


def test_a_limit_without_a_priced_remedy_costs_the_shortfall_or_nothing() -> None:
    bare = LimitDraws("speed", np.array([1.0, 0.25]))
    net = np.array([100.0, 100.0])
    assert expected_cost(net, [bare]).tolist() == [100.0, 100.0]
    assert expected_cost(net, [bare], 400.0).tolist() == [100.0, 400.0]


def test_the_break_even_shortfall_by_hand() -> None:
    """(10,966 - 4,897) / (0.908 - 0.395) = 11,830.4."""
    pair = dict(cheaper_cost=4897.0, cheaper_chance=0.395, dearer_cost=10966.0, dearer_chance=0.908)
    assert break_even_shortfall(**pair) == pytest.approx(11830.4, abs=0.05)
    assert break_even_shortfall(**{**pair, "dearer_chance": 0.395}) is None
    assert break_even_shortfall(**{**pair, "dearer_cost": 4000.0}) is None


@pytest.mark.parametrize(("met", "trials", "settled"), [(20, 20, True), (19, 19, True), (16, 16, False), (0, 19, True)])
def test_how_many_trials_settle_a_share(met: int, trials: int, settled: bool) -> None:
    """Jeffreys' posterior: 20 of 20 give P(p > 0.9) = 0.96116, 19 of 19 0.95602, 16 of 16 0.93579 (scipy beta)."""
    assert share_is_settled(met, trials) is settled


def test_regret_is_what_knowing_all_would_save() -> None:
    a, b = np.array([1.0, 5.0, 1.0]), np.array([4.0, 2.0, 4.0])
    lead = lead_of({"b": b, "a": a})
    assert lead.order == ("a", "b") and lead.regret == pytest.approx(1.0) and lead.ahead_of_all == pytest.approx(2 / 3)
    assert lead.tied == ("a", "b")
