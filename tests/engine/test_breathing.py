"""The breathing room against handbooks, closed forms and an independent integrator."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from lobeledger.engine.breathing import (
    bmep_pa,
    mach_index,
    mean_effective_area_m2,
    mean_inlet_mach_index,
    peak_power_speed_band_rpm,
    power_w,
    speed_at_mach_index_rpm,
    torque_n_m,
    volumetric_efficiency,
)
from lobeledger.engine.cycle import crank_effective_area_m2, flow_data_end_m
from lobeledger.engine.ports import (
    FLOW_BENCH_28_INH2O_PA,
    GAS_CONSTANT_J_PER_KG_K,
    beyond_table_doubt_share,
    choked_pressure_ratio,
    curtain_area_m2,
    discharge_coefficient,
    effective_area_m2,
    flow_bench_effective_area_m2,
    flow_bench_velocity_m_per_s,
    flow_function,
    orifice_mass_flux_kg_per_s_m2,
    port_area_m2,
    sound_speed_m_per_s,
)
from lobeledger.errors import OutOfRange
from lobeledger.sheet.open import read_build
from lobeledger.sheet.tables import data_dir

ureg = pint.UnitRegistry()
R = GAS_CONSTANT_J_PER_KG_K
DATA = data_dir()
FLAT_TABLE = {
    "table_lift_over_diameter": [0.0, 0.1, 0.25, 0.35],
    "table_coefficient": [0.70, 0.66, 0.60, 0.55],
}


# ------------------------------------------------------------------------------------- areas and flow bench


def test_curtain_equals_port_at_a_quarter_diameter() -> None:
    # Heywood, ch. 6: pi D L = pi D^2/4 at L/D = 0.25. Exact.
    assert curtain_area_m2(0.25 * 0.0508, valve_diameter_m=0.0508) == pytest.approx(port_area_m2(0.0508), rel=1e-15)


# 28 inH2O, incompressible: 106.7-107.8 m/s and 145.8-147.4 ft3/min per in2 for air of 0.0765 lb/ft3 and 1.2
# kg/m3; 0.2 %. Units by pint 0.25.
@pytest.mark.parametrize(
    ("density", "velocity", "cfm"), [(ureg.Quantity(0.0765, "lb/ft**3"), 106.7, 145.8), (1.2, 107.8, 147.4)]
)
def test_flow_bench_ideal_velocity(density: Any, velocity: float, cfm: float) -> None:
    rho = float(density.to("kg/m**3").magnitude) if hasattr(density, "to") else density
    found = flow_bench_velocity_m_per_s(test_drop_pa=FLOW_BENCH_28_INH2O_PA, density_kg_per_m3=rho)
    assert found == pytest.approx(velocity, rel=0.002)
    flow = float(ureg.Quantity(cfm, "ft**3/min").to("m**3/s").magnitude)
    area = flow_bench_effective_area_m2(flow, density_kg_per_m3=rho)
    assert area == pytest.approx(0.0254**2, rel=0.002)


def test_test_drop_is_28_inches_of_water() -> None:
    # pint 0.25: inch_H2O at 4 C is 249.0889 Pa; 28 of them 6.97449 kPa. Printed digits.
    assert pytest.approx(6974.49, abs=0.005) == FLOW_BENCH_28_INH2O_PA


@given(st.floats(0.0, 0.35), st.floats(0.03, 0.06))
def test_effective_area_stays_below_throat_and_curtain(ratio: float, diameter: float) -> None:
    lift = ratio * diameter
    area = effective_area_m2(lift, valve_diameter_m=diameter, **FLAT_TABLE)
    assert area <= 0.7 * curtain_area_m2(lift, valve_diameter_m=diameter) + 1e-15
    assert area <= 0.7 * port_area_m2(diameter)
    throat = port_area_m2(0.85 * diameter, stem_diameter_m=0.2 * diameter)
    capped = effective_area_m2(lift, valve_diameter_m=diameter, throat_area_m2=throat, **FLAT_TABLE)
    assert capped <= area + 1e-15
    assert effective_area_m2(lift, valve_diameter_m=diameter, valves_per_cylinder=2, **FLAT_TABLE) == pytest.approx(
        2 * area, rel=1e-15
    )


def test_the_last_coefficient_holds_above_the_table_and_its_doubt_grows() -> None:
    # The curtain passes the port area at L/D 0.25 (test above): beyond, the throat rules and a coefficient on it stays.
    for ratio in (0.35, 0.36, 0.60):
        found = discharge_coefficient(ratio * 0.05, valve_diameter_m=0.05, **FLAT_TABLE)
        assert found == pytest.approx(0.55)
    ends = [
        float(beyond_table_doubt_share(r * 0.05, table_end_lift_m=0.35 * 0.05, valve_diameter_m=0.05))
        for r in (0.20, 0.35, 0.40, 0.45, 0.90)
    ]
    assert ends == pytest.approx([0.0, 0.0, 0.05, 0.10, 0.30])


def test_a_discharge_table_must_make_sense() -> None:
    begins_late = {"table_lift_over_diameter": [0.1, 0.3], "table_coefficient": [0.7, 0.6]}
    with pytest.raises(OutOfRange, match="begin the table at 0"):
        discharge_coefficient(0.001, valve_diameter_m=0.05, **begins_late)
    with pytest.raises(OutOfRange, match="rising"):
        discharge_coefficient(
            0.001,
            valve_diameter_m=0.05,
            table_lift_over_diameter=[0, 0.2, 0.1],
            table_coefficient=[0.7, 0.6, 0.5],
        )
    with pytest.raises(OutOfRange, match="stem"):
        port_area_m2(0.04, stem_diameter_m=0.04)


def test_a_lift_above_every_table_makes_its_own_band_wider_and_refuses_nothing() -> None:
    """A valve lifted to half its diameter: the shipped discharge table ends at 0.40, a flow table at its last line."""
    build = read_build(DATA / "builds" / "budget-cruiser.toml")
    racer = read_build(DATA / "builds" / "weekend-racer.toml")
    for engine in (build.engine, racer.engine):
        end = flow_data_end_m(engine, build.discharge, "intake")
        lift = np.array([0.5 * end, end, end + 0.1 * engine.intake_valve_m])
        low, nominal, high = (
            crank_effective_area_m2(lift, engine, build.discharge, "intake", level)
            for level in ("low", "coefficient", "high")
        )
        assert nominal[2] == pytest.approx(nominal[1], rel=1e-12)  # throat area times the last coefficient
        below, above = (high - low)[1] / nominal[1], (high - low)[2] / nominal[2]
        # A tenth of a diameter beyond: 10 % more each way, of whatever band there was.
        assert above - below == pytest.approx(0.2, abs=0.05) and above > below
        assert (below == 0.0) == bool(engine.flow)


# -------------------------------------------------------------------------------------- compressible orifice


# Heywood, app. C (formula from memory; values agree with two general fluid libraries): 0.68473 choked,
# 0.52828 critical ratio at gamma 1.4, 0.42258 at r = 0.9. Printed to 1e-5.
def test_heywood_orifice_values() -> None:
    assert choked_pressure_ratio(gamma=1.4) == pytest.approx(0.52828, abs=5e-6)
    assert float(flow_function(0.4)) == pytest.approx(0.68473, abs=5e-6)
    assert float(flow_function(0.9)) == pytest.approx(0.42258, abs=5e-6)


@given(st.floats(1.2, 1.6))
def test_choking_is_the_greatest_flow(gamma: float) -> None:
    """The choked value is the maximum of the subcritical law, found here by search on that law itself."""

    def subcritical(r: float) -> float:
        return -math.sqrt(2 * gamma / (gamma - 1) * (r ** (2 / gamma) - r ** ((gamma + 1) / gamma)))

    best = minimize_scalar(subcritical, bounds=(0.3, 0.8), method="bounded", options={"xatol": 1e-10})
    assert choked_pressure_ratio(gamma=gamma) == pytest.approx(best.x, abs=1e-6)
    assert float(flow_function(0.2, gamma=gamma)) == pytest.approx(-best.fun, rel=1e-10)


def test_small_drop_is_bernoulli() -> None:
    """At a drop of 0.01 % the compressible flux is rho v = sqrt(2 rho dp) to the order of the drop."""
    p, t, dp = 1.0e5, 300.0, 10.0
    flux = orifice_mass_flux_kg_per_s_m2(p, upstream_temperature_k=t, downstream_pressure_pa=p - dp)
    assert float(flux) == pytest.approx(math.sqrt(2 * p / (R * t) * dp), rel=2e-4)


def test_choked_flux_is_density_times_sound_speed_at_the_throat() -> None:
    p, t, g = 2.0e5, 350.0, 1.4
    throat_t = t * 2 / (g + 1)
    throat_rho = p * choked_pressure_ratio(gamma=g) / (R * throat_t)
    flux = orifice_mass_flux_kg_per_s_m2(p, upstream_temperature_k=t, downstream_pressure_pa=0.2e5, gamma=g)
    assert float(flux) == pytest.approx(throat_rho * float(sound_speed_m_per_s(throat_t, gamma=g)), rel=1e-12)
    with pytest.raises(OutOfRange, match="swap"):
        orifice_mass_flux_kg_per_s_m2(1e5, upstream_temperature_k=300, downstream_pressure_pa=1.1e5)


def test_sound_speed_of_air() -> None:
    # Dry air at 25 C by two open property libraries (CoolProp 8.0, Cantera 3.2): 346.2 m/s and 1.184 kg/m3
    # at one atmosphere; 0.3 %.
    assert float(sound_speed_m_per_s(298.15)) == pytest.approx(346.2, rel=0.003)
    assert 101325.0 / (R * 298.15) == pytest.approx(1.184, rel=0.003)


# ------------------------------------------------------------------------------------------- inlet Mach index


# R. K. Rajput, A Textbook of Internal Combustion Engines, 2nd ed. 2007, ex. 7.12, p. 256 (numbers seen):
# bore 110, stroke 140 mm, 2400 rpm, 340 K, flow coefficient 0.33: inlet valve 44.95 mm for Z = 0.55; Z =
# 0.64 at 2800 rpm and 48.55 mm to restore it; Z = 1.10 at 4800 rpm. 0.5 %.
def test_rajput_inlet_mach_index() -> None:
    bore, stroke, sound = 0.110, 0.140, float(sound_speed_m_per_s(340.0))

    def index(rpm: float, valve_m: float) -> float:
        return mach_index(
            piston_area_m2=math.pi * bore**2 / 4,
            mean_piston_speed_m_per_s=2 * stroke * rpm / 60,
            effective_area_m2=0.33 * port_area_m2(valve_m),
            sound_speed_m_per_s=sound,
        )

    assert index(2400, 44.95e-3) == pytest.approx(0.55, rel=0.005)
    assert index(2800, 44.95e-3) == pytest.approx(0.64, rel=0.005)
    assert index(2800, 48.55e-3) == pytest.approx(0.55, rel=0.005)
    assert index(4800, 44.95e-3) == pytest.approx(1.10, rel=0.005)


def test_mean_area_counts_duration() -> None:
    """A half-sine of area over D crank radians has the mean 2 A D/pi^2: longer counts for more."""
    for duration in (math.pi, 1.4 * math.pi):
        angle = np.linspace(0.0, 2 * math.pi, 4001)
        area = np.where(angle < duration, 6e-4 * np.sin(math.pi * angle / duration), 0.0).clip(0.0)
        assert mean_effective_area_m2(angle, area) == pytest.approx(2 * 6e-4 * duration / math.pi**2, rel=1e-5)


@given(st.floats(3e-4, 1.2e-3), st.floats(0.08, 0.12), st.floats(0.07, 0.11))
def test_speed_at_index_inverts_index(area: float, bore: float, stroke: float) -> None:
    engine = {
        "mean_effective_area_m2": area,
        "bore_m": bore,
        "stroke_m": stroke,
        "sound_speed_m_per_s": 345.0,
    }
    rpm = speed_at_mach_index_rpm(0.55, **engine)
    assert mean_inlet_mach_index(rpm, **engine) == pytest.approx(0.55, rel=1e-12)
    band = peak_power_speed_band_rpm(**engine)
    assert band.nominal == pytest.approx(rpm, rel=1e-12)
    # Published knees 0.5 to 0.6 (JSME; Rajput 0.55; Taylor, Heywood from memory).
    assert (band.low / rpm, band.high / rpm) == pytest.approx((0.50 / 0.55, 0.60 / 0.55), rel=1e-12)


# ---------------------------------------------------------------------------------------------------- torque


# R. K. Rajput, A Textbook of Internal Combustion Engines, 2nd ed. 2007, ex. 7.2, p. 247 (numbers seen): 86
# kW, bsfc 0.38 kg/kWh, air-fuel 14, 4066 cm3, 3600 rpm, 15 C and 1.013 bar give a volumetric efficiency of
# 0.85; 1 %.
def test_rajput_volumetric_efficiency() -> None:
    air = 86.0 * 0.38 / 3600.0 * 14.0
    density = 1.013e5 / (R * 288.15)
    found = volumetric_efficiency(air, displacement_m3=4066e-6, speed_rpm=3600.0, density_kg_per_m3=density)
    assert found == pytest.approx(0.85, rel=0.01)


def test_rajput_power_comes_back_through_bmep() -> None:
    """The same example read backwards: brake efficiency 3600/(0.38 x LHV) on VE 0.85 is 86 kW; 1 %."""
    heating_value = 43.91e6  # petrol, Mathur and Sharma, 8th ed., ex. 8.1, p. 193 (seen); it cancels here
    efficiency = 3.6e6 / (0.38 * heating_value)
    bmep = bmep_pa(
        0.85,
        reference_density_kg_per_m3=1.013e5 / (R * 288.15),
        gross_indicated_efficiency=efficiency,
        fuel_heating_value_j_per_kg=heating_value,
        air_fuel_ratio=14.0,
        friction_mep_pa=0.0,
        pumping_mep_pa=0.0,
    )
    power = power_w(torque_n_m(bmep, displacement_m3=4066e-6), speed_rpm=3600.0)
    assert power == pytest.approx(86e3, rel=0.01)


@given(st.floats(2e5, 13e5), st.floats(1e-3, 8e-3), st.floats(500, 8000))
def test_torque_work_is_bmep_work(bmep: float, displacement: float, rpm: float) -> None:
    """Two turns of the crank at the torque do the work bmep x displacement."""
    torque = torque_n_m(bmep, displacement_m3=displacement)
    assert torque * 4 * math.pi == pytest.approx(bmep * displacement, rel=1e-12)
    assert power_w(torque, speed_rpm=rpm) == pytest.approx(bmep * displacement * rpm / 120, rel=1e-12)


def test_losses_come_off_one_for_one() -> None:
    common = {
        "reference_density_kg_per_m3": 1.184,
        "gross_indicated_efficiency": 0.36,
        "fuel_heating_value_j_per_kg": 44e6,
        "air_fuel_ratio": 13.0,
    }
    free = bmep_pa(0.85, friction_mep_pa=0.0, pumping_mep_pa=0.0, **common)
    assert bmep_pa(0.85, friction_mep_pa=1.5e5, pumping_mep_pa=0.2e5, **common) == pytest.approx(free - 1.7e5)
