"""Friction and the fuel it costs against hand arithmetic and a published fuel map."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lobeledger.engine.crank import displacement_m3, total_fmep_pa
from lobeledger.engine.friction import (
    accessory_fmep_pa,
    chen_flynn_friction,
    component_friction,
    crankshaft_fmep_pa,
    follower_fmep_pa,
    friction_mep,
    gas_load_fmep_pa,
    main_bearing_count,
    marginal_fuel_m3,
    reciprocating_fmep_pa,
    valvetrain_fmep_pa,
)
from lobeledger.errors import OutOfRange
from lobeledger.sheet.open import read_build
from lobeledger.sheet.tables import data_dir

V8: dict[str, Any] = {
    "bore_m": 0.1024,
    "stroke_m": 0.0884,
    "cylinders": 8,
    "compression_ratio": 9.0,
    "valve_lift_m": 0.0107,
}
SMALL: dict[str, Any] = {"bore_m": 0.1, "stroke_m": 0.1, "cylinders": 8, "main_bearings": 5}


# ---------------------------------------------------------------------------- the component fit, worked by hand


# Patton, Nitschke and Heywood, SAE 890836 (equations and coefficients from memory), a V8 of 100 x 100 mm at 2000 rpm,
# five mains of 60 x 21 mm, crankpins of 52 mm, 6.667 m/s. Printed to 0.01 kPa.
# crank: 1.22e5 x 60/8e6 = 0.915; 3.03e-4 x 2000 x 60^3 x 21 x 5/8e6 = 1.718; 1.35e-10 x 3600 x 4e6 x 5/8 = 1.215.
def test_sae_890836_crankshaft_by_hand() -> None:
    assert float(crankshaft_fmep_pa(2000.0, **SMALL)) / 1e3 == pytest.approx(3.85, abs=0.005)


# pistons: 294 x 6.667/100 = 19.60; 4.06e4 x 1.5/1e4 = 6.09; 3.03e-4 x 2000 x 52^3 x 21/1e6 = 1.789.
def test_sae_890836_reciprocating_by_hand() -> None:
    found = float(reciprocating_fmep_pa(2000.0, bore_m=0.1, stroke_m=0.1)) / 1e3
    assert found == pytest.approx(27.48, abs=0.005)


# gas: ratio 9, stroke 90 mm, 6 m/s: exponent 1.33 - 0.1428 = 1.1872, 9^1.1872 = 13.58; 6.89 (0.792 + 2.472) = 22.49.
def test_sae_890836_gas_load_by_hand() -> None:
    found = float(gas_load_fmep_pa(2000.0, stroke_m=0.09, compression_ratio=9.0)) / 1e3
    assert found == pytest.approx(22.49, abs=0.01)


# Followers (coefficients 400 and 0.0050): flat 400 x 1.5 x 16/(100 x 8) = 12; roller 0.005 x 2000 x 16/(100 x 8) = 0.2.
def test_sae_890836_followers_by_hand() -> None:
    engine = {"valves": 16, "cylinders": 8, "stroke_m": 0.100}
    assert float(follower_fmep_pa(2000.0, follower="flat", **engine)) == pytest.approx(12e3, rel=1e-12)
    assert float(follower_fmep_pa(2000.0, follower="roller", **engine)) == pytest.approx(200.0, rel=1e-12)


# valvetrain: cam bearings 244 x 2000 x 5/8e6 = 0.305; film 0.5 x 11^1.5 x 2000^0.5 x 16/(100 x 100 x 8) = 0.163; mixed
# 32.1 x 1.5 x 11 x 16/(100 x 8) = 10.593; with the flat's own 12: 23.06.
def test_sae_890836_valvetrain_by_hand() -> None:
    found = float(valvetrain_fmep_pa(2000.0, follower="flat", **SMALL, valves=16, valve_lift_m=0.011)) / 1e3
    assert found == pytest.approx(23.06, abs=0.005)


# pumps and alternator: 6.23 + 5.22e-3 x 2000 - 1.79e-7 x 4e6 = 15.954.
def test_sae_890836_accessories_by_hand() -> None:
    assert float(accessory_fmep_pa(2000.0)) / 1e3 == pytest.approx(15.954, abs=5e-4)


# The form of Chen and Flynn, SAE 650733 (from memory): 4000 rpm, stroke 90 mm: 12 m/s. 0.4 + 1.08 + 0.1296 = 1.6096 bar
# and 0.005 x 3 x 1 bar x 9^1.3 (17.40) = 0.2610 bar at full throttle, for the mean of the two followers.
def test_chen_flynn_by_hand() -> None:
    both = [
        chen_flynn_friction(
            4000.0, follower=f, stroke_m=0.09, cylinders=8, compression_ratio=9.0, ambient_pressure_pa=1e5
        )
        for f in ("flat", "roller")
    ]
    assert float(both[0].unloaded_pa + both[1].unloaded_pa) / 2e5 == pytest.approx(1.6096, abs=5e-5)
    assert float(both[0].gas_load_pa) / 1e5 == pytest.approx(0.2610, abs=5e-5)


# --------------------------------------------------------------------------------------------- what must hold


@given(st.floats(600, 7000), st.floats(0.0, 1.0), st.floats(0.3, 1.0))
def test_the_follower_s_term_is_in_it_once_whichever_fit(rpm: float, between: float, ratio: float) -> None:
    """Flat less roller is the one figure that fuel and cost are charged with, at every place between the fits."""
    flat, roller = (
        friction_mep(rpm, follower=f, **V8, ambient_pressure_pa=99e3, between=between).at(ratio)
        for f in ("flat", "roller")
    )
    own = [follower_fmep_pa(rpm, follower=f, valves=16, cylinders=8, stroke_m=0.0884) for f in ("flat", "roller")]
    assert float(flat - roller) == pytest.approx(float(own[0] - own[1]), rel=1e-9, abs=1e-6)


@given(st.floats(600, 6000))
def test_flat_followers_cost_more_and_least_at_speed(rpm: float) -> None:
    engine = {"valves": 16, "cylinders": 8, "stroke_m": 0.0884}
    flat, roller = (lambda n, f=f: float(follower_fmep_pa(n, follower=f, **engine)) for f in ("flat", "roller"))
    assert flat(rpm) > 5 * roller(rpm)
    assert flat(rpm + 100) < flat(rpm)
    assert roller(rpm + 100) > roller(rpm)


@pytest.mark.parametrize("rpm", [700.0, 1000.0, 2000.0, 4000.0, 6000.0])
def test_friction_without_pumping_lies_below_what_it_takes_to_motor_an_engine(rpm: float) -> None:
    """Barnes-Moss (Heywood, eq. 13.6, from memory) is motored at wide-open throttle: it holds pumping, these do not."""
    for fit in (0.0, 0.5, 1.0):
        found = friction_mep(rpm, follower="flat", **V8, ambient_pressure_pa=99e3, between=fit).at(1.0)
        assert float(found) < total_fmep_pa(rpm)


def test_the_two_fits_agree_at_idle_and_part_at_speed() -> None:
    def ratio(rpm: float) -> float:
        one = component_friction(rpm, follower="flat", **V8).at(1.0)
        other = chen_flynn_friction(
            rpm, follower="flat", stroke_m=0.0884, cylinders=8, compression_ratio=9.0, ambient_pressure_pa=99e3
        ).at(1.0)
        return float(other / one)

    assert ratio(700.0) == pytest.approx(1.0, abs=0.1)
    assert 1.2 < ratio(2000.0) < ratio(4000.0) < ratio(7000.0) < 2.0


def test_draws_give_what_single_cases_give() -> None:
    rng = np.random.default_rng(3)
    speed, between, scale = rng.uniform(600, 900, 50), rng.uniform(0, 1, 50), rng.uniform(0.8, 1.2, 50)
    many = friction_mep(speed, follower="roller", **V8, ambient_pressure_pa=99e3, between=between, scale=scale).at(0.4)
    for i in (0, 17, 49):
        one = friction_mep(
            float(speed[i]), follower="roller", **V8, ambient_pressure_pa=99e3,
            between=float(between[i]), scale=float(scale[i]),
        ).at(0.4)  # fmt: skip
        assert float(one) == pytest.approx(float(many[i]), rel=1e-12)


def test_bad_input_is_named() -> None:
    with pytest.raises(OutOfRange, match="flat or roller"):
        follower_fmep_pa(2000.0, follower="mushroom", valves=16, cylinders=8, stroke_m=0.09)
    with pytest.raises(OutOfRange, match="runs from 0"):
        friction_mep(2000.0, follower="flat", **V8, ambient_pressure_pa=99e3, between=1.2)
    with pytest.raises(OutOfRange, match="at least one"):
        main_bearing_count(0)


# -------------------------------------------------------------------------------- fuel of a little more friction

# Brake specific fuel (ug/J) of a 1.9 L four over brake mean effective pressure (bar) at 2,000 rpm. Reilly et al., SAE
# 910676 (1991), fig. 4, as transcribed in a public data file for vehicle studies (numbers seen there, not the paper).
REILLY_2000_RPM = {1: 165.0, 2: 110.0, 3: 93.0, 4: 83.5, 5: 76.5, 6: 72.0, 7: 68.0, 8: 68.0}


def willans_slope(fuel_ug_per_j: dict[int, float], low_bar: int, high_bar: int) -> float:
    """Work over heat of the fuel added between two loads, by least squares over the loads between them."""
    load = np.array([b for b in fuel_ug_per_j if low_bar <= b <= high_bar], dtype=float)
    heat = np.array([fuel_ug_per_j[int(b)] * 1e-9 * 43.9e6 * b for b in load])
    return float(1.0 / np.polyfit(load, heat, 1)[0])


def test_marginal_efficiency_holds_a_published_willans_slope() -> None:
    """The map's slope lies inside the default's range, an older engine's too, and a run-in's efficiency far below."""
    data = read_build(data_dir() / "builds" / "budget-cruiser.toml").data
    default = data["model.marginal_efficiency"]
    assert default.low is not None and default.high is not None
    # By hand, end to end: 6 bar over 43.9 J/mg x (8 x 68 - 2 x 110) ug/J = 0.4218; by least squares a little more.
    slope = willans_slope(REILLY_2000_RPM, 2, 8)
    assert slope == pytest.approx(0.4218, rel=0.04)
    assert default.low < slope < default.high
    # Between 2 bar at 375 g/kWh and 9 bar at 260 g/kWh (middles of 350-400 and 250-270, from memory): 0.361.
    older = 7.0 / ((9.0 * 260.0 - 2.0 * 375.0) / 3.6e9 * 43.9e6)
    assert older == pytest.approx(0.361, abs=0.001)
    assert default.low < older < float(default.value)
    assert float(data["model.run_in_efficiency"].value) < default.low


def test_the_mean_efficiency_at_light_load_would_overcharge_friction() -> None:
    """At 2 bar the mean efficiency of that map is under half of its slope: friction charged at it would cost double."""
    mean = 1.0 / (REILLY_2000_RPM[2] * 1e-9 * 43.9e6)
    assert mean < 0.5 * willans_slope(REILLY_2000_RPM, 2, 8)


def test_marginal_fuel_by_hand() -> None:
    # 13.4 kPa over 5.73 L is 76.78 J a cycle; 1,000 cycles a minute for an hour 4.607 MJ; /0.38 is 12.12 MJ of fuel;
    # /43.9 MJ/kg/0.745 kg/L is 0.3707 L. Four digits.
    found = marginal_fuel_m3(
        time_s=3600.0, speed_rpm=2000.0, displacement_m3=5.73e-3, friction_mep_pa=13.4e3, marginal_efficiency=0.38,
        heating_value_j_per_kg=43.9e6, density_kg_per_m3=745.0,
    )  # fmt: skip
    assert found * 1e3 == pytest.approx(0.3707, abs=5e-5)
    assert math.isclose(displacement_m3(bore_m=0.1024, stroke_m=0.0884, cylinders=8), 5.824e-3, rel_tol=1e-3)
