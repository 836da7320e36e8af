"""Moving mass, spring loads and clearances of a candidate."""

from __future__ import annotations

from typing import Any

from lobeledger.assess.figures import Figure, spread
from lobeledger.assess.inputs import MechanicalInputs, ranges_of
from lobeledger.parts.candidate import CamAndTrain
from lobeledger.train import rigid as valvetrain

__all__ = []


def springs_and_mass(key: MechanicalInputs, figures: dict[str, Figure]) -> None:
    """Moving mass, spring loads and clearances; they need the cards' lifts but no lobe."""
    c, v, s = key.candidate, key.candidate.valvetrain, key.candidate.springs

    def mass(
        *, valve_mass: float, lifter_mass: float, pushrod_mass: float, rocker_inertia: float,
        rocker_pushrod_radius: float, retainer_mass: float, locks_mass: float, spring_mass: float,
        rocker_ratio: float = v.rocker_ratio,
    ) -> float:  # fmt: skip
        return valvetrain.moving_mass_at_lifter_kg(
            lifter_kg=lifter_mass,
            pushrod_kg=pushrod_mass,
            rocker_inertia_kg_m2=rocker_inertia,
            rocker_pushrod_radius_m=rocker_pushrod_radius,
            valve_side_kg=valvetrain.valve_side_mass_kg(
                valve_kg=valve_mass, retainer_kg=retainer_mass, locks_kg=locks_mass, spring_kg=spring_mass
            ),
            ratio=rocker_ratio,
        )

    inputs = dict(
        lifter_mass=c.lifter_mass_kg, pushrod_mass=v.pushrod_mass_kg, rocker_inertia=v.rocker_inertia_kg_m2,
        rocker_pushrod_radius=v.rocker_pushrod_radius_m, retainer_mass=v.retainer_mass_kg, locks_mass=v.locks_mass_kg,
        spring_mass=s.spring_mass_kg,
    )  # fmt: skip
    shared = ranges_of(key, *inputs)
    for which in ("intake", "exhaust"):
        ranges = {**shared, **ranges_of(key, valve_mass=f"{which}_valve_mass")}
        figures[f"{which}_mass"] = spread(mass, {**inputs, "valve_mass": getattr(v, f"{which}_valve_mass_kg")}, ranges)
    # `intake_mass` and `exhaust_mass` hold the ratio fixed: limit and stress move it in mass and load together.
    ratio = ranges_of(key, "rocker_ratio")
    figures["mass"] = spread(
        mass,
        {**inputs, "valve_mass": v.intake_valve_mass_kg, "rocker_ratio": v.rocker_ratio},
        {**shared, **ranges_of(key, valve_mass="intake_valve_mass"), **ratio},
    )

    full = c.greatest_lift_at_m
    loads = dict(
        seat_load=s.seat_load_n,
        inner_seat_load=s.inner_seat_load_n,
        rate=s.rate_n_per_m,
        inner_rate=s.inner_rate_n_per_m,
    )
    seat_ranges, rate_ranges = ranges_of(key, "seat_load", "inner_seat_load"), ranges_of(key, "rate", "inner_rate")
    figures["seat_load"] = spread(
        lambda seat_load, inner_seat_load, **_: seat_load + inner_seat_load, loads, seat_ranges
    )
    figures["rate"] = spread(lambda rate, inner_rate, **_: rate + inner_rate, loads, rate_ranges)
    figures["open_load"] = spread(
        lambda seat_load, inner_seat_load, rate, inner_rate, rocker_ratio: float(
            valvetrain.open_load_n(
                seat_load + inner_seat_load, rate_n_per_m=rate + inner_rate, valve_lift_m=full(rocker_ratio)
            )
        ),
        {**loads, "rocker_ratio": v.rocker_ratio},
        {**seat_ranges, **rate_ranges, **ratio},
    )
    figures["coil_bind"] = spread(
        lambda installed_height, coil_bind, rocker_ratio: valvetrain.coil_bind_clearance_m(
            installed_height_m=installed_height, coil_bind_height_m=coil_bind, greatest_valve_lift_m=full(rocker_ratio)
        ),
        dict(installed_height=s.installed_height_m, coil_bind=s.coil_bind_m, rocker_ratio=v.rocker_ratio),
        ranges_of(key, "installed_height", "coil_bind", "rocker_ratio"),
    )
    figures["retainer"] = spread(
        lambda retainer_to_seal, rocker_ratio: valvetrain.retainer_to_seal_clearance_m(
            retainer_to_seal_closed_m=retainer_to_seal, greatest_valve_lift_m=full(rocker_ratio)
        ),
        dict(retainer_to_seal=s.retainer_to_seal_m, rocker_ratio=v.rocker_ratio),
        ranges_of(key, "retainer_to_seal", "rocker_ratio"),
    )


def valve_side_kg(c: CamAndTrain, which: str) -> float:
    v: Any = c.valvetrain
    return valvetrain.valve_side_mass_kg(
        valve_kg=getattr(v, f"{which}_valve_mass_kg"), retainer_kg=v.retainer_mass_kg, locks_kg=v.locks_mass_kg,
        spring_kg=c.springs.spring_mass_kg,
    )  # fmt: skip
