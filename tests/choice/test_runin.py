"""The run-in: acts by surface, steps, springs, fuel and heat against outside figures, its cost, and the sheet to print.

Sources are named beside each check; 'from memory' where nobody saw the page.
"""

from __future__ import annotations

import dataclasses
import datetime
import functools
import json
import math
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

import lobeledger as ll
import shipped_builds
from lobeledger.choice.precautions import precautions_by_worth
from lobeledger.choice.run_in import (
    ratio_for_open_load,
    run_in_charges,
    run_in_fuel_m3,
    run_in_heat_w,
    run_in_plan,
    run_in_springs,
    step_fuel_m3,
)
from lobeledger.doubt import draws
from lobeledger.engine import crank as engine
from lobeledger.engine.cycle import displacement_m3
from lobeledger.errors import BuildError, OutOfRange
from lobeledger.lobe import contact, ellipse
from lobeledger.page.paper.run_in import run_sheet_html, write_run_sheet
from lobeledger.page.words.figures import in_one_system
from lobeledger.page.words.run_in import run_cautions
from lobeledger.parts.candidate import LIGHT_SPRINGS
from lobeledger.parts.conditions import FACTS, parse
from lobeledger.parts.rules import RunInLine
from lobeledger.parts.spec import replaced
from lobeledger.sheet.tables import DATA_DIR, read_precautions, read_run_in
from paper_support import Page

BUILDS = DATA_DIR / "builds"
NAMES = ("budget-cruiser", "towing-engine", "weekend-racer")
LBF = 4.4482216152605  # N, exact by definition of the pound and of standard gravity
GALLON_M3 = 3.785411784e-3  # US gallon, exact by definition
KWH_J = 3.6e6
# Mathur and Sharma, Internal Combustion Engines, 8th ed., ex. 8.1, p. 193 (worked example seen): 43 913 kJ/kg.
LHV = 43.913e6
DAY = datetime.date(2031, 2, 3)
F, S = "candidates.h-flat.", "candidates.s-flat."


@functools.cache
def shipped(name: str = "budget-cruiser"):
    return ll.read_build(BUILDS / f"{name}.toml")


def changed(*pairs: tuple[str, object], name: str = "budget-cruiser"):
    return _changed(json.dumps(pairs), name)


@functools.cache
def _changed(pairs: str, name: str):
    return ll.change(shipped(name), dict(json.loads(pairs)))


def plan_of(candidate_id: str = "h-flat", *pairs: tuple[str, object], name: str = "budget-cruiser"):
    build = changed(*pairs, name=name)
    return run_in_plan(build, build.candidate(candidate_id))


def amounts(charges) -> dict[str, float]:
    return {charge.text: charge.amount for charge in charges}


# A racing flat cam with an inner spring: 55 lbf and 130 lbf/in of its loads are the inner's (invented).
NESTED = (
    ("candidates.s-flat.springs.seat_load", "95 lbf"),
    ("candidates.s-flat.springs.rate", "270 lbf/in"),
    ("candidates.s-flat.springs.inner_seat_load", {"value": "55 lbf", "pm": "3 lbf"}),
    ("candidates.s-flat.springs.inner_rate", {"value": "130 lbf/in", "pm": "6 lbf/in"}),
)
INNER_OUT = (*NESTED, ("candidates.s-flat.failure.precautions", LIGHT_SPRINGS))
LOW_ROCKERS = (
    ("candidates.s-flat.run_in_rocker_ratio", 1.3),
    ("candidates.s-flat.run_in_rocker_labour", "1.5 h"),
)
MAKER = "Run 25 minutes between 2,200 and 2,800 rpm."
BY_MAKER = (
    (F + "maker_instruction", MAKER),
    (F + "run_in_time", "25 min"),
    (F + "run_in_speed", "2500 rpm"),
    (F + "run_in_lowest_speed", "2200 rpm"),
    (F + "run_in_highest_speed", "2800 rpm"),
)


# -- fuel and heat against the outside -----------------------------------------------------------------------


@pytest.mark.parametrize(("litres", "gallons_an_hour"), [(4.6, 0.39), (2.0, 0.16)])
def test_idle_fuel_us_department_of_energy_fact_861_2015(litres: float, gallons_an_hour: float) -> None:
    """Fuel at idle without load: large sedan, 4.6 L, 0.39 gal/h; compact sedan, 2.0 L, 0.16 gal/h.

    US Department of Energy, Vehicle Technologies Office, Fact #861, 23 February 2015, table (seen), after Argonne
    National Laboratory. The page names no idle speed: 700 rpm is assumed. The same friction and light-load efficiency
    as a run-in uses, with the accessories' pressure of an idle in place of the dyno's load.
    """
    model, data = shipped().model, shipped().data

    def idle(path: str = "", value: float = 0.0) -> float:
        def of(key: str) -> float:
            return value if path == f"model.{key}" else float(data[f"model.{key}"].value)

        return run_in_fuel_m3(
            time_s=3600.0, speed_rpm=700.0, displacement_m3=litres / 1000.0, brake_pressure_pa=of("idle_accessory"),
            friction_pressure_pa=of("friction_scale") * engine.total_fmep_pa(700.0),
            indicated_efficiency=of("run_in_efficiency"), heating_value_j_per_kg=model.fuel_heating_value_j_per_kg,
            density_kg_per_m3=of("fuel_density"),
        )  # fmt: skip

    nominal, down, up = idle(), 0.0, 0.0
    for key in ("idle_accessory", "friction_scale", "run_in_efficiency", "fuel_density"):
        datum = data[f"model.{key}"]
        for end in (datum.low, datum.high):
            move = idle(f"model.{key}", end) - nominal
            down, up = down + min(move, 0.0) ** 2, up + max(move, 0.0) ** 2
    published = gallons_an_hour * GALLON_M3
    half_digit = 0.005 * GALLON_M3  # two decimals are printed
    assert nominal - math.sqrt(down) - half_digit < published < nominal + math.sqrt(up) + half_digit
    assert nominal == pytest.approx(published, rel=0.2)


def test_light_load_consumption_at_2_bar_and_2000_rpm_is_that_of_older_engines() -> None:
    """Published for engines of the injection age: about 350 to 400 g/kWh at 2 bar and 2,000 rpm (from memory).

    The library's nominal figure is higher, and the difference is accounted for here: friction of the 1960s
    (Barnes-Moss, 1.47 bar at 2,000 rpm) and 0.28 of indicated efficiency, for a rich carburettor mixture at light load.
    375 g/kWh with the same friction would ask for an efficiency of 0.38.
    """
    model = shipped().model
    fuel_m3 = run_in_fuel_m3(
        time_s=3600.0, speed_rpm=2000.0, displacement_m3=1e-3, brake_pressure_pa=2e5,
        friction_pressure_pa=engine.total_fmep_pa(2000.0), indicated_efficiency=model.run_in_efficiency,
        heating_value_j_per_kg=LHV, density_kg_per_m3=745.0,
    )  # fmt: skip
    power_kw = 2e5 * 1e-3 * 2000.0 / 120.0 / 1000.0
    grams_per_kwh = fuel_m3 * 745.0 * 1000.0 / power_kw
    # By hand: 3.47 bar / 2 bar / 0.28 x 3600 kJ / 43.913 kJ/g = 508.
    assert grams_per_kwh == pytest.approx(508.0, abs=0.5)
    # It lies above the published band, not in it: said here, in the table and on the sheet, and not tuned away.
    assert grams_per_kwh > 400.0
    assert "508 g/kWh" in shipped().data["model.run_in_efficiency"].note
    assert "on the high side" in page_of("h-flat").text
    needed = 3.47 / 2.0 * KWH_J / (LHV / 1000.0) / 375.0
    assert needed == pytest.approx(0.38, abs=0.005)


def test_the_run_in_s_fuel_range_holds_an_estimate_from_specific_consumption() -> None:
    """Independent road: a straight line of fuel over load (Willans) through two outside points.

    Idle without load: 0.39 gal/h of a 4.6 L engine (Fact #861, seen; 700 rpm and 0.2 bar of accessories assumed).
    2 bar: 375 g/kWh (from memory). At the 1 bar of the run-in that gives the fuel's mean pressure, hence the gallons.
    Both points are of newer engines than ours, so it must lie in the lower half of the plan's range; it lies near its
    lower end, and below the 5 % of the cost's draws, whose minutes and speed vary upwards too.
    """
    idle_bar = 0.39 * GALLON_M3 / 3600.0 * 745.0 * LHV / (4.6e-3 * 700.0 / 120.0) / 1e5
    loaded_bar = 2.0 * 375.0 * LHV / 1000.0 / KWH_J
    at_1_bar = idle_bar + (loaded_bar - idle_bar) * (1.0 - 0.2) / (2.0 - 0.2)
    build = shipped()
    c, swept = build.candidate("h-flat"), displacement_m3(build.engine)
    cycles = c.run_in_time_s * c.run_in_speed_rpm / 120.0
    estimate_m3 = at_1_bar * 1e5 * swept * cycles / LHV / 745.0
    plan = run_in_plan(build, c)
    assert plan.fuel_m3.low < estimate_m3 < plan.fuel_m3.value


def test_a_swept_step_is_the_integral_over_its_speeds() -> None:
    # Simpson's rule against scipy's adaptive quadrature of the same rate over an even sweep.
    same = dict(
        time_s=720.0, displacement_m3=0.0057, brake_pressure_pa=1e5, indicated_efficiency=0.28,
        heating_value_j_per_kg=LHV, density_kg_per_m3=745.0,
    )  # fmt: skip

    def rate(rpm: float) -> float:
        return run_in_fuel_m3(speed_rpm=rpm, friction_pressure_pa=1.1 * engine.total_fmep_pa(rpm), **same)

    mean = integrate.quad(rate, 2000.0, 3000.0)[0] / 1000.0
    assert step_fuel_m3(from_rpm=2000.0, to_rpm=3000.0, friction_scale=1.1, **same) == pytest.approx(mean, rel=1e-12)
    # Held at one speed it is the plain formula; a step run backwards burns the same.
    assert step_fuel_m3(from_rpm=2300.0, to_rpm=2300.0, friction_scale=1.1, **same) == pytest.approx(rate(2300.0))
    assert step_fuel_m3(from_rpm=3000.0, to_rpm=2000.0, friction_scale=1.1, **same) == pytest.approx(mean, rel=1e-12)


@settings(max_examples=30, deadline=None)
@given(st.floats(60.0, 7200.0), st.floats(800.0, 4000.0), st.floats(1.01, 2.0))
def test_fuel_rises_with_minutes_and_speed(time_s: float, rpm: float, factor: float) -> None:
    def fuel(time: float, speed: float) -> float:
        return step_fuel_m3(
            time_s=time, from_rpm=0.9 * speed, to_rpm=1.2 * speed, displacement_m3=0.0057, brake_pressure_pa=1e5,
            friction_scale=1.0, indicated_efficiency=0.28, heating_value_j_per_kg=LHV, density_kg_per_m3=745.0,
        )  # fmt: skip

    assert fuel(time_s * factor, rpm) == pytest.approx(factor * fuel(time_s, rpm), rel=1e-12)
    # Twice the speed, more than twice the fuel: friction grows with it.
    assert fuel(time_s, rpm * factor) > factor * fuel(time_s, rpm)


def test_heat_by_way_of_brake_efficiency() -> None:
    # First law: heat = brake power (1/efficiency - 1). 20 kW at a brake efficiency of 0.16 leaves 105 kW (by hand).
    fuel_kg_per_s = 20e3 / 0.16 / LHV
    brake_pa = 20e3 * 120.0 / (0.005 * 2400.0)
    heat = run_in_heat_w(
        fuel_m3=fuel_kg_per_s * 600.0 / 745.0, time_s=600.0, mean_speed_rpm=2400.0, displacement_m3=0.005,
        brake_pressure_pa=brake_pa, heating_value_j_per_kg=LHV, density_kg_per_m3=745.0,
    )  # fmt: skip
    assert heat == pytest.approx(105e3, rel=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_what_the_fuel_holds_is_all_accounted_for(name: str) -> None:
    build = shipped(name)
    model = build.model
    for c in build.candidates:
        plan = run_in_plan(build, c)
        assert math.fsum(f.value for f in plan.heat_shares.values()) == pytest.approx(1.0, abs=1e-12)
        assert {"coolant", "oil", "exhaust", "surroundings"} == set(plan.heat_shares)
        assert all(f.low < f.value < f.high for f in plan.heat_shares.values())
        for step in plan.steps:
            held = step.fuel_m3.value * model.fuel_density_kg_per_m3 * model.fuel_heating_value_j_per_kg
            assert (step.heat_w.value + step.brake_w) * step.time_s == pytest.approx(held, rel=1e-12)
            assert 0.0 < step.brake_w < step.heat_w.low < step.heat_w.value < step.heat_w.high
        assert plan.heat_w.value == max((s.heat_w.value for s in plan.steps), default=0.0)


# -- the plan ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_minutes_of_the_steps_add_up_and_rollers_have_none(name: str) -> None:
    for c in shipped(name).candidates:
        plan = run_in_plan(shipped(name), c)
        assert plan.time_s == pytest.approx(c.run_in_time_s, rel=1e-12)
        assert bool(plan.steps) == (c.follower == "flat")
        assert math.fsum(s.fuel_m3.value for s in plan.steps) == pytest.approx(plan.fuel_m3.value, rel=1e-12)


def test_two_schools_of_common_practice() -> None:
    # Common practice, no source: 20 to 30 minutes varied from 2,000 to 3,000 rpm; or 30 minutes at 3,500 rpm.
    varied, hold = plan_of(), plan_of("h-flat", (F + "run_in_school", "hold"))
    speeds = [rpm for step in varied.steps for rpm in (step.from_rpm, step.to_rpm)]
    assert varied.school == "varied" and varied.time_s == 30 * 60.0
    assert min(speeds) == pytest.approx(2000.0, abs=25.0) and max(speeds) == pytest.approx(3000.0, abs=25.0)
    # Weighed by time the steps keep the mean speed of the sheet.
    mean = math.fsum(s.time_s * (s.from_rpm + s.to_rpm) / 2.0 for s in varied.steps) / varied.time_s
    assert mean == pytest.approx(2300.0, rel=1e-9)
    assert hold.school == "hold" and hold.time_s == 30 * 60.0
    assert [(s.from_rpm, s.to_rpm) for s in hold.steps] == [(3500.0, 3500.0)]
    assert hold.fuel_m3.value > varied.fuel_m3.value
    assert shipped().candidate("h-roller").run_in_school is None


def test_acts_differ_by_follower_as_they_must() -> None:
    flat, roller = (run_in_plan(shipped(), shipped().candidate(c)) for c in ("h-flat", "h-roller"))

    def text(plan, where: str = "") -> str:
        return " ".join(a.text for a in plan.acts if where in a.where).lower()

    # Moly paste on flat lobes, faces and the distributor gear; on a roller's gear alone, and said to be kept off lobes.
    assert "moly paste on every lobe" in text(flat, "lobes")
    assert "no moly paste" in text(roller, "lobes") and "moly" not in text(flat, "journals") + text(roller, "journals")
    assert all("moly paste" in text(plan, "distributor gear") for plan in (flat, roller))
    assert all("assembly lube" in text(plan, "journals") for plan in (flat, roller))
    assert "crown" in text(flat) and "crown" not in text(roller)
    assert "zinc" in text(flat, "oil") and "zinc" not in text(roller, "oil")
    assert any(a.id == "turning" for a in flat.prepare) and not any(a.id == "turning" for a in roller.prepare)
    # The same first oil change, filter and ring seating for both.
    for each in ("drain", "filter", "lift", "rings", "service"):
        assert each in {a.id for a in flat.after} & {a.id for a in roller.after}
    assert "idling" in text(flat, "start") and flat.restart != roller.restart


@pytest.mark.parametrize(
    ("candidate_id", "kept", "other"), [("h-flat", "preload", "lash"), ("s-flat", "lash", "preload")]
)
def test_lash_or_preload_by_lifter(candidate_id: str, kept: str, other: str) -> None:
    ids = {a.id for a in plan_of(candidate_id).acts}
    assert {kept, f"{kept}-after"} <= ids and not {other, f"{other}-after"} & ids


def test_fuel_is_made_ready_by_the_fuel_system() -> None:
    ids = [{a.id for a in plan_of("h-flat", ("vehicle.fuel_system", s)).ready} for s in ("carburettor", "injection")]
    assert "bowl" in ids[0] - ids[1] and "rail" in ids[1] - ids[0]


def test_every_condition_is_met_by_some_candidate() -> None:
    """A line nobody ever sees is a mistake in its conditions."""
    builds = [shipped(name) for name in NAMES] + [
        changed((F + "run_in_school", "hold")), changed((F + "run_in_time", "0 min")),
        changed(("candidates.h-roller.run_in_time", "10 min")), changed(*INNER_OUT, *LOW_ROCKERS, name="weekend-racer"),
    ]  # fmt: skip
    seen = {line.id for b in builds for c in b.candidates for line in b.run_in if line.when.holds(b.facts(c))}
    assert seen == {line.id for line in read_run_in()}
    for b in builds:
        for c in b.candidates:
            facts = b.facts(c)
            assert set(facts) == {*FACTS, "served"}
            for name, may in FACTS.items():
                assert isinstance(facts[name], float) if isinstance(may, str) else facts[name] in may, name


# Words that name a danger; whoever reads the act must be told of it there.
_DANGEROUS = re.compile(
    r"\b(start|starter|drive the pump|fuel|carburettor|exhaust|coolant|drain|cut the old|spring|springs|rockers|"
    r"firing|crank|oil and filter|load|hot)\b",
    re.IGNORECASE,
)
# No danger in them, though a word of theirs is above: what is bought or poured cold, or done on the bench.
_HARMLESS = {"oil-flat", "oil-roller"}


def test_every_act_with_danger_carries_a_caution() -> None:
    acts = [line for line in read_run_in() if line.stage not in ("step", "heat", "usual", "stop")]
    dangerous = {line.id for line in acts if _DANGEROUS.search(f"{line.where} {line.text}")} - _HARMLESS
    assert len(dangerous) >= 18
    assert not [line.id for line in acts if line.id in dangerous and not line.caution]
    for stage in ("prime", "start", "restart"):
        assert all(line.caution for line in acts if line.stage == stage), stage
    by_id = {line.id: (line.caution or "").lower() for line in acts}
    for each, word in (
        ("exhaust", "kills"), ("bowl", "burns"), ("rail", "burns"), ("coolant", "scalds"), ("drain", "burns"),
        ("inner-out", "compressor"), ("inner-back", "glasses"), ("start-flat", "fan and belts"),
        ("start-roller", "fan and belts"), ("prime", "wrist"), ("lift", "ignition off"), ("rings", "law"),
    ):  # fmt: skip
        assert word in by_id[each], each


# -- the maker's word ----------------------------------------------------------------------------------------


def test_the_maker_s_minutes_and_speeds_replace_the_library_s() -> None:
    plan = plan_of("h-flat", *BY_MAKER)
    assert plan.maker_instruction == MAKER and plan.is_time_given and plan.is_speed_given
    assert plan.time_s == pytest.approx(25 * 60.0)
    speeds = [rpm for step in plan.steps for rpm in (step.from_rpm, step.to_rpm)]
    assert min(speeds) == 2200.0 and max(speeds) == 2800.0
    assert not plan.cautions
    # Without its slowest and fastest the library varies on its own, and says so.
    loose = plan_of("h-flat", *BY_MAKER[:3])
    assert any("run_in_highest_speed" in text for text in run_cautions(loose))
    assert not plan_of().is_time_given and not plan_of().is_speed_given and plan_of().maker_instruction == ""


def test_a_roller_whose_maker_asks_for_a_run_gets_it() -> None:
    root = "candidates.h-roller."
    plan = plan_of("h-roller", (root + "run_in_time", "10 min"), (root + "run_in_speed", "1800 rpm"))
    assert [(s.from_rpm, s.to_rpm, s.time_s) for s in plan.steps] == [(1800.0, 1800.0, 600.0)]
    assert amounts(plan.charges)["Fuel for the lobe break-in"] > 0.0


def test_what_does_not_fit_together_is_said() -> None:
    slow = plan_of("h-flat", (F + "run_in_speed", "1500 rpm"))
    assert any("too little oil" in text for text in run_cautions(slow))
    none = plan_of("h-flat", (F + "run_in_time", "0 min"))
    assert not none.steps and any("no break-in" in text for text in run_cautions(none))
    short = plan_of("h-flat", (F + "dyno_time", "0.25 h"))
    assert any("dyno time" in text for text in run_cautions(short))
    weak = plan_of("h-flat", (F + "springs.seat_load", "12 lbf"), (F + "springs.rate", "30 lbf/in"))
    assert weak.springs.rigid_limit_rpm.low < 3000.0 and any("valves may float" in text for text in run_cautions(weak))
    for name in NAMES:
        for c in shipped(name).candidates:
            assert run_in_plan(shipped(name), c).cautions == (), c.id


# -- springs -------------------------------------------------------------------------------------------------


def test_without_the_inner_the_outer_s_own_loads_are_left() -> None:
    build = changed(*INNER_OUT, name="weekend-racer")
    c = build.candidate("s-flat")
    s = run_in_springs(build, c)
    lift_in = max(1.6 * 0.332 - 0.020, 1.6 * 0.332 - 0.022)
    # By hand: outer 95 + 270 x lift; both springs 150 + 400 x lift (lbf).
    assert s.is_lightened
    assert s.run_in_seat_n.value == pytest.approx(95.0 * LBF, rel=1e-9)
    assert s.run_in_open_n.value == pytest.approx((95.0 + 270.0 * lift_in) * LBF, rel=1e-9)
    assert s.open_n.value == pytest.approx((150.0 + 400.0 * lift_in) * LBF, rel=1e-9)
    assert s.run_in_stress_pa.value < s.stress_pa.value
    # The inner's own range goes out with it: no band below the outer's seat load but the outer's.
    assert s.run_in_seat_n.low == s.run_in_seat_n.high == s.run_in_seat_n.value
    # An oval contact's pressure grows with the cube root of load (Hertz; Johnson, Contact Mechanics, ch. 4, from
    # memory), a line's with its square root: the fall in stress lies between the two.
    loads = s.run_in_open_n.value / s.open_n.value
    assert loads ** (1 / 2) * 0.98 < s.run_in_stress_pa.value / s.stress_pa.value < loads ** (1 / 3) * 1.02
    full = changed(*NESTED, name="weekend-racer")
    assert s.rigid_limit_rpm.value < run_in_springs(full, full.candidate("s-flat")).rigid_limit_rpm.value


def test_inner_springs_out_are_one_act_with_one_price_and_one_effect() -> None:
    # The precaution is a row of precautions.csv of that id, which says the same in words.
    row = next(p for p in read_precautions() if p.id == LIGHT_SPRINGS)
    assert row.follower == "flat" and "inner springs out" in row.text and not row.price_money and not row.time_h
    out, nested = changed(*INNER_OUT, name="weekend-racer"), changed(*NESTED, name="weekend-racer")
    swept = displacement_m3(out.engine)
    charges = amounts(run_in_charges(out, out.candidate("s-flat"), swept, draws.nominal(out)))
    # 4 h of spring labour (defaults.csv) twice at 130 an hour; the sheet keeps 12 % more for surprises.
    labour = charges["Labor: inner springs out for the break-in and back"]
    assert labour == pytest.approx(1040.00, abs=1e-9)
    with_it, without = ll.compare(out).result("s-flat"), ll.compare(nested).result("s-flat")
    first = [r.figures["first_cost"].value for r in (with_it, without)]
    assert first[0] - first[1] == pytest.approx(labour * (1.0 + out.shop.contingency), abs=0.005)
    # The odds fall by the row's own factor and by that of the heavy start, which is no longer there.
    odds = [c / (1.0 - c) for c in (r.figures["chance"].value for r in (with_it, without))]
    heavy = next(f for f in out.factors if f.id == "high-open-load")
    assert odds[0] / odds[1] == pytest.approx(row.odds / heavy.odds, rel=1e-9)
    # What the stakes say it is worth is just that difference.
    worth = next(w for w in precautions_by_worth(nested, without) if w.id == LIGHT_SPRINGS)
    owning = [r.figures["owning"].value for r in (without, with_it)]
    assert worth.worth.value == pytest.approx(owning[0] - owning[1], abs=0.005)
    assert worth.price == pytest.approx(labour * (1.0 + out.shop.contingency), abs=0.005)


def test_springs_without_an_inner_are_not_offered_lighter_ones() -> None:
    plain = shipped("weekend-racer")
    assert LIGHT_SPRINGS not in {p.id for p in plain.precautions_for(plain.candidate("s-flat"))}
    nested = changed(*NESTED, name="weekend-racer")
    assert LIGHT_SPRINGS in {p.id for p in nested.precautions_for(nested.candidate("s-flat"))}


def test_an_outer_spring_still_too_stiff_leaves_its_factor_on() -> None:
    # 200 + 270 x 0.511 lbf open without the inner: above 260 (by hand).
    stiff = changed(*INNER_OUT, ("candidates.s-flat.springs.seat_load", "200 lbf"), name="weekend-racer")
    assert "high-open-load" in {f.id for f in stiff.factors_on(stiff.candidate("s-flat"))}
    said = ll.change(stiff, {"candidates.s-flat.failure.factors_off": "high-open-load"})
    assert not said.factors_on(said.candidate("s-flat"))


def test_rockers_of_lower_ratio_lower_load_and_stress() -> None:
    build = changed(*LOW_ROCKERS, name="weekend-racer")
    s = run_in_springs(build, build.candidate("s-flat"))
    lift_in = 1.3 * 0.332 - 0.020
    assert s.run_in_open_n.value == pytest.approx((130.0 + 380.0 * lift_in) * LBF, rel=1e-9)
    assert s.run_in_seat_n == s.seat_n
    assert s.run_in_open_n.value < s.open_n.value and s.run_in_stress_pa.value < s.stress_pa.value


def test_common_practice_of_260_lbf_and_the_ratio_that_meets_it() -> None:
    # 'Up to about 260 lbf open for a flat run-in': common practice, no source.
    plan = plan_of("s-flat", name="weekend-racer")
    assert plan.springs.usual_open_n == pytest.approx(260.0 * LBF, rel=1e-9)
    assert plan.springs.open_n.value > plan.springs.usual_open_n
    ratio = plan.springs.ratio_for_usual
    assert ratio is not None
    # 130 + 380 (r x 0.332 - 0.020) = 260 -> r = 1.0906 (by hand), for the lobe of less lash.
    assert ratio == pytest.approx((130.0 / 380.0 + 0.020) / 0.332, rel=1e-9)
    there = replaced(shipped("weekend-racer").candidate("s-flat"), "valvetrain.rocker_ratio", ratio)
    assert there.greatest_open_load_n == pytest.approx(260.0 * LBF, rel=1e-9)
    assert plan_of().springs.ratio_for_usual is None and plan_of("h-roller").springs.usual_open_n is None
    with pytest.raises(OutOfRange, match="above zero"):
        ratio_for_open_load(1.0, seat_load_n=1.0, rate_n_per_m=0.0, lobe_lift_m=0.01, lash_m=0.0)


def test_lightened_springs_switch_the_factor_of_a_heavy_start_off() -> None:
    on = changed(*NESTED, name="weekend-racer")
    off = changed(*INNER_OUT, name="weekend-racer")
    ids = [{f.id for f in b.factors_on(b.candidate("s-flat"))} for b in (on, off)]
    assert ids == [{"high-open-load"}, set()]


def test_stress_of_the_run_in_is_the_contact_formula_s() -> None:
    """The nose stress moves as Hertz says for one sharp nose: pressure of the crowned face at both loads, same lobe."""
    build = changed(*LOW_ROCKERS, name="weekend-racer")
    s = run_in_springs(build, build.candidate("s-flat"))
    # At the lifter: spring load at full lift times the rocker ratio.
    loads = np.array([s.open_n.value * 1.6, s.run_in_open_n.value * 1.3])
    c = build.candidate("s-flat")
    modulus = ellipse.combined_modulus_pa(
        first_modulus_pa=c.lobe_modulus_pa, first_poisson=build.model.poisson,
        second_modulus_pa=c.follower_modulus_pa, second_poisson=build.model.poisson,
    )  # fmt: skip
    pressures = contact.crowned_face_contact(
        loads, cam_radius_m=np.full(2, 5e-3), crown_radius_m=c.crown_radius_m, lobe_width_m=c.valvetrain.lobe_width_m,
        modulus_pa=modulus, contact_offset_m=0.0,
    ).peak_pressure_pa  # fmt: skip
    # The worst place of the nose may move a little, so a few per cent.
    ratio = s.run_in_stress_pa.value / s.stress_pa.value
    assert ratio == pytest.approx(pressures[1] / pressures[0], rel=0.05)


@pytest.mark.parametrize(
    ("name", "pairs", "says"),
    [
        ("budget-cruiser", ((F + "failure.precautions", LIGHT_SPRINGS),), "no inner"),
        ("budget-cruiser", ((F + "run_in_rocker_ratio", 1.7), (F + "run_in_rocker_labour", "1 h")), "not below"),
        ("budget-cruiser", ((F + "run_in_rocker_ratio", 1.2),), "go together"),
        ("budget-cruiser", ((F + "run_in_rocker_labour", "1 h"),), "go together"),
        ("budget-cruiser", ((F + "run_in_lowest_speed", "2400 rpm"),), "not between"),
        ("budget-cruiser", ((F + "run_in_school", "both"),), "one of varied, hold"),
        (
            "weekend-racer",
            (("candidates.s-roller.run_in_rocker_ratio", 1.3), ("candidates.s-roller.run_in_rocker_labour", "1 h")),
            "full springs",
        ),
        ("weekend-racer", (("candidates.s-roller.failure.precautions", LIGHT_SPRINGS),), "for a roller follower"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(name: str, pairs: tuple[tuple[str, object], ...], says: str) -> None:
    with pytest.raises(BuildError, match=says) as caught:
        changed(*pairs, name=name)
    assert "\n" not in str(caught.value)


# -- cost ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_the_total_is_the_run_in_group_of_the_cost_lines(name: str) -> None:
    build = shipped(name)
    for result in shipped_builds.compared(name).results:
        plan = run_in_plan(build, result.candidate)
        group = [(x.text, float(x.amount)) for x in result.lines if x.group == "break-in"]
        assert [text for text, _ in group] == [c.text for c in plan.charges]
        assert math.fsum(a for _, a in group) == pytest.approx(plan.total_money.value, abs=0.005)
        assert plan.total_money.low <= plan.total_money.value <= plan.total_money.high


def test_charges_by_hand() -> None:
    build = changed(*INNER_OUT, *LOW_ROCKERS, name="weekend-racer")
    charges = amounts(run_in_plan(build, build.candidate("s-flat")).charges)
    # 3 h at 180; 170 for oil; 4 h of spring labour twice and 1.5 h of rockers twice at 130 (sheet and defaults.csv).
    assert charges["Dyno with operator"] == pytest.approx(540.00, abs=1e-9)
    assert charges["Oil, filter, additive and first service"] == pytest.approx(170.00, abs=1e-9)
    assert charges["Labor: inner springs out for the break-in and back"] == pytest.approx(1040.00, abs=1e-9)
    assert charges["Labor: rockers of lower ratio on for the break-in and back"] == pytest.approx(390.00, abs=1e-9)
    assert len(charges) == 5
    # A quote bills hours at the rate of the hour: count times rate is the amount.
    hours = {c.text: c.count for c in run_in_plan(build, build.candidate("s-flat")).charges if c.unit == "h"}
    assert list(hours.values()) == [3.0, 8.0, 3.0]
    roller = amounts(run_in_plan(build, build.candidate("h-roller")).charges)
    assert set(roller) == {"Dyno with operator", "Oil, filter, additive and first service"}


def test_draws_of_the_speed_take_friction_along() -> None:
    """What was held at its nominal speed before: friction now follows the speed that is drawn."""
    build = shipped()
    c, swept = build.candidate("h-flat"), displacement_m3(build.engine)
    path = F + "run_in_speed"

    def fuel(value) -> object:
        return amounts(run_in_charges(build, c, swept, value))["Fuel for the lobe break-in"]

    again = ll.change(build, {path: "3000 rpm"})
    there = amounts(run_in_charges(again, again.candidate("h-flat"), swept, draws.nominal(again)))
    assert fuel(draws.nominal(build, {path: 3000.0})) == pytest.approx(there["Fuel for the lobe break-in"], rel=1e-12)
    drawn = draws.draws(build)
    found = fuel(drawn)
    one = {p: float(np.broadcast_to(drawn(p), (draws.DRAWS,))[7]) for p in (
        path, F + "run_in_time", "model.run_in_load", "model.friction_scale", "model.run_in_efficiency",
        "model.fuel_density", "shop.fuel_price",
    )}  # fmt: skip
    assert found[7] == pytest.approx(fuel(draws.nominal(build, one)), rel=1e-12)


def test_draws_stay_within_the_maker_s_speeds() -> None:
    build = changed(*BY_MAKER[:2], (F + "run_in_speed", {"value": "2500 rpm", "pm": "300 rpm"}), *BY_MAKER[3:])
    c, swept = build.candidate("h-flat"), displacement_m3(build.engine)
    pinned = ll.change(build, {f"{F}run_in_speed": "2500 rpm"})
    top = amounts(run_in_charges(build, c, swept, draws.nominal(build, {F + "run_in_speed": 9000.0})))
    # Beyond the fastest allowed every step is held there.
    held = step_fuel_m3(
        time_s=1500.0, from_rpm=2800.0, to_rpm=2800.0, displacement_m3=swept,
        brake_pressure_pa=build.model.run_in_load_pa, friction_scale=build.model.friction_scale,
        indicated_efficiency=build.model.run_in_efficiency, density_kg_per_m3=build.model.fuel_density_kg_per_m3,
        heating_value_j_per_kg=build.model.fuel_heating_value_j_per_kg,
    )  # fmt: skip
    price = build.shop.fuel_price_money_per_m3
    assert top["Fuel for the lobe break-in"] == pytest.approx(held * price, rel=1e-12)
    assert run_in_plan(pinned, pinned.candidate("h-flat")).fuel_m3.value < held


# -- table ---------------------------------------------------------------------------------------------------


def test_the_table_has_provenance_reasons_and_unique_ids() -> None:
    lines = read_run_in()
    assert len({line.id for line in lines}) == len(lines)
    assert all(line.origin in ("common practice", "assumed") for line in lines)
    assert all(line.text and line.where for line in lines)
    assert [line.origin for line in lines if line.stage == "heat"] == ["assumed"] * 4


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"stage": "usual", "when": parse("run_in_load=high")}, "cannot ask for run_in_load"),
        ({"stage": "step"}, "lacks its share"), ({"stage": "usual"}, "needs its open_load or its time"),
        ({"stage": "later"}, "not one of"), ({"share": 1.5}, "outside"),
    ],
)  # fmt: skip
def test_a_bad_line_is_refused(change: dict[str, object], says: str) -> None:
    good = next(line for line in read_run_in() if line.id == "journals")
    values = {f.name: getattr(good, f.name) for f in dataclasses.fields(RunInLine)}
    with pytest.raises(OutOfRange, match=says):
        RunInLine(**{**values, **change})


def test_shares_that_do_not_add_up_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (DATA_DIR / "runin.csv").read_text(encoding="utf-8")
    (tmp_path / "runin.csv").write_text(text.replace("varied,,0.4,,0.87,1,", "varied,,0.3,,0.87,1,"), encoding="utf-8")
    monkeypatch.setenv("LOBELEDGER_DATA", str(tmp_path))
    with pytest.raises(BuildError, match="add up to 0.9"):
        read_run_in()


# -- the sheet -----------------------------------------------------------------------------------------------


def compared(*pairs: tuple[str, object], name: str = "budget-cruiser", system: str = "us"):
    return _compared(json.dumps(pairs), name, system)


@functools.cache
def _compared(pairs: str, name: str, system: str):
    return ll.compare(_changed(pairs, name), system=system)


def html_of(candidate_id: str = "h-flat", *pairs: tuple[str, object], name: str = "budget-cruiser", system: str = "us"):
    return run_sheet_html(compared(*pairs, name=name, system=system), candidate_id, date=DAY)


def page_of(*args, **rest) -> Page:
    page = Page(html_of(*args, **rest))
    assert page.open == []
    return page


@pytest.mark.parametrize("candidate_id", ["h-flat", "s-flat", "h-roller", "s-roller"])
def test_the_sheet_holds_every_act_and_caution_and_has_columns_to_fill_in(candidate_id: str) -> None:
    text, plan = page_of(candidate_id).text, plan_of(candidate_id)
    for act in (*plan.acts, *plan.stop):
        assert re.sub(r"\s+", " ", in_one_system(act.text, "us")) in text, act.id
        assert not act.caution or f"Caution: {in_one_system(act.caution, 'us')}" in text, act.id
    for column in ("Clock time", "rpm", "Oil pressure, psi", "Water, °F", "Signed", "Lobe lift, in"):
        assert column in text
    # What was read before the run stands beside what is read after it.
    for valve in ("Intake", "Exhaust"):
        assert re.search(rf"{valve} \(card 0\.\d+\), before.* {valve} \(card 0\.\d+\), after", text)
    assert text.index("read the lift of every lobe with a dial") < text.index("read the lift of every lobe again")
    assert ("Pushrods seen turning" in text) == (candidate_id[2:] == "flat")
    for charge in plan.charges:
        assert charge.text in text and f"{charge.amount:,.2f}" in text
    assert f"{plan.total_money.value:,.2f}" in text and "2031-02-03" in text
    assert "Local rules" in text and "licensed practice" in text and "{{" not in text


def test_the_maker_s_instruction_comes_first() -> None:
    text = page_of("h-flat", *BY_MAKER).text
    first = text.index("The part maker's instruction comes first")
    assert MAKER in text[first : first + 120] and first < text.index("25 minutes at 2,200 to 2,800 rpm")
    assert "(your sheet)" in text and "Other shops" not in text
    assert "ask for it and write it here" in page_of().text
    assert "30 minutes at 2,000 to 3,000 rpm (shop rule of thumb)" in page_of().text


def test_schools_and_springs_are_told() -> None:
    varied = page_of().text
    assert "Other shops hold 3,500 rpm for 30 minutes; neither way has a published source" in varied
    hold = page_of("h-flat", (F + "run_in_school", "hold")).text
    assert "30 minutes held at 3,500 rpm" in hold and "Other shops vary the speed from 2,000 to 3,000 rpm" in hold
    light = page_of("s-flat", *INNER_OUT, name="weekend-racer").text
    assert "without the inner springs: 95 lbf seat load" in light and "Take the inner springs out" in light
    heavy = page_of("s-flat", *NESTED, name="weekend-racer").text
    assert "this is above it. Without the inner springs it would be" in heavy and "inner springs out," not in heavy
    assert "260 lbf" not in page_of("h-roller").text


def test_the_log_runs_through_the_plan() -> None:
    rows = re.findall(r"([\d.]+) to ([\d.]+) min:", page_of().text)
    ends = [(float(a), float(b)) for a, b in rows]
    assert ends[0][0] == 0.0 and ends[-1][1] == 30.0
    assert all(one[1] == two[0] for one, two in zip(ends, ends[1:], strict=False))


def test_metric_sheets_are_metric() -> None:
    assert " n." not in page_of("s-flat", system="metric", name="weekend-racer").text  # newtons keep their N
    text = page_of("h-flat", system="metric").text
    assert "Water, °C" in text and "Oil pressure, kPa" in text and " L (" in text and "psi" not in text
    # Where a table gives both units, one is printed.
    assert "105 °C," in text and "800 km or 10 hours" in text and "°F" not in text and "miles" not in text
    assert "220 °F," in page_of("h-flat").text and "°C" not in page_of("h-flat").text


def test_what_a_person_writes_is_escaped() -> None:
    nasty = "<script>alert('x')</script> & \"words\" </div><img src=x onerror=alert(1)>"
    page = page_of(
        "h-flat", (F + "maker_instruction", nasty), (F + "name", "<b onclick='x()'>Cam</b>"), ("note", "</p><i>n</i>")
    )
    assert nasty in page.text
    for tag, attributes in page.tags:
        assert tag not in ("script", "img", "link", "iframe"), tag
        assert not any(key.startswith("on") or key in ("src", "href") for key in attributes)
    assert "url(" not in html_of() and "http" not in html_of()


def test_a_sheet_is_written_once_and_replaced_only_when_told(tmp_path: Path) -> None:
    where = write_run_sheet(compared(), "h-flat", tmp_path / "run.html")
    assert where.read_text(encoding="utf-8").startswith("<!doctype html>")
    with pytest.raises(BuildError):
        write_run_sheet(compared(), "h-flat", where)
    write_run_sheet(compared(), "h-roller", where, replace=True)
    assert "Roller lifters" in where.read_text(encoding="utf-8")
    with pytest.raises(OutOfRange, match="did you mean 'h-flat'"):
        run_sheet_html(compared(), "h-flt")


def test_a_stopped_candidates_sheet_says_first_that_it_must_not_be_run() -> None:
    assert "Do not run this" not in page_of("h-flat").text
    used = page_of("h-flat", (F + "lifter_state", "used")).text
    assert "Do not run this: " in used and used.index("Do not run this") < used.index("Before the engine is started")
    bound = page_of("h-flat", (F + "springs.coil_bind", "1.640 in")).text
    assert "Do not run this: clearance to coil bind is" in bound


def test_a_candidate_without_a_lobe_still_has_its_sheet() -> None:
    page = page_of("h-flat", (F + "intake.lobe_lift", "0.450 in"))
    assert "nose stress" not in page.text and "nan" not in page.text.lower().split()


LONG = (F + "maker_instruction", ("Follow every word of this invented instruction to the letter. " * 24).strip())


@pytest.mark.browser
@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_every_sheet_prints_on_two_pages(size: str, tmp_path: Path) -> None:
    sheets = [
        html_of("h-flat"), html_of("h-roller"), html_of("h-flat", LONG),
        html_of("s-flat", *INNER_OUT, *LOW_ROCKERS, name="weekend-racer"),
        html_of("s-flat", ("candidates.s-flat.run_in_time", "4 h"), name="towing-engine", system="metric"),
    ]  # fmt: skip
    chromium = next(p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n)))
    for i, html in enumerate(sheets):
        page, pdf = tmp_path / f"{i}.html", tmp_path / f"{i}.pdf"
        assert "size: auto" in html
        page.write_text(html.replace("size: auto", f"size: {size}"), encoding="utf-8")
        flags = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
        subprocess.run([chromium, *flags, f"--print-to-pdf={pdf}", page.as_uri()], capture_output=True, timeout=60)
        told = subprocess.run(["pdfinfo", str(pdf)], capture_output=True, text=True, check=True).stdout
        assert re.search(r"Pages:\s+2\b", told), (i, told)
