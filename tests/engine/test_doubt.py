"""The doubt about a difference in torque: closed forms of its draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lobeledger.engine.doubt import torque_doubt_share, torque_gain_draws
from lobeledger.errors import OutOfRange

# What defaults.csv assumes.
MISLEADING_OVERLAP_RAD = math.radians(70.0)
DOUBT = {"base_share": 0.010, "misleading_overlap_rad": MISLEADING_OVERLAP_RAD, "growth_per_rad": 0.03}
RNG = np.random.default_rng(11)
N = 20000
UNIFORM = [RNG.uniform(-1.0, 1.0, N) for _ in range(5)]


@given(st.floats(-40.0, 140.0), st.floats(0.0, 30.0))
def test_doubt_never_falls_with_overlap_and_is_flat_where_the_model_is_at_home(deg: float, more: float) -> None:
    here, there = (float(torque_doubt_share(math.radians(d), **DOUBT)) for d in (deg, deg + more))
    assert there >= here >= 0.010
    if deg + more <= 70.0:
        assert here == there == 0.010


def test_doubt_grows_half_a_per_cent_every_ten_degrees() -> None:
    # 0.03 a radian is 0.5236 % every 10 degrees.
    a, b = (float(torque_doubt_share(MISLEADING_OVERLAP_RAD + math.radians(d), **DOUBT)) for d in (10.0, 20.0))
    assert b - a == pytest.approx(0.03 * math.pi / 18.0, rel=1e-12)


def test_a_gain_of_nothing_is_no_surer_than_a_gain_of_three_per_cent() -> None:
    common = {"doubt_share": 0.02, "reference_doubt_share": 0.01, "own_error": UNIFORM[0], "shared_error": UNIFORM[1]}
    none, three = (torque_gain_draws(gain, **common) for gain in (0.0, 0.03))
    assert np.std(none) == pytest.approx(np.std(three), rel=1e-12)
    # Independent uniforms of half width w have variance w^2/3: sqrt((0.02^2 + 0.01^2)/3) = 0.01291; 3 %, 20,000 draws.
    assert float(np.std(none)) == pytest.approx(math.sqrt((0.02**2 + 0.01**2) / 3.0), rel=0.03)


def test_what_two_candidates_of_one_overlap_share_leaves_their_difference() -> None:
    def drawn(gain: float, doubt: float, own: np.ndarray) -> np.ndarray:
        return torque_gain_draws(
            gain, doubt_share=doubt, reference_doubt_share=0.010, own_error=own, shared_error=UNIFORM[2]
        )

    alike = drawn(0.02, 0.03, UNIFORM[0]) - drawn(0.01, 0.03, UNIFORM[1])
    # Only their own errors are left: sqrt(2 x 0.03^2/3).
    assert float(np.std(alike)) == pytest.approx(0.03 * math.sqrt(2.0 / 3.0), rel=0.03)
    apart = drawn(0.02, 0.03, UNIFORM[0]) - drawn(0.01, 0.01, UNIFORM[1])
    # Against a mild one the shared part stays: sqrt((0.03^2 + 0.01^2 + 0.02^2)/3).
    assert float(np.std(apart)) == pytest.approx(math.sqrt((0.03**2 + 0.01**2 + 0.02**2) / 3.0), rel=0.03)


def test_the_runner_moves_a_gain_along_its_three_points() -> None:
    found = torque_gain_draws(
        0.02,
        doubt_share=0.0,
        reference_doubt_share=0.0,
        own_error=0.0,
        shared_error=0.0,
        gain_by_runner_share=(-0.01, 0.03),
        runner_place=np.array([-1.0, -0.5, 0.0, 0.5, 1.0]),
    )
    assert found.tolist() == pytest.approx([-0.01, 0.005, 0.02, 0.025, 0.03])


def test_the_card_s_own_family_comes_on_top() -> None:
    found = torque_gain_draws(
        0.0, doubt_share=0.0, reference_doubt_share=0.0, own_error=0.0, shared_error=0.0, family_share=0.004,
        family_error=UNIFORM[4],
    )  # fmt: skip
    assert float(np.std(found)) == pytest.approx(0.004 / math.sqrt(3.0), rel=0.03)


def test_errors_outside_their_range_are_refused() -> None:
    with pytest.raises(OutOfRange, match="shared_error reaches 2"):
        torque_gain_draws(0.0, doubt_share=0.01, reference_doubt_share=0.01, own_error=0.0, shared_error=2.0)
