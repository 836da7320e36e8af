"""A candidate's figures worked out a second time, and asked whether they notice what they should.

Three kinds of check:

1. The figures again, from the build sheet's values and the lobe's lift array alone: slopes and accelerations
   by finite differences, the slider-crank written out, the rigid limit by searching for the speed at which the
   force balance first turns negative, curvature from circles through three points, Hertz's oval from scipy's
   elliptic integrals. Formulas are named with their books; none of the library's formulas is called.
   Tolerances follow the lobe grid (0.25 degree of cam) and are stated beside each.
2. Every field of the build sheet: those that matter to the physics move a named figure, the others none.
3. Directions and bands: heavier means slower, wider means wider, and so on.

Torque has tests of its own; here it only has to exist and to keep its band.
"""

from __future__ import annotations

import dataclasses
import functools
import importlib
import math
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import ellipe, ellipk

import lobeledger as ll
from lobeledger.assess.figures import COLUMNS, Figure, spread
from lobeledger.assess.lobes import kept_lobe, kept_ways
from lobeledger.assess.motion import worse_of_both
from lobeledger.errors import OutOfRange
from lobeledger.page.words.limits import broken_text
from lobeledger.parts.candidate import Candidate, Springs, Valvetrain
from lobeledger.parts.car import Engine, Vehicle
from lobeledger.parts.spec import key_of, replaced
from lobeledger.parts.use import Model

# The package's name `assess` is the function when it is imported from; caches live in the module.
assess_room = importlib.import_module("lobeledger.assess.candidate")
assess = assess_room.assess

BUILDS = Path(__file__).parents[2] / "data" / "builds"
DEG = math.pi / 180.0
INCH, LBF = 0.0254, 4.4482216152605


@functools.cache
def shipped(name: str):
    return ll.read_build(BUILDS / f"{name}.toml")


@functools.cache
def varied(name: str, *pairs: tuple[str, object]):
    return ll.change(shipped(name), dict(pairs))


def found(build, candidate_id: str):
    return assess(build, build.candidate(candidate_id))


# The flat one gets a lobe wide enough for Hertz's whole oval; the roller gets an inner spring, so that both
# springs are added up somewhere. Everything else is as shipped.
FLAT = ("budget-cruiser", "h-flat", (("candidates.h-flat.valvetrain.lobe_width", "1.10 in"),))
ROLLER = (
    "towing-engine",
    "s-roller",
    (
        ("candidates.s-roller.springs.inner_seat_load", "40 lbf"),
        ("candidates.s-roller.springs.inner_rate", "60 lbf/in"),
    ),
)
BOTH = pytest.mark.parametrize("case", [FLAT, ROLLER], ids=["flat-hydraulic", "roller-solid"])


class Again:
    """One candidate worked out again from its lift arrays and the sheet's values."""

    def __init__(self, case) -> None:
        name, candidate_id, pairs = case
        self.build = varied(name, *pairs)
        self.c = c = self.build.candidate(candidate_id)
        self.a = assess(self.build, c)
        self.f = self.a.figures
        self.ratio = c.valvetrain.rocker_ratio
        self.lash = {"intake": c.intake_lash_m, "exhaust": c.exhaust_lash_m}
        self.lobes = {"intake": self.a.intake.nominal, "exhaust": self.a.exhaust.nominal}
        hydraulic = self.build.model.hydraulic_seat_m
        self.seat = {w: hydraulic if c.lifter == "hydraulic" else self.lash[w] / self.ratio for w in self.lash}

    def lift(self, which: str):
        return self.lobes[which].lift_m

    def theta(self, which: str):
        return self.lobes[which].theta_cam_rad

    def slope(self, which: str):
        return np.gradient(self.lift(which), self.theta(which))

    def bend(self, which: str):
        s, step = self.lift(which), self.theta(which)[1] - self.theta(which)[0]
        return np.concatenate([[0.0], (s[2:] - 2.0 * s[1:-1] + s[:-2]) / step**2, [0.0]])

    def duration_crank_rad(self, which: str, lobe_lift: float) -> float:
        s, theta = self.lift(which), self.theta(which)
        nose = int(s.argmax())
        opening = np.interp(lobe_lift, s[: nose + 1], theta[: nose + 1])
        closing = np.interp(-lobe_lift, -s[nose:], theta[nose:])
        return 2.0 * float(closing - opening)

    def events_rad(self):
        """IVO before TDC, IVC after BDC, EVO before BDC, EVC after TDC, all at the seat (crank)."""
        icl = self.c.intake_centreline_rad
        ecl = 2.0 * self.c.lobe_separation_rad - icl
        di, de = (self.duration_crank_rad(w, self.seat[w]) for w in ("intake", "exhaust"))
        return di / 2 - icl, di / 2 + icl - math.pi, de / 2 + ecl - math.pi, de / 2 - ecl

    def mass(self, which: str) -> float:
        v, s = self.c.valvetrain, self.c.springs
        valve = v.intake_valve_mass_kg if which == "intake" else v.exhaust_valve_mass_kg
        valve_side = valve + v.retainer_mass_kg + v.locks_mass_kg + s.spring_mass_kg / 3
        rocker = v.rocker_inertia_kg_m2 / v.rocker_pushrod_radius_m**2
        return self.c.lifter_mass_kg + v.pushrod_mass_kg + rocker + valve_side * self.ratio**2

    def force(self, which: str, crank_rpm: float):
        """Force at the lobe along the lifter where the valve is open, and those places."""
        spring = self.c.springs
        lift = self.ratio * self.lift(which) - self.lash[which]
        load = spring.seat_load_n + spring.inner_seat_load_n + (spring.rate_n_per_m + spring.inner_rate_n_per_m) * lift
        cam_rad_per_s = crank_rpm * 2 * math.pi / 60 / 2
        return self.ratio * load + self.mass(which) * cam_rad_per_s**2 * self.bend(which), lift > 0

    def valve_lift(self, which: str, crank_rad):
        """Valve lift net of lash or take-up; crank angle from the overlap TDC."""
        icl = self.c.intake_centreline_rad
        centre = icl if which == "intake" else icl - 2.0 * self.c.lobe_separation_rad
        s = np.interp((crank_rad - centre) / 2, self.theta(which), self.lift(which), left=0.0, right=0.0)
        return self.ratio * np.maximum(s - self.seat[which], 0.0)


@functools.lru_cache(maxsize=4)
def again(case) -> Again:
    return Again(case)


# ------------------------------------------------------------------------- the figures a second time


@BOTH
def test_events_overlap_and_durations_by_the_trade_definitions(case) -> None:
    """IVC = Di/2 + ICL - 180, overlap = IVO + EVC (common trade definitions); crossings by straight interpolation.

    Tolerance 0.05 crank degree: between grid points 0.5 crank degree apart a straight line misses a lift curve
    by less than that, even at the seat where the ramp is slow.
    """
    a = again(case)
    ivo, ivc, _, evc = a.events_rad()
    assert a.f["ivc"].value / DEG == pytest.approx(ivc / DEG, abs=0.05)
    assert a.f["overlap"].value / DEG == pytest.approx((ivo + evc) / DEG, abs=0.05)
    at_seat = a.duration_crank_rad("intake", a.seat["intake"])
    at_valve = a.duration_crank_rad("intake", a.seat["intake"] + 0.050 * INCH / a.ratio)
    assert a.f["seat_duration"].value / DEG == pytest.approx(at_seat / DEG, abs=0.05)
    assert a.f["valve_duration"].value / DEG == pytest.approx(at_valve / DEG, abs=0.05)


@BOTH
def test_the_lobe_meets_its_card(case) -> None:
    """The durations printed on the card (crank degrees, at lobe lift) read back from the lift array: 0.05 degree."""
    a = again(case)
    for which in ("intake", "exhaust"):
        card = getattr(a.c, which)
        assert a.lift(which).max() == pytest.approx(card.lobe_lift_m, rel=1e-6)
        for point in card.points:
            assert a.duration_crank_rad(which, point.at_m) / DEG == pytest.approx(point.duration_rad / DEG, abs=0.05)


@BOTH
def test_net_lifts_at_the_valve(case) -> None:
    a = again(case)
    for which in ("intake", "exhaust"):
        lift = a.ratio * (getattr(a.c, which).lobe_lift_m - a.seat[which])
        assert a.f[f"{which}_lift"].value == pytest.approx(lift, rel=1e-9)
        assert a.valve_lift(which, np.linspace(-2 * math.pi, 2 * math.pi, 20001)).max() == pytest.approx(lift, rel=1e-3)


@BOTH
def test_dynamic_compression_by_the_slider_crank(case) -> None:
    """Heywood, Internal Combustion Engine Fundamentals, eqs 2.4-2.6 (from memory), with the closing of this file.

    0.05 degree of closing is 0.002 of ratio here.
    """
    a = again(case)
    eng, closing = a.build.engine, math.pi + a.events_rad()[1]
    crank, rod = eng.stroke_m / 2, eng.rod_m
    travel = crank * math.cos(closing) + math.sqrt(rod**2 - (crank * math.sin(closing)) ** 2)
    above = crank + rod - travel
    swept = math.pi / 4 * eng.bore_m**2 * eng.stroke_m
    clearance = swept / (eng.compression - 1)
    ratio = (clearance + math.pi / 4 * eng.bore_m**2 * above) / clearance
    assert a.f["dynamic_compression"].value == pytest.approx(ratio, abs=0.003)
    # Polytropic compression, gauge: p_a (r^n - 1).
    gauge = a.build.model.ambient_pressure_pa * (ratio**a.build.model.cranking_polytropic - 1)
    assert a.f["cranking_pressure"].value == pytest.approx(gauge, rel=1e-3)


@BOTH
def test_moving_mass_and_spring_figures(case) -> None:
    """Equal kinetic energy (a third of the spring, Rayleigh) and Hooke's law; exact arithmetic, 1e-9."""
    a = again(case)
    s, full = a.c.springs, max(a.ratio * getattr(a.c, w).lobe_lift_m - a.lash[w] for w in a.lash)
    seat = s.seat_load_n + s.inner_seat_load_n
    rate = s.rate_n_per_m + s.inner_rate_n_per_m
    assert a.f["mass"].value == pytest.approx(a.mass("intake"), rel=1e-9)
    assert a.f["seat_load"].value == pytest.approx(seat, rel=1e-9)
    assert a.f["open_load"].value == pytest.approx(seat + rate * full, rel=1e-9)
    assert a.f["coil_bind"].value == pytest.approx(s.installed_height_m - s.coil_bind_m - full, rel=1e-9)
    assert a.f["retainer"].value == pytest.approx(s.retainer_to_seal_m - full, rel=1e-9)


@BOTH
def test_rigid_limit_by_searching_for_the_first_negative_force(case) -> None:
    """Newton's second law at the lifter, every 2 rpm of crank speed until some open angle is left unloaded.

    Tolerance 0.4 %: the second difference smears each corner of the acceleration over one 0.25 degree step.
    """
    a = again(case)
    limit = math.inf
    for which in ("intake", "exhaust"):
        for rpm in np.arange(3000.0, 15000.0, 2.0):
            force, is_open = a.force(which, rpm)
            if force[is_open].min() < 0:
                limit = min(limit, rpm)
                break
    assert a.f["rigid_limit"].value == pytest.approx(limit, rel=4e-3)
    assert a.f["speed_margin"].value == pytest.approx(
        a.f["elastic_limit"].value / a.build.use.highest_speed_rpm - 1, rel=1e-12
    )


def circle_through(x, y):
    """Radius of the circle through each three neighbouring points: abc/(4 area)."""
    sides = [
        np.hypot(x[i:j] - x[k:m], y[i:j] - y[k:m])
        for i, j, k, m in ((1, -1, 0, -2), (2, None, 1, -1), (2, None, 0, -2))
    ]
    area = 0.5 * ((x[1:-1] - x[:-2]) * (y[2:] - y[:-2]) - (x[2:] - x[:-2]) * (y[1:-1] - y[:-2]))
    with np.errstate(divide="ignore"):
        return sides[0] * sides[1] * sides[2] / (4 * area)


def cam_radius(a: Again, which: str):
    """Cam radius of curvature, hollow negative, from lift alone.

    Roller: circles through the wheel centre's path less the wheel. Flat: rho = Rb + s + s'' (support function of
    a convex curve).
    """
    base = a.c.valvetrain.base_circle_radius_m
    if a.c.follower == "flat":
        return base + a.lift(which) + a.bend(which)
    wheel = a.c.wheel_diameter_m / 2
    reach = base + wheel + a.lift(which)
    path = circle_through(reach * np.cos(a.theta(which)), reach * np.sin(a.theta(which)))
    return np.concatenate([[base], path - wheel, [base]])


@BOTH
def test_least_cam_radius_from_lift_alone(case) -> None:
    """Tolerance 2 % (and 0.05 mm): the curvature follows the second difference, see the rigid limit.

    The flat's card stands at the least radius the model allows, where 0.05 mm is a large share.
    """
    a = again(case)
    radii = [cam_radius(a, which) for which in ("intake", "exhaust")]
    least = min(r[r > 0].min() for r in radii)
    assert a.f["nose_radius"].value == pytest.approx(least, rel=0.02, abs=5e-5)


def contact_modulus(a: Again) -> float:
    share = 1 - a.build.model.poisson**2
    return 1 / (share / a.c.lobe_modulus_pa + share / a.c.follower_modulus_pa)


def oval_pressure(load: float, radius_x: float, radius_y: float, modulus: float) -> tuple[float, float]:
    """Peak pressure and long half-axis of Hertz's oval (Ry > Rx) from scipy's elliptic integrals.

    Johnson, Contact Mechanics, eqs 4.25-4.28 (from memory): Ry/Rx = [(a/b)^2 E - K]/(K - E) and
    a^3 = 3 W Ry (K - E)/(e^2 pi E*), e^2 = 1 - (b/a)^2, p0 = 3 W/(2 pi a b).
    """

    def miss(log_k: float) -> float:
        k = math.exp(log_k)
        m = 1 - 1 / k**2
        return (k**2 * ellipe(m) - ellipk(m)) / (ellipk(m) - ellipe(m)) - radius_y / radius_x

    k = math.exp(brentq(miss, 1e-3, 12.0))
    m = 1 - 1 / k**2
    long = (3 * load * radius_y * (ellipk(m) - ellipe(m)) / m / (math.pi * modulus)) ** (1 / 3)
    return 3 * load / (2 * math.pi * long * long / k), long


@pytest.mark.parametrize("speed", ["cranking", "top"])
def test_nose_stress_of_the_flat_by_elliptic_integrals(speed: str) -> None:
    """Greatest of the whole nose (s'' < 0, valve open).

    Tolerance 1.5 %: pressure goes with about the square root of the curvature, and the radius is 1.5 mm.
    """
    a = again(FLAT)
    rpm = a.build.model.cranking_speed_rpm if speed == "cranking" else a.build.use.highest_speed_rpm
    most = 0.0
    for which in ("intake", "exhaust"):
        force, is_open = a.force(which, rpm)
        radius = cam_radius(a, which)
        for i in np.flatnonzero(is_open & (a.bend(which) < -1e-4) & (force > 0)):
            rx = 1 / (1 / radius[i] + 1 / a.c.crown_radius_m)
            pressure, long = oval_pressure(force[i], rx, a.c.crown_radius_m, contact_modulus(a))
            taper = math.atan(a.c.lobe_taper_m / a.c.valvetrain.lobe_width_m)
            room = a.c.valvetrain.lobe_width_m / 2 - a.c.crown_radius_m * math.sin(taper)
            assert long < room, "the lobe is not wide enough for this check"
            most = max(most, pressure)
    assert a.f[f"stress_{speed}"].value == pytest.approx(most, rel=0.015)


def test_a_narrow_lobe_cuts_the_oval_off_and_presses_harder() -> None:
    """As shipped the lobe is narrower than the oval: the same load on less of it must press harder."""
    narrow = found(shipped("budget-cruiser"), "h-flat").figures["stress_cranking"]
    assert narrow.value > 1.01 * again(FLAT).f["stress_cranking"].value


@pytest.mark.parametrize("speed", ["cranking", "top"])
def test_nose_stress_of_the_roller_by_the_line_formula(speed: str) -> None:
    """p0 = sqrt(W E*/(pi L R)), 1/R = 1/rho + 1/Rr, W = F/cos(phi): Johnson, Contact Mechanics, section 4.2(c).

    Tolerance 1 %: half of the curvature's 2 %.
    """
    a = again(ROLLER)
    rpm = a.build.model.cranking_speed_rpm if speed == "cranking" else a.build.use.highest_speed_rpm
    length = min(a.c.wheel_width_m, a.c.valvetrain.lobe_width_m)
    wheel, base = a.c.wheel_diameter_m / 2, a.c.valvetrain.base_circle_radius_m
    most = 0.0
    for which in ("intake", "exhaust"):
        force, is_open = a.force(which, rpm)
        phi = np.arctan(a.slope(which) / (base + wheel + a.lift(which)))
        nose = is_open & (a.bend(which) < 0) & (force > 0)
        curvature = 1 / cam_radius(a, which) + 1 / wheel
        pressure = np.sqrt((force / np.cos(phi) * contact_modulus(a) * curvature)[nose] / (math.pi * length))
        most = max(most, pressure.max())
    assert a.f[f"stress_{speed}"].value == pytest.approx(most, rel=0.01)


def test_contact_travel_of_the_flat_and_pressure_angle_of_the_roller() -> None:
    """Travel = greatest |ds/dtheta|; tan(phi) = s'/(Rb + Rr + s). Central differences: 0.1 %, 0.05 degree."""
    a = again(FLAT)
    assert a.f["travel"].value == pytest.approx(max(np.abs(a.slope(w)).max() for w in a.lash), rel=1e-3)
    assert math.isnan(a.f["pressure_angle"].value)
    a = again(ROLLER)
    reach = a.c.valvetrain.base_circle_radius_m + a.c.wheel_diameter_m / 2
    angle = max(np.arctan(np.abs(a.slope(w)) / (reach + a.lift(w))).max() for w in a.lash)
    assert a.f["pressure_angle"].value / DEG == pytest.approx(angle / DEG, abs=0.05)
    assert math.isnan(a.f["travel"].value)


@BOTH
def test_inlet_mach_index_and_breathing_speed(case) -> None:
    """Z = A_p S_p/(A a), A = (1/pi) integral of C A over crank angle; a = sqrt(gamma R T), gamma 1.4, R 287.05.

    Definition after Taylor and Heywood (from memory); C on the lesser of curtain and throat area. 0.2 %: the
    library integrates every crank degree, this every fiftieth of one.
    """
    a = again(case)
    eng, model = a.build.engine, a.build.model
    crank = np.radians(np.arange(-360.0, 360.0, 0.02))
    lift = a.valve_lift("intake", crank)
    d = eng.intake_valve_m
    area = np.minimum(math.pi * d * lift, math.pi / 4 * (d * eng.throat_share) ** 2)
    table = [(p.lift_over_diameter, p.coefficient) for p in a.build.discharge]
    area = area * np.interp(lift / d, *zip(*table, strict=True))
    mean = area.sum() * math.radians(0.02) / math.pi
    piston = math.pi / 4 * eng.bore_m**2 * 2 * eng.stroke_m * a.build.use.highest_speed_rpm / 60
    sound = math.sqrt(1.4 * 287.05 * (model.ambient_temperature_k + model.charge_heating_k))
    index = piston / (mean * sound)
    assert a.f["mach_index"].value == pytest.approx(index, rel=2e-3)
    at_peak = model.mach_index_peak / index * a.build.use.highest_speed_rpm
    assert a.f["breathing_speed"].value == pytest.approx(at_peak, rel=2e-3)


@BOTH
def test_overlap_factor_by_fox_cheng_and_heywood(case) -> None:
    """OF = (D_i A_i + D_e A_e)/V_d, A_i the intake's lift area up to equal lift, A_e the exhaust's from there on.

    Fox, Cheng and Heywood, SAE 931025 (from memory), in crank degrees a metre. 2 %: the lifts in overlap are
    small and the library takes them every crank degree.
    """
    a = again(case)
    eng = a.build.engine
    crank = np.radians(np.arange(-120.0, 120.0, 0.02))
    intake, exhaust = a.valve_lift("intake", crank), a.valve_lift("exhaust", crank)
    opening = intake < exhaust
    step = 0.02
    area_i, area_e = intake[opening].sum() * step, exhaust[~opening].sum() * step
    swept = math.pi / 4 * eng.bore_m**2 * eng.stroke_m
    factor = (eng.intake_valve_m * area_i + eng.exhaust_valve_m * area_e) / swept
    assert a.f["overlap_factor"].value == pytest.approx(factor, rel=0.02)


@BOTH
def test_cruise_speed_by_the_trade_rule(case) -> None:
    """rpm = mph x axle x gear x 336/tyre inches (trade rule; 336.1 to four digits): 0.1 %."""
    a = again(case)
    v = a.build.vehicle
    mph, tyre = v.cruise_speed_m_per_s * 3600 / 1609.344, v.tyre_diameter_m / INCH
    assert a.f["cruise"].value == pytest.approx(mph * v.axle_ratio * v.top_gear_ratio * 336 / tyre, rel=1e-3)


# ------------------------------------------------------------------------------- does it notice a change?

H, S, R = ("budget-cruiser", "h-flat"), ("budget-cruiser", "s-flat"), ("towing-engine", "s-roller")
FLOW = [
    {"lift": "0.1 in", "intake": "50 ft**3/min", "exhaust": "40 ft**3/min"},
    {"lift": "0.5 in", "intake": "150 ft**3/min", "exhaust": "110 ft**3/min"},
]

# field of a part -> (candidate, new value, figures that must move)
MOVES: dict[type, dict[str, tuple[tuple[str, str], object, str]]] = {
    Engine: {
        "cylinders": (H, 6, "torque"),
        "runner_length": (H, "0.40 m", "torque"),
        "runner_area_share": (H, 0.95, "torque"),
        "bore": (H, "4.10 in", "mach_index breathing_speed overlap_factor torque"),
        "stroke": (H, "3.60 in", "mach_index overlap_factor dynamic_compression cranking_pressure"),
        "rod": (H, "6.0 in", "dynamic_compression cranking_pressure"),
        "compression": (H, 9.8, "dynamic_compression cranking_pressure vacuum residual"),
        "intake_valve": (H, "2.0 in", "mach_index breathing_speed overlap_factor"),
        "exhaust_valve": (H, "1.6 in", "overlap_factor vacuum residual"),
        "throat_share": (H, 0.82, "mach_index breathing_speed"),
        "flow": (H, FLOW, "mach_index breathing_speed"),
    },
    Vehicle: {
        "axle_ratio": (H, 3.7, "cruise"),
        "top_gear_ratio": (H, 0.8, "cruise"),
        "tyre_diameter": (H, "28 in", "cruise"),
        "idle_speed": (H, "900 rpm", "vacuum residual"),
        "transmission": (H, "manual", "vacuum_in_gear"),
        "converter_stall": (H, "2500 rpm", "vacuum_in_gear"),
        "cruise_speed": (H, "70 mph", "cruise"),
    },
    Model: {
        "ramp_velocity": (S, "0.0007 in/deg", "seat_duration ivc overlap dynamic_compression"),
        "exhaust_reference_speed": (H, "5000 rpm", "torque"),
        "runner_entry_loss": (H, 0.4, "torque"),
        "runner_friction": (H, 0.05, "torque"),
        "plenum_exit_loss": (H, 0.5, "torque"),
        "gamma_fresh": (H, 1.36, "torque"),
        "gamma_burned": (H, 1.27, "torque"),
        "combustion_efficiency": (H, 0.95, "torque"),
        "burn_lost": (H, 0.25, "torque"),
        "compression_exponent": (H, 1.30, "torque"),
        "expansion_exponent": (H, 1.27, "torque"),
        "jerk_allowance": (H, 1.5, "rigid_limit stress_cranking"),
        "ramp_velocity_low": (S, "0.0004 in/deg", "seat_duration"),
        "ramp_velocity_high": (S, "0.0007 in/deg", "seat_duration"),
        "hydraulic_ramp_velocity": (H, "0.0015 in/deg", "seat_duration elastic_limit"),
        "hydraulic_ramp_velocity_low": (H, "0.0010 in/deg", "rigid_limit"),
        "hydraulic_ramp_velocity_high": (H, "0.0015 in/deg", "rigid_limit"),
        "ramp_give": (S, "0.0015 in", "elastic_limit rigid_limit seat_duration"),
        "grinding_radius": (R, "40 mm", "elastic_limit"),
        "stem_friction": (S, "30 N", "elastic_limit"),
        "exhaust_opening_pressure": (S, "250 kPa", "elastic_limit"),
        "blowdown_angle": (S, "100 deg", "elastic_limit"),
        "valvetrain_stiffness": (S, "9 MN/m", "elastic_limit speed_margin"),
        "valvetrain_damping": (S, 0.09, "elastic_limit"),
        "pushrod_share": (S, 0.5, "elastic_limit"),
        "spring_damping": (S, 0.05, "elastic_limit"),
        "spring_active_share": (S, 0.6, "elastic_limit"),
        "lobe_contact_stiffness": (S, "90 MN/m", "elastic_limit"),
        "seat_contact_stiffness": (S, "40 MN/m", "elastic_limit"),
        "lobe_contact_damping": (S, 0.3, "elastic_limit"),
        "seat_contact_damping": (S, 0.3, "elastic_limit"),
        "lifter_incline": (S, "0 deg", "elastic_limit"),
        "plunger_share": (H, 0.5, "elastic_limit"),
        "plunger_diameter": (H, "12 mm", "elastic_limit"),
        "oil_chamber_height": (H, "8 mm", "elastic_limit"),
        "oil_bulk_modulus": (H, "0.5 GPa", "elastic_limit"),
        "plunger_spring": (H, "60 N", "elastic_limit"),
        "oil_supply": (H, "500 kPa", "elastic_limit"),
        "leak_down_time": (H, "5 s", "elastic_limit"),
        "oil_refill": (H, "2000 N*s/m", "elastic_limit"),
        "shape_allowance": (R, 4, "rigid_limit nose_radius"),
        "face_edge": (S, "0.8 mm", "travel"),
        "least_nose_radius": (H, "1.2 mm", "nose_radius stress_cranking"),
        "hydraulic_seat": (H, "0.007 in", "seat_duration valve_duration intake_lift exhaust_lift ivc overlap"),
        "cranking_speed": (H, "250 rpm", "stress_cranking"),
        "poisson": (H, 0.27, "stress_cranking stress_top"),
        "ambient_pressure": (H, "90 kPa", "cranking_pressure vacuum torque"),
        "ambient_temperature": (H, "310 kelvin", "mach_index breathing_speed"),
        "charge_heating": (H, "35 kelvin", "mach_index breathing_speed"),
        "exhaust_back_pressure": (H, "30 kPa", "torque"),
        "air_fuel": (H, 14.0, "torque"),
        "fuel_heating_value": (H, "42 MJ/kg", "vacuum torque"),
        "indicated_efficiency": (H, 0.34, "torque"),
        "idle_efficiency": (H, 0.24, "vacuum"),
        "idle_air_fuel": (H, 15.5, "vacuum"),
        "idle_backflow": (H, 1.1, "vacuum residual"),
        "idle_accessory": (H, "30 kPa", "vacuum"),
        "idle_stall_mep": (H, "600 kPa", "vacuum_in_gear"),
        "friction_scale": (H, 1.1, "vacuum torque"),
        "friction_between": (H, 0.0, "vacuum"),
        "mach_index_peak": (H, 0.5, "breathing_speed"),
        "cranking_polytropic": (H, 1.22, "cranking_pressure"),
    },
    Valvetrain: {
        "rocker_ratio": (H, 1.6,
            "mass intake_lift exhaust_lift open_load coil_bind retainer rigid_limit stress_cranking"),
        "rocker_inertia": (H, "4e-5 kg*m**2", "mass rigid_limit stress_top"),
        "rocker_pushrod_radius": (H, "26 mm", "mass rigid_limit stress_top"),
        "pushrod_mass": (H, "70 g", "mass rigid_limit stress_top"),
        "intake_valve_mass": (H, "130 g", "mass rigid_limit"),
        "exhaust_valve_mass": (H, "160 g", "rigid_limit"),
        "retainer_mass": (H, "20 g", "mass rigid_limit"),
        "locks_mass": (H, "9 g", "mass rigid_limit"),
        "base_circle_radius": (R, "0.60 in", "nose_radius pressure_angle stress_cranking"),
        "lobe_width": (H, "0.60 in", "stress_cranking stress_top"),
    },
    Springs: {
        "installed_height": (H, "1.72 in", "coil_bind"),
        "seat_load": (H, "125 lbf", "seat_load open_load rigid_limit stress_cranking stress_top"),
        "rate": (H, "330 lbf/in", "rate open_load rigid_limit stress_cranking stress_top"),
        "inner_seat_load": (H, "20 lbf", "seat_load open_load rigid_limit stress_cranking"),
        "inner_rate": (H, "60 lbf/in", "rate open_load rigid_limit stress_cranking"),
        "coil_bind": (H, "1.08 in", "coil_bind"),
        "retainer_to_seal": (H, "0.60 in", "retainer"),
        "spring_mass": (H, "110 g", "mass rigid_limit stress_top"),
    },
    Candidate: {
        "lobe_separation": (H, "109 deg", "overlap overlap_factor vacuum"),
        "intake_centreline": (H, "104 deg", "ivc dynamic_compression cranking_pressure overlap_factor torque"),
        "intake_lash": (S, "0.022 in", "seat_duration ivc overlap intake_lift dynamic_compression"),
        "exhaust_lash": (S, "0.024 in", "overlap exhaust_lift overlap_factor"),
        "lifter_mass": (H, "90 g", "mass rigid_limit stress_top"),
        "face_diameter": (S, "0.830 in", "travel"),
        "crown_radius": (H, "30 in", "stress_cranking stress_top"),
        "lobe_taper": (H, "0.0020 in", "stress_cranking stress_top"),
        "wheel_diameter": (R, "0.82 in", "pressure_angle nose_radius stress_cranking"),
        "wheel_width": (R, "0.38 in", "stress_cranking stress_top"),
        "lobe_modulus": (H, "150 GPa", "stress_cranking stress_top"),
        "follower_modulus": (H, "190 GPa", "stress_cranking stress_top"),
        "core": (H, "steel", "stress_cranking stress_top"),  # by the modulus that is assumed for it
        "run_in_time": (H, "20 min", "run_in_time"),
        "intake.lobe_lift": (R, "0.325 in", "intake_lift rigid_limit mach_index"),
        "exhaust.lobe_lift": (R, "0.340 in", "exhaust_lift open_load coil_bind"),
    },
}  # fmt: skip

# Fields that move no figure of physics: words, limits, money, chances, and what only other rooms read.
STILL: dict[type, dict[str, tuple[tuple[str, str], object]]] = {
    Engine: {"head_material": (H, "aluminium"), "flow_test": (H, "25 inH2O"), "rocker_studs": (H, "pressed")},
    Vehicle: {
        "brake_booster": (H, False),
        "booster_vacuum": (H, "10 inHg"),
        "fuel_system": (H, "injection"),
        "octane": (H, 93),
    },
    Model: {
        # How far a plunger is set down matters once it pumps up, which is after contact is lost.
        "preload": (H, "0.010 in"),
        # What is allowed judges the useful limit and nothing of the first loss.
        "separation_allowed": (S, "0.05 mm"),
        "seat_bounce_allowed": (S, "0.15 mm"),
        "pump_up_allowed": (H, "0.15 mm"),
        "fuel_density": (H, "730 kg/m**3"),
        "run_in_load": (H, "150 kPa"),
        "run_in_efficiency": (H, 0.3),
        "marginal_efficiency": (H, 0.35),
        "torque_doubt": (H, 0.02),
        "torque_doubt_overlap": (H, "60 deg"),
        "torque_doubt_growth": (H, 0.05),
        # Of a sheet with an automatic that names no stall speed; this one names its own.
        "idle_stall_speed": (H, "1900 rpm"),
    },
    Candidate: {
        "lifter_state": (H, "used"),
        "lifter_seat_change": (R, "0.40 in"),
        "stress_caution": (H, "1300 MPa"),
        "seat_load_low": (H, "90 lbf"),
        "seat_load_high": (H, "140 lbf"),
        "open_load_low": (H, "50 lbf"),
        "open_load_high": (H, "350 lbf"),
        "fitting_time": (H, "12 h"),
        "dyno_time": (H, "3 h"),
        "run_in_school": (H, "hold"),
        "run_in_speed": (H, "2500 rpm"),
        "run_in_lowest_speed": (H, "2100 rpm"),
        "run_in_highest_speed": (H, "2800 rpm"),
        "run_in_rocker_ratio": (H, 1.2),
        "run_in_rocker_labour": (H, "1 h"),
        "maker_instruction": (H, "Run it as the card says."),
        "lash_check_every": (S, "60 h"),
        "lash_check_labour": (S, "2 h"),
        "spring_change_every": (H, "700 h"),
        "spring_set_price": (H, "190 USD"),
        "spring_labour": (H, "6 h"),
        "lifter_service_every": (R, "300 h"),
        "lifter_service_price": (R, "350 USD"),
        "lifter_labour": (R, "8 h"),
        "failure.one_in": (H, 20),
        "failure.cost": (H, "5000 USD"),
        "parts.0.price": (H, "500 USD"),
    },
}
# Of the one cam that is in the engine now; the last two only beside the first.
OF_FITTED = {"fitted": True, "hours_run": "900 h", "lobe_wear": "0.003 in"}
PREFIX = {Engine: "engine.", Vehicle: "vehicle.", Model: "model."}
# Not values: names, the choices that select another set of fields, and the tables within (tried by their fields).
STRUCTURE = {"id", "name", "follower", "lifter", "intake", "exhaust", "valvetrain", "springs", "failure", "parts"}


def path_of(part: type, candidate_id: str, key: str) -> str:
    within = {Valvetrain: "valvetrain.", Springs: "springs."}.get(part, "")
    return PREFIX.get(part) or f"candidates.{candidate_id}." + within


def same(one: Figure, other: Figure) -> bool:
    return all(a == b or (math.isnan(a) and math.isnan(b)) for a, b in zip(one, other, strict=True))


def differing(before, after, candidate_id: str) -> set[str]:
    one, two = (found(build, candidate_id).figures for build in (before, after))
    return {key for key in one.keys() | two.keys() if key not in one or key not in two or not same(one[key], two[key])}


def moved(name: str, candidate_id: str, changes: dict[str, object]) -> set[str]:
    return differing(shipped(name), ll.change(shipped(name), changes), candidate_id)


def value_at(part, path: str):
    """The value a build holds at a path of its sheet, in the field's own unit."""
    for step in path.split("."):
        if isinstance(part, tuple):
            part = next(each for each in part if each.id == step)
        else:
            part = next(getattr(part, f.name) for f in dataclasses.fields(part) if key_of(f.name) == step)
    return part


@pytest.mark.parametrize(
    ("part", "key"),
    [(part, key) for part, rows in MOVES.items() for key in rows],
    ids=lambda x: getattr(x, "__name__", x),
)
def test_a_change_moves_what_it_must(part: type, key: str) -> None:
    (name, candidate_id), value, figures = MOVES[part][key]
    path = path_of(part, candidate_id, key) + key
    changed = ll.change(shipped(name), {path: value})
    wanted = set(figures.split())
    assert wanted <= differing(shipped(name), changed, candidate_id)
    # A value written anew takes its old range with it, and figures kept by their ranges would notice that alone.
    only_value = replaced(shipped(name), path, value_at(changed, path))
    assert only_value.data == shipped(name).data
    if key != "core":  # a core moves stress by the modulus that is assumed for it, which only reading looks up
        assert wanted <= differing(shipped(name), only_value, candidate_id)


def test_words_limits_money_and_chances_move_no_physics() -> None:
    for name, candidate_id in (H, S, R):
        changes = {
            path_of(part, candidate_id, key) + key: value
            for part, rows in STILL.items()
            for key, (case, value) in rows.items()
            if case == (name, candidate_id)
        }
        assert moved(name, candidate_id, changes) == set(), (name, candidate_id)


def test_a_cam_that_is_fitted_moves_as_a_new_one_would() -> None:
    """Its break-in is over; what is known of its wear is a matter of odds and of nothing else."""
    for name, candidate_id in (H, S):
        stem = f"candidates.{candidate_id}."
        fitted = {stem + "fitted": OF_FITTED["fitted"]}
        known = {stem + key: value for key, value in OF_FITTED.items()}
        assert moved(name, candidate_id, fitted) == moved(name, candidate_id, known) == {"run_in_time"}, candidate_id
        after = ll.change(shipped(name), known)
        assert found(after, candidate_id).figures["run_in_time"].value == 0.0
        c = after.candidate(candidate_id)
        assert (c.fitted, c.hours_run_h, c.lobe_wear_m) == (True, 900.0, pytest.approx(0.003 * INCH))


def test_every_field_is_tried() -> None:
    """A field added to a part must say here what it moves, or that it moves nothing."""
    for part in (Engine, Vehicle, Model, Valvetrain, Springs, Candidate):
        keys = {key_of(f.name) for f in dataclasses.fields(part)}
        tried = {key.split(".")[0] for key in (*MOVES[part], *STILL.get(part, {}))}
        tried |= set(OF_FITTED) if part is Candidate else set()
        assert keys - tried - STRUCTURE == set(), part.__name__
        assert tried <= keys, part.__name__


def test_use_moves_only_what_the_speeds_move() -> None:
    """The highest speed moves margin, stress and Mach index; hours and years nothing."""
    assert moved(*H, {"use.highest_speed": "5200 rpm"}) == {"speed_margin", "stress_top", "mach_index"}
    assert moved(*H, {"use.hours_a_year": "60 h", "use.years": 3, "limits.budget": "900 USD"}) == set()


def test_a_tighter_pressure_angle_is_kept() -> None:
    before = found(shipped(R[0]), R[1]).figures["pressure_angle"].value
    allowed = before / DEG - 0.3
    after = found(ll.change(shipped(R[0]), {"limits.pressure_angle": f"{allowed:.3f} deg"}), R[1]).figures
    assert after["pressure_angle"].value / DEG == pytest.approx(allowed, abs=0.02)


# ------------------------------------------------------------------------------------ ranges and bands

# path after the candidate (or a whole path) -> figures whose band must widen when its range does
RANGES = [
    (H, "springs.rate", "290 lbf/in", "12 lbf/in", "rate open_load rigid_limit stress_cranking stress_top"),
    (H, "springs.seat_load", "110 lbf", "5 lbf", "seat_load open_load rigid_limit stress_cranking"),
    (H, "springs.installed_height", "1.700 in", "0.020 in", "coil_bind"),
    (H, "springs.spring_mass", "95 g", "10 g", "mass rigid_limit stress_top"),
    (H, "valvetrain.rocker_ratio", "1.5", "0.02",
        "mass intake_lift open_load coil_bind retainer rigid_limit stress_cranking"),
    (H, "valvetrain.lobe_width", "0.48 in", "0.02 in", "stress_cranking"),
    (R, "valvetrain.base_circle_radius", "0.545 in", "0.005 in", "pressure_angle nose_radius stress_cranking"),
    (R, "wheel_diameter", "0.750 in", "0.005 in", "pressure_angle nose_radius stress_cranking"),
    (R, "intake_lash", "0.016 in", "0.001 in",
        "seat_duration valve_duration ivc overlap intake_lift dynamic_compression"),
    (R, "exhaust_lash", "0.018 in", "0.001 in", "overlap exhaust_lift"),
    (H, "lifter_mass", "108 g", "5 g", "mass rigid_limit stress_top"),
    (H, "lobe_modulus", "130 GPa", "10 GPa", "stress_cranking stress_top"),
    # Below the radius of least stress (about 50 in here): a range about it is taken at its ends, which are alike.
    (H, "crown_radius", "35 in", "3 in", "stress_cranking"),
    (H, "engine.compression", "9.0", "0.2", "dynamic_compression cranking_pressure"),
    (H, "model.hydraulic_seat", "0.006 in", "0.001 in", "seat_duration ivc overlap dynamic_compression intake_lift"),
    (H, "model.mach_index_peak", "0.55", "0.02", "breathing_speed"),
    (H, "model.cranking_polytropic", "1.25", "0.02", "cranking_pressure"),
    (H, "model.idle_efficiency", "0.26", "0.01", "vacuum"),
    (H, "model.idle_backflow", "1.0", "0.1", "vacuum"),
    (H, "model.friction_scale", "1.0", "0.1", "vacuum"),
]  # fmt: skip


def with_range(path: str, value: str, pm: str):
    number = " " not in value
    return {path: {"value": float(value) if number else value, "pm": float(pm) if number else pm}}


def doubled(pm: str) -> str:
    number, _, unit = pm.partition(" ")
    return f"{2 * float(number):g} {unit}".strip()


@pytest.mark.parametrize(("case", "key", "value", "pm", "figures"), RANGES, ids=[row[1] for row in RANGES])
def test_a_wider_range_gives_a_wider_band_about_the_same_value(case, key, value, pm, figures) -> None:
    name, candidate_id = case
    path = key if key.split(".")[0] in ("engine", "model") else f"candidates.{candidate_id}.{key}"
    tight, wide = (
        found(ll.change(shipped(name), with_range(path, value, size)), candidate_id).figures
        for size in (pm, doubled(pm))
    )
    for figure in figures.split():
        assert wide[figure].value == tight[figure].value
        assert wide[figure].high - wide[figure].low > tight[figure].high - tight[figure].low, figure
        assert wide[figure].low <= tight[figure].low <= tight[figure].high <= wide[figure].high, figure


@pytest.mark.parametrize("name", ["budget-cruiser", "towing-engine", "weekend-racer"])
def test_every_figure_lies_within_its_band(name: str) -> None:
    build = shipped(name)
    # The share of the best lobe and the limit's band take their time: `decision.compare(details=True)` adds them.
    keys = {c.key for c in COLUMNS} - {
        "share_of_best",
        "gain",
        "chance",
        "first_cost",
        "expected_loss",
        "owning",
        "net",
        "expected",
        "speed_use",
        "useful_limit",
        "safe_speed",
        "vacuum_in_gear",
    }
    for candidate in build.candidates:
        figures = assess(build, candidate).figures
        assert keys <= set(figures), candidate.id
        for key, (value, low, high) in figures.items():
            if key == "residual" and math.isnan(value):
                continue
            if key in ("pressure_angle", "travel"):
                assert math.isnan(value) == ((candidate.follower == "flat") == (key == "pressure_angle"))
                continue
            assert low <= value <= high, (candidate.id, key)


def test_the_worse_lobe_is_judged_end_by_end() -> None:
    """The exhaust of this card is the milder by its nominal lobe and the worse by its band."""
    intake, exhaust = Figure(5.0, 4.9, 5.1), Figure(5.2, 3.0, 7.0)
    pair = {"intake": intake, "exhaust": exhaust}
    assert worse_of_both(lambda which, _: pair[which], None, None, min) == Figure(5.0, 3.0, 5.1)
    assert worse_of_both(lambda which, _: pair[which], None, None, max) == Figure(5.2, 4.9, 7.0)


ends = st.floats(0.0, 0.5)


@settings(max_examples=60, deadline=None)
@given(ends, ends, ends, ends, st.floats(1.0, 3.0))
def test_a_spread_holds_its_value_and_grows_with_its_ranges(a_low, a_high, b_low, b_high, factor) -> None:
    def at(scale: float) -> Figure:
        ranges = {"a": (1 - a_low * scale / 3, 1 + a_high * scale / 3), "b": (2 - b_low * scale, 2 + b_high * scale)}
        return spread(lambda a, b: np.array([a * b, a * b - 0.1, a * b + 0.2]), {"a": 1.0, "b": 2.0}, ranges)

    one, wider = at(1.0), at(factor)
    assert wider.low <= one.low + 1e-12 and one.high <= wider.high + 1e-12
    assert one.low <= one.value - 0.1 + 1e-12 and one.value + 0.2 <= one.high + 1e-12
    # Two inputs that move by root of the sum of squares never exceed moving both to their ends in turn.
    assert one.high - one.value - 0.2 <= 2 * a_high / 3 + b_high + 1e-9


# ------------------------------------------------------------------------------------------- directions


def figures_with(case: tuple[str, str], **changes: object):
    name, candidate_id = case
    paths = {f"candidates.{candidate_id}.{key.replace('__', '.')}": value for key, value in changes.items()}
    return found(ll.change(shipped(name), paths), candidate_id).figures


@settings(max_examples=8, deadline=None)
@given(st.sampled_from([H, R]), st.integers(60, 160), st.integers(1, 80))
def test_heavier_parts_let_go_earlier(case, pushrod_g: int, more_g: int) -> None:
    light = figures_with(case, valvetrain__pushrod_mass=f"{pushrod_g} g")
    heavy = figures_with(case, valvetrain__pushrod_mass=f"{pushrod_g + more_g} g")
    assert heavy["mass"].value == pytest.approx(light["mass"].value + more_g * 1e-3)
    assert heavy["rigid_limit"].value < light["rigid_limit"].value
    # The limit goes with one over the root of the mass of whichever valve lets go first.
    assert heavy["stress_top"].value <= light["stress_top"].value


@settings(max_examples=8, deadline=None)
@given(st.sampled_from([H, R]), st.integers(280, 420), st.integers(5, 80))
def test_stiffer_springs_hold_longer_and_press_harder(case, rate: int, more: int) -> None:
    soft, stiff = (figures_with(case, springs__rate=f"{r} lbf/in") for r in (rate, rate + more))
    assert stiff["rigid_limit"].value > soft["rigid_limit"].value
    assert stiff["stress_cranking"].value > soft["stress_cranking"].value
    assert stiff["stress_top"].value > soft["stress_top"].value
    assert stiff["open_load"].value > soft["open_load"].value and stiff["seat_load"] == soft["seat_load"]


def test_the_rigid_limit_goes_with_the_root_of_load_over_mass() -> None:
    """Twice the load everywhere is sqrt(2) of the speed (Newton's second law): 1e-9."""
    build = shipped(R[0])
    s = build.candidate(R[1]).springs
    once = found(build, R[1]).figures["rigid_limit"].value
    twice = figures_with(R, springs__seat_load=f"{2 * s.seat_load_n} N", springs__rate=f"{2 * s.rate_n_per_m} N/m")
    assert twice["rigid_limit"].value == pytest.approx(math.sqrt(2) * once, rel=1e-9)


def test_more_lash_opens_later_closes_earlier_and_lifts_less() -> None:
    tight, loose = (figures_with(R, intake_lash=lash) for lash in ("0.012 in", "0.020 in"))
    assert loose["seat_duration"].value < tight["seat_duration"].value
    assert loose["ivc"].value < tight["ivc"].value
    assert loose["overlap"].value < tight["overlap"].value
    assert loose["dynamic_compression"].value > tight["dynamic_compression"].value
    assert loose["intake_lift"].value == pytest.approx(tight["intake_lift"].value - 0.008 * INCH, rel=1e-9)
    assert loose["exhaust_lift"] == tight["exhaust_lift"]


def test_advance_closes_earlier_and_raises_dynamic_compression() -> None:
    """Four crank degrees of advance close the intake four degrees earlier; overlap does not change."""
    base, advanced = (figures_with(H, intake_centreline=at) for at in ("108 deg", "104 deg"))
    assert (base["ivc"].value - advanced["ivc"].value) / DEG == pytest.approx(4.0, abs=1e-9)
    assert advanced["overlap"].value == pytest.approx(base["overlap"].value, rel=1e-12)
    assert advanced["dynamic_compression"].value > base["dynamic_compression"].value


def test_a_degree_of_lobe_separation_is_two_degrees_of_overlap() -> None:
    """Lobe separation is in cam degrees: overlap = (Di + De)/2 - 2 LSA."""
    wide, close = (figures_with(H, lobe_separation=at) for at in ("112 deg", "111 deg"))
    assert (close["overlap"].value - wide["overlap"].value) / DEG == pytest.approx(2.0, abs=1e-9)
    assert close["ivc"] == wide["ivc"]


def test_a_larger_base_circle_rounds_the_nose_and_eases_the_angle() -> None:
    small, large = (figures_with(R, valvetrain__base_circle_radius=r) for r in ("0.52 in", "0.60 in"))
    assert large["nose_radius"].value > small["nose_radius"].value
    assert large["pressure_angle"].value < small["pressure_angle"].value
    assert large["stress_cranking"].value < small["stress_cranking"].value


def test_top_speed_takes_load_off_the_nose() -> None:
    for case in (H, S, R):
        figures = found(shipped(case[0]), case[1]).figures
        assert figures["stress_top"].value < figures["stress_cranking"].value


def test_beyond_the_rigid_limit_nothing_presses_on_the_whole_nose() -> None:
    """At twice the limit the stress may fall to nothing but is never negative or unknown."""
    build = ll.change(shipped(R[0]), {"use.highest_speed": "9900 rpm"})
    figures = found(build, R[1]).figures
    assert figures["speed_margin"].value < 0
    assert 0.0 <= figures["stress_top"].low <= figures["stress_top"].value


# -------------------------------------------------------------------------- impossible, alike, and in threads


def test_an_impossible_card_is_named_and_nothing_else_breaks() -> None:
    path = f"candidates.{H[1]}.intake.lobe_lift"
    a = found(ll.change(shipped(H[0]), {path: "0.360 in"}), H[1])
    assert [b.limit for b in a.broken][0] == "card"
    assert a.broken[0].subject == "intake" and a.broken[0].ways
    said = broken_text(shipped(H[0]), a.candidate, a.broken[0], "us")
    assert said.startswith("the intake card (0.360 in lobe lift) won't work with a flat lifter")
    assert a.intake is None and a.exhaust is not None
    assert a.torque_n_m.size == 0
    assert {"mass", "open_load", "coil_bind", "cruise"} <= set(a.figures)
    assert not {"rigid_limit", "ivc", "torque", "stress_top"} & set(a.figures)
    assert all(math.isfinite(value) for figure in a.figures.values() for value in figure)
    whole = ll.compare(ll.change(shipped(H[0]), {path: "0.360 in"}))
    assert whole.winner_id != H[1] and "NaN" not in whole.to_json()


def test_a_valve_without_a_seat_is_refused_in_words() -> None:
    build = ll.change(shipped(S[0]), {"candidates.s-flat.intake_lash": "0 in"})
    with pytest.raises(OutOfRange, match="intake_lash of 's-flat' is zero"):
        found(build, S[1])


def twin_build():
    """The budget cruiser with its first candidate twice, under another id."""
    text = (BUILDS / "budget-cruiser.toml").read_text(encoding="utf-8")
    head, first, *rest = text.split("\n[[candidates]]\n")
    twin = first.replace('id = "h-flat"', 'id = "h-twin"')
    assert twin != first
    return ll.build_from_text("\n[[candidates]]\n".join([head, first, twin, *rest]))


def test_identical_candidates_get_identical_figures() -> None:
    build = twin_build()
    one, two = (found(build, c).figures for c in ("h-flat", "h-twin"))
    assert set(one) == set(two) and all(same(one[key], two[key]) for key in one)


def forget() -> None:
    for each in (kept_lobe, kept_ways, assess_room._mechanics):
        each.cache_clear()


def test_it_gives_the_same_again_cold_warm_and_in_two_threads() -> None:
    build = shipped("towing-engine")
    forget()
    first = [assess(build, c).figures for c in build.candidates]
    warm = [assess(build, c).figures for c in build.candidates]
    forget()
    with ThreadPoolExecutor(max_workers=2) as pool:
        # The same candidates twice, so that both threads meet at the same lobes.
        threads = list(pool.map(lambda c: assess(build, c).figures, [*build.candidates, *reversed(build.candidates)]))
    for other in (warm, threads[: len(first)], threads[: len(first) - 1 : -1]):
        for one, two in zip(first, other, strict=True):
            assert set(one) == set(two) and all(same(one[key], two[key]) for key in one)
