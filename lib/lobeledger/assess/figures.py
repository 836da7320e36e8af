"""Figures with low and high, and the columns of the comparison table.

What is a figure?                     `Figure`, `NOT_FOR_THIS`
Which figures, in which units?        `COLUMNS`, `Column`
Where does a band come from?          `spread`
What does the cost need of physics?   `FuelUse`

A band joins two kinds of doubt. Each input with a range is moved to its ends, one at a time, and the moves
are added as the root of the sum of their squares. What a card leaves open is not chance: the extremes of
the lobe's family are taken as they are, and added to it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np

from lobeledger.units import DEG_RAD

__all__ = ["COLUMNS", "NOT_FOR_THIS", "Column", "Figure", "FuelUse", "column", "spread"]


class Figure(NamedTuple):
    """A figure with its low and high, SI unless the column says otherwise."""

    value: float
    low: float
    high: float

    @classmethod
    def exact(cls, value: float) -> Figure:
        """A figure without a band."""
        return cls(value, value, value)


NOT_FOR_THIS = Figure.exact(math.nan)


class FuelUse(NamedTuple):
    """What the physics says the cost needs: displacement, friction pressure of the valvetrain, its mean speed."""

    displacement_m3: float
    valvetrain_friction_pa: float
    mean_speed_rpm: float


class Column(NamedTuple):
    """One figure of the comparison table.

    name: the table's column, unit included; `name_low` and `name_high` stand beside it. kind: how
    `units.show` writes it ("" for a bare ratio, "money" for money). scale: from SI to the column's unit.
    heading, meaning: for people.
    """

    key: str
    name: str
    kind: str
    scale: float
    heading: str
    meaning: str


_DEG = 1.0 / DEG_RAD
COLUMNS: tuple[Column, ...] = tuple(
    Column(*row)
    for row in (
        ("intake_lift", "intake_valve_lift_mm", "lift", 1e3, "Intake valve lift", "greatest lift at the valve, after lash or lifter take-up"),
        ("exhaust_lift", "exhaust_valve_lift_mm", "lift", 1e3, "Exhaust valve lift", "greatest lift at the valve, after lash or lifter take-up"),
        ("seat_duration", "intake_seat_duration_crank_deg", "angle", _DEG, "Intake duration at the seat", "between zero valve lift, after hot lash or take-up"),
        ("lifter_duration", "intake_duration_at_1p27mm_lobe_crank_deg", "angle", _DEG, "Intake duration at .050 of lifter rise", "as cams are sold: at the lobe, nothing taken off for lash"),
        ("valve_duration", "intake_duration_at_1p27mm_valve_crank_deg", "angle", _DEG, "Intake duration at 0.050 in valve lift", "the same datum for every candidate, at the valve and after lash"),
        ("ivc", "intake_seat_closing_crank_deg_abdc", "angle", _DEG, "Intake closes, after BDC", "at the seat"),
        ("overlap", "overlap_at_seat_crank_deg", "angle", _DEG, "Overlap at the seat", "both valves off their seats"),
        ("dynamic_compression", "dynamic_compression_ratio", "", 1.0, "Dynamic compression", "trapped ratio from the intake's seat closing"),
        ("cranking_pressure", "cranking_pressure_kpa", "pressure", 1e-3, "Cranking pressure", "compression gauge reading, by estimate"),
        ("overlap_factor", "overlap_factor_crank_deg_per_m", "", 1.0, "Overlap factor", "lift area in overlap times valve diameters over cylinder volume (Fox, Cheng and Heywood)"),
        ("residual", "idle_residual_share", "share", 1.0, "Exhaust left in the cylinder at idle", "share of the charge; above about 30% an engine hunts"),
        ("vacuum", "idle_vacuum_kpa", "vacuum", 1e-3, "Idle vacuum", "out of gear, as a gauge is read; from the balance of friction and indicated work at idle speed"),
        ("vacuum_in_gear", "idle_vacuum_in_gear_kpa", "vacuum", 1e-3, "Idle vacuum in gear", "an automatic held on its brakes at the same speed"),
        ("cruise", "cruise_rpm", "rpm", 1.0, "Cruise speed", "engine speed at the usual road speed in top gear"),
        ("mass", "moving_mass_at_lifter_g", "mass", 1e3, "Valvetrain weight at the lifter", "lifter, pushrod, rocker and valve side as one mass at the lifter, intake"),
        ("seat_load", "seat_load_n", "load", 1.0, "Seat load", "outer and inner spring together"),
        ("open_load", "open_load_n", "load", 1.0, "Open load", "at the greater of the two valve lifts"),
        ("coil_bind", "coil_bind_clearance_mm", "lift", 1e3, "Clearance to coil bind", "at full lift"),
        ("retainer", "retainer_clearance_mm", "lift", 1e3, "Retainer to seal", "at full lift"),
        ("elastic_limit", "contact_lost_rpm", "rpm", 1.0, "First touch at", "where lifter and lobe first part by a hair, or a hydraulic lifter's oil is first unloaded; stiffness and damping assumed; a note: control decides"),
        ("speed_use", "speed_use_at_highest_speed", "", 1.0, "Valve control used up at top rpm", "gap, seat bounce or pump-up over what is allowed; above 1 control is lost; 5 to 95%; decides"),
        ("useful_limit", "useful_speed_rpm", "rpm", 1.0, "Valves float above", "rpm up to which the valvetrain as given is under control"),
        ("safe_speed", "safe_speed_rpm", "rpm", 1.0, "Nine of ten tries hold to", "the most rpm, to 100, at which nine of ten drawn valvetrains on drawn lobes are under control; looked for where top rpm does not hold"),
        ("rigid_limit", "rigid_limit_rpm", "rpm", 1.0, "Float rpm if nothing flexed", "where the springs can just hold a rigid valvetrain on the lobe; a real one lets go earlier"),
        ("speed_margin", "speed_margin_share", "share", 1.0, "First touch over top rpm", "rpm of first touch over top rpm, less one; a note"),
        ("nose_radius", "nose_radius_mm", "lift", 1e3, "Cam radius at the nose", "radius of curvature of the cam, the smaller of intake and exhaust"),
        ("stress_cranking", "nose_stress_cranking_mpa", "stress", 1e-6, "Lobe nose stress, cranking", "greatest contact pressure at the nose with full spring load"),
        ("stress_top", "nose_stress_top_speed_mpa", "stress", 1e-6, "Lobe nose stress, top rpm", "the same with inertia taking load off the nose"),
        ("travel", "contact_travel_mm", "lift", 1e3, "Contact, off lifter center", "greatest distance of the contact from the lifter's axis (flat)"),
        ("pressure_angle", "pressure_angle_deg", "angle", _DEG, "Pressure angle", "greatest angle between force and lifter axis (roller)"),
        ("share_of_best", "best_lobe_share", "share", 1.0, "How close to the best lobe", "lift area of the intake card over that of the best lobe of its lift that follower, springs and steel allow (limits assumed)"),
        ("mach_index", "inlet_mach_index_at_highest_speed", "", 1.0, "Intake air speed at top rpm", "mean Mach index at the intake valve; breathing falls away above about 0.5 to 0.6"),
        ("breathing_speed", "breathing_speed_rpm", "rpm", 1.0, "Rpm where airflow runs out", "where the Mach index at the intake valve reaches 0.55 (0.50 to 0.60): ranks where power peaks"),
        ("torque", "weighed_torque_n_m", "torque", 1.0, "Average torque at your rpm", "estimate by filling and emptying, weighted by time; for differences only"),
        ("gain", "torque_gain_share", "share", 1.0, "Torque gain over the weakest cam", "over the least of these candidates"),
        ("chance", "loss_chance_share", "share", 1.0, "Odds of failure", "per build; 5 to 95%"),
        ("run_in_time", "run_in_minutes", "", 1.0 / 60.0, "Lobe break-in, minutes", "at speed, the part maker's instruction first"),
        ("first_cost", "first_cost_money", "money", 1.0, "Up-front cost", "everything paid at the start; 5 to 95%"),
        ("expected_loss", "expected_loss_money", "money", 1.0, "Average failure cost", "odds of failure times its cost; 5 to 95%"),
        ("owning", "cost_of_owning_money", "money", 1.0, "Total cost", "over the years of use; 5 to 95%"),
        ("expected", "expected_cost_money", "money", 1.0, "Score, fixes counted", "average total cost less the torque credit, with what falling short costs; decides"),
        ("net", "cost_less_torque_worth_money", "money", 1.0, "Total cost less torque credit", "5 to 95%"),
    )
)  # fmt: skip


def spread(
    measure: Callable[..., Any], inputs: Mapping[str, float], ranges: Mapping[str, tuple[float, float]]
) -> Figure:
    """Value and band of a measure.

    measure(**inputs) returns a float, or an array over a lobe's family, nominal first. ranges: low and high of
    the inputs that have them. See the module's head for how the moves are joined.

    >>> spread(lambda a, b: a * b, {"a": 2.0, "b": 3.0}, {"a": (1.0, 3.0)})
    Figure(value=6.0, low=3.0, high=9.0)
    """
    family = np.atleast_1d(measure(**inputs))
    value = float(family[0])
    down = up = 0.0
    for name, (low, high) in ranges.items():
        for end in (low, high):
            move = float(np.atleast_1d(measure(**{**inputs, name: end}))[0]) - value
            down, up = down + min(move, 0.0) ** 2, up + max(move, 0.0) ** 2
    return Figure(value, float(family.min()) - math.sqrt(down), float(family.max()) + math.sqrt(up))


def column(key: str) -> Column:
    """The column with this key."""
    return next(c for c in COLUMNS if c.key == key)
