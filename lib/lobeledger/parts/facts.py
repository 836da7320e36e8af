"""What the conditions of the tables look at in a build and one of its candidates.

The list of facts                   `facts_of` (a build's own: `Build.facts`)
What pushrod length is needed?      `pushrod_length_change_m`, `pushrod_change_of`
Where does the oil band travel?     `oil_band_travel_m`
What load is usual for a run-in?    `usual_run_in_load_n`
How long is a whole one?            `whole_run_in_time_s`, `run_in_left_out`
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from lobeledger.errors import OutOfRange
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.car import Block, Engine, Vehicle
from lobeledger.parts.conditions import Fact
from lobeledger.parts.rules import RunInLine
from lobeledger.parts.use import Limits

__all__ = [
    "NO_RUN_IN",
    "facts_of",
    "oil_band_travel_m",
    "pushrod_change_of",
    "pushrod_length_change_m",
    "run_in_left_out",
    "usual_run_in_load_n",
    "whole_run_in_time_s",
]

# The factor that the minutes of the run-in bring on by degrees.
NO_RUN_IN = "no-run-in"


def pushrod_length_change_m(*, seat_height_change_m: float, base_radius_change_m: float) -> float:
    """Change of pushrod length that keeps the rocker where it was.

    dL = -(dh + dr), all in m: dh change of the pushrod seat's height above the foot or wheel's contact, dr change
    of the base circle radius; both raise the lower end of the pushrod. Head, gasket and valve unchanged. From
    geometry. A lifter whose seat is 0.400 in higher on a base circle 0.015 in smaller wants a rod 0.385 in shorter:

    >>> inch = 0.0254
    >>> change = pushrod_length_change_m(seat_height_change_m=0.400 * inch, base_radius_change_m=-0.015 * inch)
    >>> round(change / inch, 3)
    -0.385
    """
    return -(seat_height_change_m + base_radius_change_m)


def oil_band_travel_m(*, band_height_m: float, base_radius_change_m: float, lobe_lift_m: float) -> tuple[float, float]:
    """Height of a lifter's oil band above the lower edge of its bore, on the base circle and at full lift (m).

    band_height_m is measured on the old base circle; a smaller one lowers the lifter by the difference of radii.
    From geometry; for lifters along the bore's axis. Raises OutOfRange for a negative lift.

    >>> [round(each, 4) for each in oil_band_travel_m(
    ...     band_height_m=0.0190, base_radius_change_m=-0.0005, lobe_lift_m=0.0085)]
    [0.0185, 0.027]
    """
    if lobe_lift_m < 0.0:
        raise OutOfRange(f"lobe_lift_m is {lobe_lift_m:g} m; a lift is not negative")
    low = band_height_m + base_radius_change_m
    return low, low + lobe_lift_m


def pushrod_change_of(block: Block, candidate: Candidate) -> float | None:
    """Needed change of pushrod length (m); None where lifter height or the fitted base circle is not known."""
    fitted, seat = block.fitted_base_circle_radius_m, candidate.lifter_seat_change_m
    if fitted is None or seat is None:
        return None
    radius = candidate.valvetrain.base_circle_radius_m - fitted
    return pushrod_length_change_m(seat_height_change_m=seat, base_radius_change_m=radius)


def _oil_band(block: Block, candidate: Candidate) -> str:
    """Where the oil band travels: inside its bore, below or above it; or known not at all or in part."""
    if block.oil_band_m is None:
        return "unknown"
    fitted = block.fitted_base_circle_radius_m
    change = 0.0 if fitted is None else candidate.valvetrain.base_circle_radius_m - fitted
    lift = max(candidate.intake.lobe_lift_m, candidate.exhaust.lobe_lift_m)
    low, high = oil_band_travel_m(band_height_m=block.oil_band_m, base_radius_change_m=change, lobe_lift_m=lift)
    if low <= 0.0:
        return "low"
    if block.lifter_bore_height_m is None:
        return "partly"
    return "high" if high >= block.lifter_bore_height_m else "partly" if fitted is None else "inside"


def _kind_change(block: Block, candidate: Candidate) -> str:
    """Whether the lifter kind changes. A block that offers rollers nothing has had flat lifters."""
    fitted = block.fitted_lifter
    if fitted == "unknown" and block.lifter_provision == "none":
        fitted = "flat"
    return "unknown" if fitted == "unknown" else "no" if fitted == candidate.follower else "yes"


def usual_run_in_load_n(run_in: Iterable[RunInLine], facts: Mapping[str, Fact]) -> float | None:
    """The usual greatest open load for the run-in (N, from runin.csv); None where none is usual, as for rollers."""
    return next((line.open_load_n for line in _usual(run_in, facts) if line.open_load_n is not None), None)


def whole_run_in_time_s(run_in: Iterable[RunInLine], facts: Mapping[str, Fact]) -> float | None:
    """The least time of a whole run-in at speed (s, from runin.csv); None where none is usual, as for rollers."""
    return next((line.time_s for line in _usual(run_in, facts) if line.time_s is not None), None)


def _usual(run_in: Iterable[RunInLine], facts: Mapping[str, Fact]) -> Iterator[RunInLine]:
    return (line for line in run_in if line.stage == "usual" and line.when.holds(facts))


def run_in_left_out(*, time_s: Any, whole_s: float) -> Any:
    """Share of a whole run-in that is left out, 0 to 1: 1 - time / whole where that is above nothing.

    time_s: minutes run (s), a number or an array; whole_s (s) above 0. So odds go from those of a whole run-in to
    those of none by degrees.

    >>> [float(run_in_left_out(time_s=60.0 * minutes, whole_s=1200.0)) for minutes in (0, 5, 20, 30)]
    [1.0, 0.75, 0.0, 0.0]
    """
    return np.clip(1.0 - np.asarray(time_s) / whole_s, 0.0, 1.0)


def facts_of(
    candidate: Candidate,
    *,
    engine: Engine,
    block: Block,
    vehicle: Vehicle,
    limits: Limits,
    run_in: Iterable[RunInLine],
) -> dict[str, Fact]:
    """All of `conditions.FACTS` by name, words or numbers in SI; "served" holds the needs that price lines serve.

    run_in_load: a flat's open load as it is run in against the usual of a run-in; a roller's as fitted, against the
    candidate's usual range. run_in_length: "short" where the minutes are below those of a whole one and the sheet
    quotes no maker's instruction, which comes first.
    """
    springs, lift = candidate.springs, candidate.greatest_valve_lift_m
    bind = springs.installed_height_m - springs.coil_bind_m - lift
    change = pushrod_change_of(block, candidate)
    lines = (line for line in candidate.parts if line.quantity > 0.0)
    inner = "none" if not springs.has_inner else "out" if candidate.is_run_in_without_inner else "in"
    facts: dict[str, Fact] = {
        "follower": candidate.follower,
        "lifter": candidate.lifter,
        "core": candidate.core,
        "fitted": "yes" if candidate.is_fitted else "no",
        "proven": "yes" if candidate.is_proven else "no",
        "lobe_wear": candidate.lobe_wear_m or 0.0,
        "lifter_state": "used" if candidate.has_used_lifters else "new",
        "provision": block.lifter_provision.replace(" ", "-"),
        "retention": block.cam_retention,
        "gear": block.distributor_gear,
        "eccentric": "yes" if block.fuel_pump_eccentric else "no",
        "studs": engine.rocker_studs,
        "fuel": vehicle.fuel_system,
        "kind_change": _kind_change(block, candidate),
        "bind": "short" if bind < limits.coil_bind_clearance_m else "enough",
        "retainer": "short" if springs.retainer_to_seal_m - lift < limits.retainer_clearance_m else "enough",
        "oil_band": _oil_band(block, candidate),
        "inner_spring": inner,
        "run_in_school": candidate.run_in_school or ("varied" if candidate.follower == "flat" else "none"),
        "run_in_lobes": "run" if candidate.run_in_time_s > 0 else "none",
        "run_in_rockers": "own" if candidate.run_in_rocker_ratio is None else "low",
        "open_load": candidate.greatest_open_load_n,
        "rocker_ratio": candidate.valvetrain.rocker_ratio,
        "pushrod_change": 0.0 if change is None else abs(change),
        "served": frozenset(name for line in lines for name in line.serve_names),
    }
    usual = usual_run_in_load_n(run_in, facts)
    if usual is None:
        is_high = candidate.greatest_open_load_n > candidate.open_load_high_n
    else:
        is_high = candidate.as_run_in.greatest_open_load_n > usual
    # What a flat bore at its run-in no longer matters once it has outlived its first hours.
    is_past = candidate.is_proven and candidate.follower == "flat"
    facts["run_in_load"] = "high" if is_high and not is_past else "usual"
    whole = whole_run_in_time_s(run_in, facts)
    is_short = whole is not None and candidate.run_in_time_s < whole and not candidate.has_maker_instruction
    is_short = is_short and not candidate.is_fitted
    facts["run_in_length"] = "short" if is_short else "whole"
    return facts
