"""Idle vacuum as draws: from the sheet's own tolerances, the assumed ranges and the lobes that a card leaves open.

From all that is not known               `vacuum_draws`
As a gauge would tell of the engine      `vacuum_of_known_lobes`
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Mapping
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.figures import Figure
from lobeledger.assess.flow import closing_abdc_rad, idle_inputs, idle_of
from lobeledger.assess.inputs import MechanicalInputs
from lobeledger.doubt.drawn import Drawn, DrawnLobes, drawn_lobes, first_below
from lobeledger.doubt.draws import DRAWS, in_every_draw
from lobeledger.engine.crank import swept_volume_m3
from lobeledger.engine.cycle import CRANK_GRID_RAD, valve_timing

__all__ = ["vacuum_draws", "vacuum_of_known_lobes"]

# Of the sheet's figures, those that reach the balance through overlap and closing and not by their own name.
_THROUGH_LOBES = ("valve_lift", "overlap_factor", "ivc")
_ASKED = ("overlap_factor", "ivc", "intake_lift", "exhaust_lift")


def vacuum_draws(inputs: MechanicalInputs, name: str, figures: Mapping[str, Figure]) -> Array:
    """Idle vacuum (Pa) in every draw, out of gear; shape (DRAWS,).

    figures: the nominal figures of the candidate `name` (`assess.flow`). Raises NoSolution for a card that no lobe
    fits.
    """
    return _kept(inputs, name, tuple((key, figures[key]) for key in _ASKED))


def vacuum_of_known_lobes(inputs: MechanicalInputs, name: str, figures: Mapping[str, Figure]) -> Array:
    """The same with the lobes known: what a gauge on the engine with a cam that has been read tells of the rest."""
    return _kept(inputs, name, tuple((key, figures[key]) for key in _ASKED), True)


@functools.lru_cache(maxsize=128)
def _kept(
    inputs: MechanicalInputs, name: str, figures: tuple[tuple[str, Figure], ...], known_lobes: bool = False
) -> Array:
    drawn, lobes = Drawn(inputs), drawn_lobes(inputs, name)
    if known_lobes:
        lobes = lobes.as_given()
    asked = idle_inputs(inputs, dict(figures))
    values: dict[str, Any] = {key: drawn(key) for key in asked if key not in _THROUGH_LOBES}
    values["valve_lift"] = asked["valve_lift"].value
    seats = {which: _seat_m(inputs, drawn, which) for which in ("intake", "exhaust")}
    values["overlap_factor"] = _overlap_factor(inputs, drawn, lobes, seats, values)
    values["ivc"] = _closing_rad(inputs, drawn, lobes, seats["intake"])
    spread = {key: in_every_draw(value) for key, value in values.items()}
    found = idle_of(inputs, in_gear=False, values=spread)
    return np.asarray(found.vacuum_pa)


def _column(values: Any) -> Array:
    """Draws, or one value for all of them, as a column."""
    return in_every_draw(values)[:, np.newaxis]


def _seat_m(inputs: MechanicalInputs, drawn: Drawn, which: str) -> Any:
    """Lobe lift at which the valve leaves its seat, as draws."""
    if inputs.candidate.lifter == "solid":
        return drawn(f"{which}_lash") / drawn("rocker_ratio")
    return drawn("hydraulic_seat")


def _overlap_factor(
    inputs: MechanicalInputs, drawn: Drawn, lobes: DrawnLobes, seats: Mapping[str, Any], values: Mapping[str, Any]
) -> Array:
    """Overlap factor (deg/m) in every draw: the lesser valve lift over the overlap, on the crank grid of one degree.

    A separation that is not sure moves every draw by the share by which it moves the nominal lobes'.
    """
    ratio = _column(drawn("rocker_ratio"))
    swept = swept_volume_m3(bore_m=values["bore"], stroke_m=values["stroke"])

    def integrals(
        separation_rad: float, weights: Mapping[str, Array], seat: Mapping[str, Array], rate: Any
    ) -> tuple[Array, Array]:
        spread = dataclasses.replace(inputs.candidate, lobe_separation_rad=separation_rad)
        timing = valve_timing(spread, inputs.model)
        centres = {"intake": timing.intake_centre_rad, "exhaust": timing.exhaust_centre_rad}
        lifts = {}
        for which, family in lobes.families.items():
            at = (CRANK_GRID_RAD - centres[which]) / 2.0
            lifts[which] = np.stack(
                [np.interp(at, family.theta_cam_rad, each, left=0.0, right=0.0) for each in family.stack[:, 0]]
            )
        live = (lifts["intake"].max(axis=0) > 0.0) & (lifts["exhaust"].max(axis=0) > 0.0)
        valve = {
            which: rate
            * np.maximum(
                _column_like(drawn.scale(f"{which}.lobe_lift"), weights[which]) * (weights[which] @ lift[:, live])
                - seat[which],
                0.0,
            )
            for which, lift in lifts.items()
        }
        less = np.minimum(valve["intake"], valve["exhaust"])
        step = float(CRANK_GRID_RAD[1] - CRANK_GRID_RAD[0])
        rules = valve["intake"] < valve["exhaust"]
        return step * np.where(rules, less, 0.0).sum(axis=1), step * np.where(rules, 0.0, less).sum(axis=1)

    weights = {which: lobes.weights(which) for which in lobes.families}
    columns = {which: _column(seat) for which, seat in seats.items()}
    nominal_rad = inputs.candidate.lobe_separation_rad
    intake, exhaust = integrals(nominal_rad, weights, columns, ratio)
    factor = np.degrees(drawn("intake_valve") * intake + drawn("exhaust_valve") * exhaust) / swept
    separation = drawn.ranges.get("lobe_separation")
    if separation is None:
        return np.asarray(factor)
    one = {which: weight[:1] for which, weight in ((w, lobes.as_given().weights(w)) for w in lobes.families)}
    seat_now = {which: np.asarray([[float(np.mean(seat))]]) for which, seat in seats.items()}
    places = (separation.low, nominal_rad, separation.high)
    sums = [
        float(np.sum(integrals(place, one, seat_now, inputs.candidate.valvetrain.rocker_ratio))) for place in places
    ]
    if sums[1] <= 0.0:
        return np.asarray(factor)
    return np.asarray(factor * np.interp(drawn("lobe_separation"), places, np.asarray(sums) / sums[1]))


def _column_like(scale: Any, weights: Array) -> Any:
    """A scale as a column of as many rows as there are weights; the nominal row takes no draw of it."""
    return _column(scale) if weights.shape[0] == DRAWS else 1.0


def _closing_rad(inputs: MechanicalInputs, drawn: Drawn, lobes: DrawnLobes, seat: Any) -> Array:
    """Intake closing at the seat (rad of crank after bottom dead centre) in every draw."""
    family = lobes.families["intake"]
    nose = int(family.theta_cam_rad.size // 2)
    theta = family.theta_cam_rad[nose:]
    lift = _column(drawn.scale("intake.lobe_lift")) * (lobes.weights("intake") @ family.stack[:, 0, nose:])
    at, share = first_below(lift, _column(seat))
    angle = theta[at] + share * (theta[1] - theta[0])
    return np.asarray(closing_abdc_rad(drawn("intake_centreline"), 4.0 * angle))
