"""Filling: what one cylinder takes in and keeps, with the inertia of the gas in its intake runner.

What does the cylinder trap?              `fill_and_empty` -> `FillResult`
What does it start the exhaust with?      room `burn`
How does the runner swing?                room `runner`
How is a cycle computed?                  room `gas_kernel`

The intake is a plenum of still air, a slug of gas in the runner that has mass, a port that gives like a spring,
and the valve. That is the least model in which gas in motion can go on filling a cylinder after bottom dead
centre, which is what a late intake closing lives on; in still air a long cam always loses. It knows one mode of
the runner, the first. The exhaust is still air at a pressure that grows with flow: no wave of the exhaust pipe
empties the cylinder through the overlap, so the gain of long overlap at high speed is missing.

The whole cycle of 720 degrees, from exhaust opening to exhaust opening. Between them:
- Plenum: still air at `plenum_pressure_pa`, `plenum_temperature_k`.
- Runner: a slug of `runner_length_m` (plenum to valve) and `runner_area_m2` (mean), with momentum:
  d m'/dt = (A/L) (p_plenum - p_port - K rho u|u|/2), its flow at most sonic. Towards the port K is
  `entry_loss` + f L/D + `port_head_loss`; back it is `plenum_exit_loss` + f L/D. Density is that of the slug at
  plenum pressure.
- Port: one well-mixed volume at rest (stagnation state) with mass, energy and burned mass, of
  `runner_port_volume_m3` unless given, so that the shut runner swings at its quarter wave.
- Valves: quasi-steady compressible orifices, either way, carrying the stagnation enthalpy of where they come from.
- Cylinder: one well-mixed zone from exhaust opening to intake closing.
- Exhaust: still air; gas sucked back has the mean state of what went out.
The cycle repeats until it returns to its start to 1e-4, under-relaxed after 12 cycles where it swings strong and
weak by turns.

What the slug remembers: its gas and all it has pushed out into the plenum are one well-mixed parcel that comes
back first; the plenum's own gas takes over as the last of it (5 % of the slug) returns. So burned gas pushed into
the runner is never lost, but comes back diluted, partly a cycle later. (Letting the plenum keep what is pushed out
would flush burned gas away with every swing of the shut runner, which gas that moves in file does not do.)

Loss coefficients: `entry_loss` 0.2, a lightly rounded mouth (0.05 well rounded, 0.5 sharp); `friction_factor`
0.03 (Darcy, rough cast wall, with some bend); `plenum_exit_loss` 1, the head a jet loses into still gas
(Borda and Carnot); all handbook figures from memory. `port_head_loss` is the share of the head lost where
runner meets valve: 0, since flow through the open valve does not come to rest there and the port's own loss is
in the valve's flow coefficient already; 1 is the pessimist's end.

With little loss the shut runner rings on, so that filling ripples over speed by a few percent where a long
overlap meets the ring's crests and troughs (some 500 to 800 rpm apart); the single lossless mode exaggerates it.

What is missing: higher modes of the runner, coupling of runners through the plenum, all waves of the exhaust
pipe, heat exchange with walls other than `charge_heating_k`, fuel vapour (displaces about 2 % of the
air), change of specific heat with temperature, charge stratification in overlap. Valid 300 to 10000 rpm.

Crank angles are radians from the firing top dead centre; the overlap TDC is 2 pi. Lifts and areas are at the valve,
net of lash. Rank candidates with it and read differences with a band; it is no dynamometer.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lobeledger.arguments import not_negative, positive
from lobeledger.arrays import Array
from lobeledger.engine.burn import BurnEstimate, EvoState, check_burn
from lobeledger.engine.crank import clearance_volume_m3, cylinder_volume_m3, swept_volume_m3
from lobeledger.engine.gas_kernel import MOST_CYCLES, RESULTS, TOLERANCE, fill_speeds
from lobeledger.engine.ports import GAS_CONSTANT_J_PER_KG_K, specific_heat_ratio
from lobeledger.engine.runner import runner_losses, runner_port_volume_m3
from lobeledger.errors import NoSolution, OutOfRange

__all__ = ["FillResult", "fill_and_empty"]


class FillResult(NamedTuple):
    """One array entry a speed. Where `settled` is false every figure but the speed and `cycles` is NaN.

    `port_pressure_at_ivc_pa` above the plenum's is ram. Balances are relative leftovers of the last cycle and should
    be about 1e-12.
    """

    speed_rpm: Array
    volumetric_efficiency: Array
    residual_fraction: Array
    pumping_mep_pa: Array
    trapped_pressure_pa: Array
    trapped_temperature_k: Array
    fresh_kg: Array
    drawn_kg: Array
    lost_to_exhaust_kg: Array
    port_pressure_at_ivc_pa: Array
    evo_pressure_pa: Array
    evo_temperature_k: Array
    exhaust_temperature_k: Array
    mass_imbalance: Array
    energy_imbalance: Array
    cycles: NDArray[np.int64]
    settled: NDArray[np.bool_]


def _event_window(angle: Array, intake: Array, exhaust: Array) -> tuple[float, float, float]:
    """Grid step, exhaust opening and intake closing (rad), after checking that the model can handle them."""
    if angle.ndim != 1 or angle.size < 20 or angle.shape != intake.shape or angle.shape != exhaust.shape:
        raise OutOfRange("crank_rad and both effective areas must be arrays of one length, 20 points or more.")
    step = (angle[-1] - angle[0]) / (angle.size - 1)
    if not step > 0.0 or np.max(np.abs(np.diff(angle) - step)) > 1e-6 * step + 1e-12:
        raise OutOfRange("crank_rad must rise in equal steps.")
    not_negative(intake_effective_area_m2=intake, exhaust_effective_area_m2=exhaust)
    open_i, open_e = np.nonzero(intake)[0], np.nonzero(exhaust)[0]
    if open_i.size == 0 or open_e.size == 0:
        raise OutOfRange("A valve never opens: its effective area is zero throughout.")
    if min(open_e[0], open_i[0]) == 0 or max(open_i[-1], open_e[-1]) == angle.size - 1:
        raise OutOfRange("The grid must start before the first valve opens and end after the last has closed.")
    evo, ivc = float(angle[open_e[0] - 1]), float(angle[open_i[-1] + 1])
    if open_i[0] < open_e[0] or open_e[-1] > open_i[-1]:
        raise OutOfRange("The exhaust must open and close before the intake does, counted from the firing TDC.")
    if not 0.0 < evo <= math.pi + 1e-9 or not 3.0 * math.pi - 1e-9 <= ivc < 4.0 * math.pi:
        raise OutOfRange(
            f"The exhaust opens at {math.degrees(evo):.0f} and the intake closes at {math.degrees(ivc):.0f} crank "
            "degrees after the firing TDC; the model needs them from 0 to 180 and from 540 to 720."
        )
    return float(step), min(evo, math.pi), max(ivc, 3.0 * math.pi)


def _by_speed(
    speed_rpm: ArrayLike, plenum_pressure_pa: ArrayLike, exhaust_pressure_pa: ArrayLike
) -> tuple[Array, Array, Array]:
    """Speeds, and both pressures with one entry a speed."""
    speeds = np.atleast_1d(np.asarray(speed_rpm, dtype=float))
    if speeds.ndim != 1 or not (np.all(speeds >= 300.0) and np.all(speeds <= 10000.0)):
        raise OutOfRange(f"speed_rpm is {speeds}; the model holds from 300 to 10000 rpm.")
    positive(plenum_pressure_pa=plenum_pressure_pa, exhaust_pressure_pa=exhaust_pressure_pa)
    try:
        p_plenum = np.broadcast_to(np.asarray(plenum_pressure_pa, dtype=float), speeds.shape).copy()
        p_exhaust = np.broadcast_to(np.asarray(exhaust_pressure_pa, dtype=float), speeds.shape).copy()
    except ValueError:
        raise OutOfRange("Plenum and exhaust pressure must be one figure or one for each speed.") from None
    return speeds, p_plenum, p_exhaust


def _volumes_m3(bore_m: float, stroke_m: float, rod_length_m: float, compression_ratio: float) -> tuple[float, float]:
    """Swept and clearance volume of the cylinder, after checking its geometry."""
    swept = swept_volume_m3(bore_m=bore_m, stroke_m=stroke_m)
    clearance = clearance_volume_m3(swept_volume_m3=swept, compression_ratio=compression_ratio)
    # Called for its checks of the geometry.
    cylinder_volume_m3(
        0.0, bore_m=bore_m, stroke_m=stroke_m, rod_length_m=rod_length_m, compression_ratio=compression_ratio
    )
    return swept, clearance


def _state_at_evo(given: EvoState | None) -> tuple[float, float]:
    """Pressure and temperature as the kernel takes them: zeros where it has to estimate them."""
    if given is None:
        return 0.0, 0.0
    positive(evo_given=tuple(given))
    return float(given.pressure_pa), float(given.temperature_k)


def _filled(speeds: Array, *given: Any) -> FillResult:
    """The kernel's answer at each speed; `given` is what `fill_speeds` takes after the speeds."""
    out = np.full((RESULTS, speeds.size), np.nan)
    cycles, settled = np.zeros(speeds.size, dtype=np.int64), np.zeros(speeds.size, dtype=np.bool_)
    kernel: Any = fill_speeds  # its type counts arguments and cannot count starred ones
    kernel(speeds, *given, out, cycles, settled, TOLERANCE)
    if not settled.any():
        raise NoSolution(
            f"The gas exchange settles within {MOST_CYCLES} cycles at none of the speeds asked ({speeds.min():g} to "
            f"{speeds.max():g} rpm); check areas and pressures, or ask for a higher speed or plenum pressure."
        )
    return FillResult._make([speeds, *out, cycles, settled])


def fill_and_empty(
    speed_rpm: ArrayLike,
    *,
    crank_rad: ArrayLike,
    intake_effective_area_m2: ArrayLike,
    exhaust_effective_area_m2: ArrayLike,
    bore_m: float,
    stroke_m: float,
    rod_length_m: float,
    compression_ratio: float,
    runner_length_m: float,
    runner_area_m2: float,
    plenum_pressure_pa: ArrayLike,
    plenum_temperature_k: float,
    exhaust_pressure_pa: ArrayLike,
    reference_pressure_pa: float,
    reference_temperature_k: float,
    entry_loss: float,
    friction_factor: float,
    plenum_exit_loss: float,
    charge_heating_k: float,
    burn: BurnEstimate,
    gamma_fresh: float,
    gamma_burned: float,
    port_volume_m3: float | None = None,
    port_head_loss: float = 0.0,
    evo_given: EvoState | None = None,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> FillResult:
    """Gas exchange of one cylinder at each speed by the model of this room: efficiency, residual, pumping, trapped state.

    Arguments: `crank_rad` in equal steps (1 to 2 degrees serve), zero at the firing TDC, starting before
    exhaust opening and ending after inlet closing; effective areas of all valves of one cylinder on it, from
    the seat, straight between points. Pressures may be one figure or one a speed. `charge_heating_k` warms fresh gas
    at once on its way in (runner, port, valve and wall heat together; assumed 25 K). `evo_given` fixes the state at
    exhaust opening; otherwise `evo_state` estimates it each cycle from what was trapped, with the assumptions in
    `burn`. Volumetric efficiency is fresh gas in the cylinder at inlet closing over reference density x swept volume.

    A speed whose cycle does not settle (mostly a long overlap far below the speeds it is made for, where no steady
    firing exists) gets NaN and `settled` false; NoSolution only where none settles.
    Source: filling and emptying, Heywood, ch. 14 and app. C; ram, ch. 6 (from memory); step: Bogacki and Shampine,
    *Appl. Math. Lett.* 2 (1989) 321. Raises OutOfRange for input outside the above.
    """
    speeds, p_plenum, p_exhaust = _by_speed(speed_rpm, plenum_pressure_pa, exhaust_pressure_pa)
    positive(
        plenum_temperature_k=plenum_temperature_k,
        reference_pressure_pa=reference_pressure_pa,
        reference_temperature_k=reference_temperature_k,
        gas_constant_j_per_kg_k=gas_constant_j_per_kg_k,
    )
    specific_heat_ratio(gamma_fresh=gamma_fresh, gamma_burned=gamma_burned)
    check_burn(burn)
    loss_in, loss_out = runner_losses(
        runner_length_m, runner_area_m2, entry_loss, plenum_exit_loss, port_head_loss, friction_factor
    )
    if port_volume_m3 is None:
        port_volume_m3 = runner_port_volume_m3(runner_length_m=runner_length_m, runner_area_m2=runner_area_m2)
    positive(port_volume_m3=port_volume_m3)
    if not -50.0 <= charge_heating_k <= 150.0:
        raise OutOfRange(f"charge_heating_k is {charge_heating_k}; a believable figure lies between -50 and 150 K.")
    swept, clearance = _volumes_m3(bore_m, stroke_m, rod_length_m, compression_ratio)
    given = (crank_rad, intake_effective_area_m2, exhaust_effective_area_m2)
    angle, intake, exhaust = (np.ascontiguousarray(each, dtype=float) for each in given)
    step, evo, ivc = _event_window(angle, intake, exhaust)
    cv_fresh = gas_constant_j_per_kg_k / (gamma_fresh - 1.0)
    return _filled(
        speeds,
        p_plenum,
        float((cv_fresh + gas_constant_j_per_kg_k) * (plenum_temperature_k + charge_heating_k)),
        p_exhaust,
        (float(angle[0]), step),
        (intake, exhaust),
        (evo, ivc),
        (stroke_m / 2.0, float(rod_length_m), clearance, swept / stroke_m),
        (gas_constant_j_per_kg_k, cv_fresh, gas_constant_j_per_kg_k / (gamma_burned - 1.0)),
        (float(runner_length_m), float(runner_area_m2), float(port_volume_m3), loss_in, loss_out),
        tuple(float(v) for v in burn),
        _state_at_evo(evo_given),
        reference_pressure_pa / (gas_constant_j_per_kg_k * reference_temperature_k) * swept,
    )
