"""From a candidate of the build sheet to its elastic valvetrain, and what that says.

Which train is this candidate's?       `train_of`
What does it say?                      `ride_of` -> `Ride`

Stiffness, damping and the oil column are not asked for by the build sheet: they are taken from `Elastic`, all common
practice or assumed, without a published source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from lobeledger.dynamics import FirstLoss, SpeedPoint, first_loss, lift_harmonics_m, surge_order, sweep
from lobeledger.lobe import Lobe
from lobeledger.lobe_card import CardLobe
from lobeledger.parts import Candidate
from lobeledger.speed_limits import LossBand, Move, first_loss_band
from lobeledger.train import (
    OilColumn,
    Train,
    ValveSpring,
    oil_column_stiffness_n_per_m,
    oil_leak_from_test_n_s_per_m,
    spring_first_surge_hz,
    train_from,
)

__all__ = ["ASSUMED", "Elastic", "Ride", "Surge", "ride_of", "train_of"]

_INCH, _LBF = 0.0254, 4.4482216152605


@dataclass(frozen=True)
class Elastic:
    """What the build sheet does not say of an elastic train. Every default is common practice or assumed.

    stiffness_at_valve: cam held, lifter solid. pushrod_share: of that give, the lobe contact's part taken off.
    active_share: of a spring's mass. plunger_*, chamber_height, bulk_modulus (aerated oil), supply, leak_test_s (bench
    time for 0.125 in under 50 lbf), refill (suction over speed through the check valve), preload (how far the
    plunger was set down) and plunger_share (of the lifter's mass): hydraulic lifters only.
    """

    stiffness_at_valve_n_per_m: float = 6.0e6
    damping_ratio: float = 0.05
    spring_damping_ratio: float = 0.02
    pushrod_share: float = 0.30
    active_share: float = 0.75
    lobe_stiffness_n_per_m: float = 2.0e8
    seat_stiffness_n_per_m: float = 1.0e8
    plunger_share: float = 0.30
    plunger_diameter_m: float = 0.016
    chamber_height_m: float = 0.004
    bulk_modulus_pa: float = 0.8e9
    plunger_spring_n: float = 30.0
    supply_pa: float = 3.0e5
    leak_test_s: float = 20.0
    refill_n_s_per_m: float = 500.0
    preload_m: float = 0.75e-3


ASSUMED = Elastic()
# Low and high of the figures above that move the speed limit most.
RANGES: Mapping[str, tuple[float, float]] = {
    "stiffness_at_valve_n_per_m": (3.5e6, 10.0e6),
    "damping_ratio": (0.03, 0.08),
    "spring_damping_ratio": (0.01, 0.04),
    "active_share": (0.65, 0.85),
}


def train_of(candidate: Candidate, which: str, elastic: Elastic = ASSUMED) -> Train:
    """The elastic train of one valve of a candidate; which: "intake" or "exhaust".

    A nested pair shares the sheet's one spring mass in proportion to its rates, since the sheet gives no other.
    """
    c, v, s, e = candidate, candidate.valvetrain, candidate.springs, elastic
    total = s.total_rate_n_per_m
    pairs = [(s.seat_load_n, s.rate_n_per_m)]
    if s.inner_rate_n_per_m > 0.0:
        pairs.append((s.inner_seat_load_n, s.inner_rate_n_per_m))
    springs = tuple(
        ValveSpring(
            load,
            rate,
            e.active_share * s.spring_mass_kg * rate / total,
            (1.0 - e.active_share) / 2.0 * s.spring_mass_kg * rate / total,
            e.spring_damping_ratio,
        )
        for load, rate in pairs
    )
    oil = None
    if c.lifter == "hydraulic":
        oil = OilColumn(
            plunger_kg=e.plunger_share * c.lifter_mass_kg,
            stiffness_n_per_m=oil_column_stiffness_n_per_m(
                bulk_modulus_pa=e.bulk_modulus_pa,
                plunger_diameter_m=e.plunger_diameter_m,
                chamber_height_m=e.chamber_height_m,
            ),
            plunger_area_m2=math.pi * e.plunger_diameter_m**2 / 4.0,
            plunger_spring_n=e.plunger_spring_n,
            supply_pa=e.supply_pa,
            leak_n_s_per_m=oil_leak_from_test_n_s_per_m(
                load_n=50.0 * _LBF, travel_m=0.125 * _INCH, time_s=e.leak_test_s
            ),
            refill_n_s_per_m=e.refill_n_s_per_m,
            travel_up_m=e.preload_m,
        )
    intake = which == "intake"
    lash = c.intake_lash_m if intake else c.exhaust_lash_m
    return train_from(
        lifter_kg=c.lifter_mass_kg,
        pushrod_kg=v.pushrod_mass_kg,
        rocker_inertia_kg_m2=v.rocker_inertia_kg_m2,
        rocker_pushrod_radius_m=v.rocker_pushrod_radius_m,
        ratio=v.rocker_ratio,
        valve_kg=v.intake_valve_mass_kg if intake else v.exhaust_valve_mass_kg,
        retainer_kg=v.retainer_mass_kg,
        locks_kg=v.locks_mass_kg,
        springs=springs,
        lash_m=0.0 if oil else lash,
        stiffness_at_valve_n_per_m=e.stiffness_at_valve_n_per_m,
        lobe_stiffness_n_per_m=e.lobe_stiffness_n_per_m,
        seat_stiffness_n_per_m=e.seat_stiffness_n_per_m,
        damping_ratio=e.damping_ratio,
        pushrod_share=e.pushrod_share,
        oil=oil,
    )


@dataclass(frozen=True)
class Surge:
    """One spring's surge at a speed: its first frequency, the nearest harmonic of the cam and how much of it there is.

    lift_m: that harmonic's amplitude in valve lift. amplitude_m: greatest departure of the spring's middle.
    """

    first_hz: float
    order: int
    lift_m: float
    amplitude_m: float


@dataclass(frozen=True)
class Ride:
    """One valve of a candidate at speed. `loss` is None when contact holds up to `searched_to_rpm`.

    loss: lobe contact (solid) or oil column (hydraulic). loss_at_lobe: lobe contact, whatever the lifter.
    margin_share: loss over the highest speed, less one; infinite without a loss.
    """

    train: Train
    lobe: Lobe
    loss: FirstLoss | None
    loss_at_lobe: FirstLoss | None
    searched_to_rpm: float
    margin_share: float
    at_highest: SpeedPoint
    surges: tuple[Surge, ...]
    band: LossBand | None


def _moved(candidate: Candidate, which: str, elastic: Elastic, name: str, value: float) -> Train:
    """The train with one figure moved: of `Elastic`, or of the parts by their name in the sheet."""
    if name in RANGES:
        return train_of(candidate, which, replace(elastic, **{name: value}))
    if name == "lifter_mass":
        return train_of(replace(candidate, lifter_mass_kg=value), which, elastic)
    fields = {"seat_load": "seat_load_n", "rate": "rate_n_per_m", "spring_mass": "spring_mass_kg"}
    if name in fields:
        springs = replace(candidate.springs, **{fields[name]: value})
        return train_of(replace(candidate, springs=springs), which, elastic)
    field = {
        "valve_mass": f"{which}_valve_mass_kg",
        "pushrod_mass": "pushrod_mass_kg",
        "retainer_mass": "retainer_mass_kg",
        "rocker_inertia": "rocker_inertia_kg_m2",
    }[name]
    return train_of(replace(candidate, valvetrain=replace(candidate.valvetrain, **{field: value})), which, elastic)


def ride_of(
    candidate: Candidate,
    which: str,
    card_lobe: CardLobe,
    *,
    highest_rpm: float,
    part_ranges: Mapping[str, tuple[float, float]] | None = None,
    elastic: Elastic = ASSUMED,
    search_to_rpm: float = 12000.0,
    with_band: bool = True,
) -> Ride:
    """What one valve's elastic train does: first loss with its band, margin, the highest speed, surge.

    part_ranges: low and high of parts in SI by their sheet names (lifter_mass, valve_mass, pushrod_mass, retainer_mass,
    rocker_inertia, seat_load, rate, spring_mass). A band takes some twenty searches (a second or two in all).
    """
    train, lobe = train_of(candidate, which, elastic), card_lobe.nominal
    low = min(1000.0, highest_rpm / 2.0)
    loss = first_loss(train, lobe, low_rpm=low, high_rpm=search_to_rpm)
    at_lobe = loss if not train.oil else first_loss(train, lobe, low_rpm=low, high_rpm=search_to_rpm, judge="lobe")
    point = sweep(train, lobe, [highest_rpm])[0]
    surges = []
    for spring, amplitude in zip(train.springs, point.surge_m, strict=True):
        order = surge_order(spring, highest_rpm, masses=train.spring_masses)
        harmonic = train.ratio * float(lift_harmonics_m(lobe, [order])[0])
        surges.append(Surge(spring_first_surge_hz(spring, train.spring_masses), order, harmonic, amplitude))
    band = None
    if with_band:
        moves = [
            Move(name, *(_moved(candidate, which, elastic, name, end) for end in ends))
            for name, ends in {**RANGES, **(part_ranges or {})}.items()
        ]
        band = first_loss_band(train, card_lobe.members, moves, low_rpm=low, high_rpm=search_to_rpm)
    margin = math.inf if loss is None else loss.crank_rpm / highest_rpm - 1.0
    return Ride(train, lobe, loss, at_lobe, search_to_rpm, margin, point, tuple(surges), band)
