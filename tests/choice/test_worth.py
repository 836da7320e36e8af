"""What is knowing worth: the regression against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from lobeledger.choice.worth import value_of_knowing, value_of_knowing_all

N = 2000


def unit_normal_loss(u: float) -> float:
    """L(u) = phi(u) - u (1 - Phi(u)): unit normal loss integral (Raiffa and Schlaifer, Applied Statistical Decision
    Theory, 1961; from memory)."""
    return float(norm.pdf(u) - u * norm.sf(u))


def test_the_loss_integral_has_its_tabled_values() -> None:
    """L(0) 0.398942, L(0.5) 0.197797, L(1) 0.083315, L(2) 0.008491 (the same book's table; from memory)."""
    for u, value in ((0.0, 0.398942), (0.5, 0.197797), (1.0, 0.083315), (2.0, 0.008491)):
        assert unit_normal_loss(u) == pytest.approx(value, abs=1e-6)


def test_perfect_knowledge_of_a_solved_exercise() -> None:
    """Three choices, three states of 0.2, 0.4, 0.4: expected values 7.6, 9.6, 8.2; with perfect information 12.4, 2.8
    more (solved exercise on decisions under risk, solvely.ai/homework/318896182)."""
    payoffs = np.array([[10.0, 8.0, 6.0], [14.0, 15.0, 2.0], [7.0, 8.0, 9.0]])
    states = payoffs[:, [0, 1, 1, 2, 2]]
    assert states.mean(axis=1) == pytest.approx([7.6, 9.6, 8.2])
    assert value_of_knowing_all(-states) == pytest.approx(2.8, abs=1e-12)


def repeated(mean: float, sd: float, rho: float) -> np.ndarray:
    """The regression's answer over 20 samples: two acts, their difference N(mean, sd), a share rho of it known."""
    rng = np.random.default_rng(5)
    found = []
    for k in range(20):
        x = rng.standard_normal(N)
        difference = mean + sd * (rho * x + np.sqrt(1.0 - rho**2) * rng.standard_normal(N))
        found.append(value_of_knowing(np.stack([np.zeros(N), difference]), x[:, np.newaxis], seed=k).worth)
    return np.array(found)


@pytest.mark.parametrize(
    ("mean", "sd", "rho", "closed"),
    [
        (100.0, 200.0, 0.8, 25.9072),
        (100.0, 200.0, 0.5, 8.3315),
        (0.0, 200.0, 0.8, 63.8308),
        (300.0, 200.0, 0.8, 1.8869),
    ],
)
def test_knowing_a_part_against_the_closed_form(mean: float, sd: float, rho: float, closed: float) -> None:
    """t L(|mean| / t) with t = rho sd. Twenty samples of 2,000 have a mean within three of its own standard errors."""
    t = rho * sd
    assert t * unit_normal_loss(abs(mean) / t) == pytest.approx(closed, abs=1e-3)
    found = repeated(mean, sd, rho)
    # The fit of a finite sample lies a little high: allowed for by the worth of its ten columns of noise, sd / sqrt(N).
    assert abs(found.mean() - closed) < 3.0 * found.std(ddof=1) / np.sqrt(20) + 0.1 * sd / np.sqrt(N)


def test_a_reading_with_error_is_worth_less() -> None:
    """Prior sd 1, error sd 0.5, mean 0.3: rho = 0.894427, worth 0.226710 (closed form)."""
    rho = 1.0 / np.sqrt(1.0 + 0.5**2)
    assert rho * unit_normal_loss(0.3 / rho) == pytest.approx(0.226710, abs=1e-6)
    rng = np.random.default_rng(3)
    n = 40_000
    truth = rng.standard_normal(n)
    read = truth + 0.5 * rng.standard_normal(n)
    found = value_of_knowing(np.stack([np.zeros(n), 0.3 + truth]), read[:, np.newaxis]).worth
    assert found == pytest.approx(0.226710, abs=0.006)


def test_everything_known_is_worth_the_regret() -> None:
    """mean 100, sd 200, all known: 39.5593 (closed form)."""
    z = norm.ppf((np.arange(200_000) + 0.5) / 200_000)
    assert value_of_knowing_all(np.stack([np.zeros(z.size), 100.0 + 200.0 * z])) == pytest.approx(39.5593, abs=0.01)


def test_noise_is_worth_nothing() -> None:
    rng = np.random.default_rng(11)
    costs = np.stack([np.zeros(N), 20.0 + 200.0 * rng.standard_normal(N)])
    worths = [value_of_knowing(costs, rng.standard_normal((N, 1)), seed=k).worth for k in range(20)]
    assert sum(w > 0.0 for w in worths) <= 1
    assert value_of_knowing(costs, np.full((N, 2), 3.0))[:3] == (0.0, 0.0, 0.0)


def test_more_columns_still_find_what_matters() -> None:
    """The one column that counts among six and among twelve: squares and products, then straight lines."""
    rng = np.random.default_rng(2)
    for columns in (6, 12):
        x = rng.standard_normal((N, columns))
        costs = np.stack([np.zeros(N), 200.0 * x[:, 2]])
        assert value_of_knowing(costs, x).worth == pytest.approx(200.0 * unit_normal_loss(0.0), rel=0.08)
