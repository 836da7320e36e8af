"""Filling: what one cylinder takes in and keeps, with the inertia of the gas in its intake runner.

What does the cylinder trap?              `fill_and_empty` -> `FillResult`
What does it start the exhaust with?      `evo_state`, with the assumptions of `BurnEstimate`
How fast does the runner swing?           `quarter_wave_hz`, `helmholtz_hz`, `runner_ring_down`
How much of the runner is spring?         `runner_port_volume_m3`
What does the exhaust push against?       `exhaust_pressure_pa`

The intake is a plenum of still air, a slug of gas in the runner that has mass, a port that gives like a spring,
and the valve. That is the least model in which gas in motion can go on filling a cylinder after bottom dead
centre, which is what a late intake closing lives on; in still air a long cam always loses. It knows one mode of
the runner, the first. The exhaust is still air at a pressure that grows with flow: no wave of the exhaust pipe
empties the cylinder through the overlap, so the gain of long overlap at high speed is missing.

Crank angles are radians from the firing top dead centre; the overlap TDC is 2 pi. Lifts and areas are at the valve,
net of lash. Rank candidates with it and read differences with a band; it is no dynamometer.
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeVar

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from lobeledger.engine.breathing import GAS_CONSTANT_J_PER_KG_K, _gamma, _not_negative, _positive
from lobeledger.engine.crank import clearance_volume_m3, cylinder_volume_m3, swept_volume_m3
from lobeledger.errors import NoSolution, OutOfRange

__all__ = [
    "ASSUMED_BURN",
    "BurnEstimate",
    "EvoState",
    "FillResult",
    "evo_state",
    "exhaust_pressure_pa",
    "fill_and_empty",
    "helmholtz_hz",
    "quarter_wave_hz",
    "runner_port_volume_m3",
    "runner_ring_down",
]

Array = NDArray[np.float64]
Num = TypeVar("Num", float, NDArray[np.float64])


class BurnEstimate(NamedTuple):
    """What the closed part of the cycle is assumed to do between inlet closing and exhaust opening.

    All assumed. `lost_fraction` lumps wall heat, dissociation and the rise of specific heat, which the constant
    ratio of specific heats leaves out; with these values full throttle opens the exhaust near 4 bar, 1500 K.
    """

    air_fuel_ratio: float = 13.0
    fuel_heating_value_j_per_kg: float = 44.0e6
    combustion_efficiency: float = 0.92
    lost_fraction: float = 0.30
    compression_exponent: float = 1.32
    expansion_exponent: float = 1.30


ASSUMED_BURN = BurnEstimate()
"""`BurnEstimate` with its assumed values."""


class EvoState(NamedTuple):
    """Cylinder state as the exhaust valve opens."""

    pressure_pa: float
    temperature_k: float


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


# ----------------------------------------------------------------------------------------- runner and exhaust


def quarter_wave_hz(*, runner_length_m: float, sound_speed_m_per_s: float) -> float:
    """First frequency (Hz) of a runner open at the plenum and shut at the valve: c/(4 L).

    Length in m from plenum to valve, sound speed in m/s. The open end adds about 0.6 of the runner's radius to the
    length, which is left to the caller. Source: definition (any text on acoustics). Raises OutOfRange unless both
    are above zero.

    >>> round(quarter_wave_hz(runner_length_m=0.40, sound_speed_m_per_s=346.1), 1)
    216.3
    """
    _positive(runner_length_m=runner_length_m, sound_speed_m_per_s=sound_speed_m_per_s)
    return sound_speed_m_per_s / (4.0 * runner_length_m)


def helmholtz_hz(*, neck_area_m2: float, neck_length_m: float, volume_m3: float, sound_speed_m_per_s: float) -> float:
    """Frequency (Hz) of a slug of gas in a neck on the spring of a volume: (c/2 pi) sqrt(A/(V L)).

    Source: definition (any text on acoustics). Raises OutOfRange unless all are above zero.

    >>> round(helmholtz_hz(neck_area_m2=15e-4, neck_length_m=0.35, volume_m3=0.5e-3, sound_speed_m_per_s=346.1), 1)
    161.3
    """
    _positive(
        neck_area_m2=neck_area_m2,
        neck_length_m=neck_length_m,
        volume_m3=volume_m3,
        sound_speed_m_per_s=sound_speed_m_per_s,
    )
    return sound_speed_m_per_s / (2.0 * math.pi) * math.sqrt(neck_area_m2 / (volume_m3 * neck_length_m))


def runner_port_volume_m3(*, runner_length_m: float, runner_area_m2: float) -> float:
    """Volume (m3) that stands for the runner's own springiness at its shut end: (4/pi^2) A L.

    The slug of length L and area A on a volume V swings at (c/2 pi) sqrt(A/(V L)); the runner itself, shut at the
    valve, at c/(4 L). Both agree when V = (4/pi^2) A L, which is 0.405 of the runner's volume. Source: the two
    closed forms above. Raises OutOfRange unless both are above zero.

    >>> v = runner_port_volume_m3(runner_length_m=0.40, runner_area_m2=13e-4)
    >>> round(helmholtz_hz(neck_area_m2=13e-4, neck_length_m=0.40, volume_m3=v, sound_speed_m_per_s=346.1), 1)
    216.3
    """
    _positive(runner_length_m=runner_length_m, runner_area_m2=runner_area_m2)
    return 4.0 / math.pi**2 * runner_area_m2 * runner_length_m


def exhaust_pressure_pa(
    speed_rpm: Num,
    *,
    ambient_pressure_pa: float,
    back_pressure_pa: float,
    reference_speed_rpm: float = 6000.0,
) -> Num:
    """Mean exhaust pressure (Pa): ambient + back pressure x (N/N_ref)^2, at one load.

    Loss in a pipe in turbulent flow grows with the square of the flow, and flow at full load about with speed.
    `back_pressure_pa` (gauge) is what is met at `reference_speed_rpm` (assumed 6000 rpm). Source: Darcy's law.
    Raises OutOfRange for a negative back pressure or a speed, ambient or reference not above zero.

    >>> exhaust_pressure_pa(3000.0, ambient_pressure_pa=99e3, back_pressure_pa=12e3)
    102000.0
    """
    _positive(speed_rpm=speed_rpm, ambient_pressure_pa=ambient_pressure_pa, reference_speed_rpm=reference_speed_rpm)
    _not_negative(back_pressure_pa=back_pressure_pa)
    pressure: Num = ambient_pressure_pa + back_pressure_pa * (speed_rpm / reference_speed_rpm) ** 2
    return pressure


# --------------------------------------------------------------------------------------------------- kernels

# Places in the state vector (fixed; numba reads them as constants). The first ten are the state, the rest totals.
_MASS, _ENERGY, _BURNED = 0, 1, 2
_PORT_MASS, _PORT_ENERGY, _PORT_BURNED = 3, 4, 5
_FLOW = 6  # kg/s in the runner, towards the port
_SLUG_MASS, _SLUG_ENTHALPY, _SLUG_BURNED = 7, 8, 9
_WORK, _DRAWN, _OUT, _OUT_ENTHALPY, _OUT_BURNED, _IN = 10, 11, 12, 13, 14, 15
_STATES = 16
_RESULTS = 14

_SMOOTH = 2e-3  # pressure deficit below which the orifice law is smoothed, relative; see _psi
_SONIC = 0.68  # greatest flow per area, in p/sqrt(R T) of where it comes from: choked, ratio of specific heats 1.38
_TAKE_OVER = 0.05  # share of the slug over which returning gas gives way to the plenum's own, for a smooth rate
_TOLERANCE = 3e-5  # local error a step, relative to the state
_LONGEST_STEP = 0.12  # rad of crank
_SHORTEST_STEP = 1e-8  # rad of crank
_MOST_CYCLES = 100
_UNDER_RELAX_AFTER = 12  # cycles; an engine that fires strong and weak by turns is then led to its mean
_MOST_STEPS = 200_000  # a stroke; far beyond need, so that bad input ends instead of hanging
_SETTLED = 1e-4


@njit(cache=True, nogil=True, error_model="numpy")
def _psi(ratio: float, gamma: float) -> float:
    """`breathing.flow_function` with its infinite slope at equal pressures made a parabola in the last 0.2 %.

    There the quasi-steady law says that an endless rate of change follows a vanishing pressure difference,
    which no explicit step survives. Value and slope agree to about 0.1 % where the parabola begins.
    """
    deficit = 1.0 - ratio
    if deficit < _SMOOTH:
        s = deficit / _SMOOTH
        return math.sqrt(2.0 * _SMOOTH) * s * (1.5 - 0.5 * s)
    power = ratio ** (1.0 / gamma)
    temperature_ratio = ratio / power
    if temperature_ratio <= 2.0 / (gamma + 1.0):
        return float(math.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (2.0 * (gamma - 1.0))))
    return float(power * math.sqrt(2.0 * gamma / (gamma - 1.0) * (1.0 - temperature_ratio)))


@njit(cache=True, nogil=True, error_model="numpy")
def _rates(
    theta: float,
    y: Array,
    dy: Array,
    cylinder: bool,
    omega: float,
    grid: tuple[float, float],
    areas: tuple[Array, Array],
    shape: tuple[float, ...],
    gas: tuple[float, ...],
    runner: tuple[float, ...],
    exhaust: tuple[float, ...],
) -> None:
    """Rates of change with crank angle; without `cylinder` both valves are shut and only the intake moves."""
    r_gas, cv_fresh, cv_burned = gas
    length, area, port_volume, slug_mass, loss_in, loss_out, p_plenum, h_plenum = runner
    for k in range(_STATES):
        dy[k] = 0.0

    port_mass = y[_PORT_MASS]
    port_x = y[_PORT_BURNED] / port_mass
    port_cv = cv_fresh + (cv_burned - cv_fresh) * port_x
    port_t = y[_PORT_ENERGY] / (port_mass * port_cv)
    port_p = port_mass * r_gas * port_t / port_volume
    port_h = (port_cv + r_gas) * port_t

    # The runner: momentum of the slug, and its gas with what it has pushed out into the plenum as one mixture.
    flow = y[_FLOW]
    slug_h, slug_x = y[_SLUG_ENTHALPY] / y[_SLUG_MASS], y[_SLUG_BURNED] / y[_SLUG_MASS]
    slug_cp = cv_fresh + (cv_burned - cv_fresh) * slug_x + r_gas
    density = p_plenum / (r_gas * slug_h / slug_cp)
    loss = loss_in if flow > 0.0 else loss_out
    head = loss * flow * abs(flow) / (2.0 * density * area * area)
    dy[_FLOW] = area / length * (p_plenum - port_p - head) / omega
    # No gas leaves faster than at its speed of sound, or a hard swing would drain the port to nothing.
    sonic = _SONIC * area
    if flow > 0.0:
        moved = min(flow, sonic * p_plenum / math.sqrt(r_gas * slug_h / slug_cp)) / omega
    else:
        moved = max(flow, -sonic * port_p / math.sqrt(r_gas * port_t)) / omega
    h, x = (slug_h, slug_x) if flow > 0.0 else (port_h, port_x)
    dy[_PORT_MASS] = moved
    dy[_PORT_ENERGY] = moved * h
    dy[_PORT_BURNED] = moved * x
    dy[_SLUG_MASS] = -moved
    dy[_SLUG_ENTHALPY] = -moved * h
    dy[_SLUG_BURNED] = -moved * x
    if flow > 0.0:
        # As the last of what had been pushed out comes back, the plenum's own gas takes over.
        outside = (y[_SLUG_MASS] - slug_mass) / (_TAKE_OVER * slug_mass)
        drawn = moved * (1.0 - min(max(outside, 0.0), 1.0))
        dy[_SLUG_MASS] += drawn
        dy[_SLUG_ENTHALPY] += drawn * h_plenum
        dy[_DRAWN] = drawn
    if not cylinder:
        return

    first, step = grid
    intake_area, exhaust_area = areas
    crank_radius, rod, clearance, piston_area = shape
    p_e, t_e, x_e = exhaust
    sine, cosine = math.sin(theta), math.cos(theta)
    root = math.sqrt(rod * rod - (crank_radius * sine) ** 2)
    volume = clearance + piston_area * (crank_radius * (1.0 - cosine) + rod - root)
    dvolume = piston_area * crank_radius * sine * (1.0 + crank_radius * cosine / root)

    mass = y[_MASS]
    x = y[_BURNED] / mass
    cv = cv_fresh + (cv_burned - cv_fresh) * x
    temperature = y[_ENERGY] / (mass * cv)
    pressure = mass * r_gas * temperature / volume

    place = (theta - first) / step
    cell = min(max(int(place), 0), intake_area.size - 2)
    share = place - cell
    a_i = intake_area[cell] + share * (intake_area[cell + 1] - intake_area[cell])
    a_e = exhaust_area[cell] + share * (exhaust_area[cell + 1] - exhaust_area[cell])

    flow_i = 0.0
    h_i = 0.0
    x_i = 0.0
    if a_i > 0.0:
        if pressure <= port_p:
            h_i, x_i = port_h, port_x
            ratio, gamma = pressure / port_p, 1.0 + r_gas / port_cv
            flow_i = a_i * port_p / math.sqrt(r_gas * port_t) * _psi(ratio, gamma) / omega
        else:
            h_i, x_i = (cv + r_gas) * temperature, x
            ratio, gamma = port_p / pressure, 1.0 + r_gas / cv
            flow_i = -a_i * pressure / math.sqrt(r_gas * temperature) * _psi(ratio, gamma) / omega
        dy[_PORT_MASS] -= flow_i
        dy[_PORT_ENERGY] -= flow_i * h_i
        dy[_PORT_BURNED] -= flow_i * x_i

    flow_e = 0.0
    h_e = 0.0
    x_out = 0.0
    if a_e > 0.0:
        if pressure < p_e:
            cv_e = cv_fresh + (cv_burned - cv_fresh) * x_e
            h_e, x_out = (cv_e + r_gas) * t_e, x_e
            flow_e = a_e * p_e / math.sqrt(r_gas * t_e) * _psi(pressure / p_e, 1.0 + r_gas / cv_e) / omega
            dy[_IN] = flow_e
        else:
            h_e, x_out = (cv + r_gas) * temperature, x
            ratio, gamma = p_e / pressure, 1.0 + r_gas / cv
            flow_e = -a_e * pressure / math.sqrt(r_gas * temperature) * _psi(ratio, gamma) / omega
            dy[_OUT] = -flow_e
            dy[_OUT_ENTHALPY] = -flow_e * h_e
            dy[_OUT_BURNED] = -flow_e * x_out

    dy[_MASS] = flow_i + flow_e
    dy[_ENERGY] = flow_i * h_i + flow_e * h_e - pressure * dvolume
    dy[_BURNED] = flow_i * x_i + flow_e * x_out
    dy[_WORK] = pressure * dvolume


@njit(cache=True, nogil=True, error_model="numpy")
def _advance(
    theta: float,
    end: float,
    y: Array,
    cylinder: bool,
    omega: float,
    grid: tuple[float, float],
    areas: tuple[Array, Array],
    shape: tuple[float, ...],
    gas: tuple[float, ...],
    runner: tuple[float, ...],
    exhaust: tuple[float, ...],
    tolerance: float,
) -> int:
    """Carry the state between crank angles by the 3(2) pair of Bogacki and Shampine; 0, or 1 where it breaks."""
    if end <= theta:
        return 0
    # A flow at Mach 0.1 measures the error of the runner's flow, which itself passes through zero.
    flow_scale = 0.12 * runner[1] * runner[6] / math.sqrt(gas[0] * runner[7] / (gas[1] + gas[0]))
    k1, k2 = np.empty(_STATES), np.empty(_STATES)
    k3, k4 = np.empty(_STATES), np.empty(_STATES)
    trial, after = np.empty(_STATES), np.empty(_STATES)
    first_error = 0 if cylinder else _PORT_MASS
    _rates(theta, y, k1, cylinder, omega, grid, areas, shape, gas, runner, exhaust)
    h_next = min(0.01, end - theta)
    steps = 0
    while theta < end:
        steps += 1
        if steps > _MOST_STEPS:
            return 1
        h = min(h_next, _LONGEST_STEP, end - theta)
        last = h >= end - theta
        for k in range(_STATES):
            trial[k] = y[k] + 0.5 * h * k1[k]
        _rates(theta + 0.5 * h, trial, k2, cylinder, omega, grid, areas, shape, gas, runner, exhaust)
        for k in range(_STATES):
            trial[k] = y[k] + 0.75 * h * k2[k]
        _rates(theta + 0.75 * h, trial, k3, cylinder, omega, grid, areas, shape, gas, runner, exhaust)
        for k in range(_STATES):
            after[k] = y[k] + h * (2.0 * k1[k] + 3.0 * k2[k] + 4.0 * k3[k]) / 9.0
        _rates(theta + h, after, k4, cylinder, omega, grid, areas, shape, gas, runner, exhaust)
        error = 0.0
        finite = True
        for k in range(first_error, _SLUG_MASS + 1):
            e = h * abs(-5.0 / 72.0 * k1[k] + k2[k] / 12.0 + k3[k] / 9.0 - 0.125 * k4[k])
            if k == _FLOW:
                scale = flow_scale + abs(y[k])
            elif k == _BURNED:
                scale = y[_MASS]
            elif k == _PORT_BURNED:
                scale = y[_PORT_MASS]
            else:
                scale = y[k]
            if not e / scale < 1e30:
                finite = False
            error = max(error, e / scale)
        error /= tolerance
        # Written so that a NaN counts as bad too: a step too long can pass through negative mass.
        bad = not finite or not (after[_PORT_MASS] > 0.0 and after[_PORT_ENERGY] > 0.0)
        if cylinder and not (after[_MASS] > 0.0 and after[_ENERGY] > 0.0):
            bad = True
        if (bad or error > 1.0) and h > _SHORTEST_STEP:
            h_next = 0.2 * h if bad else h * max(0.2, 0.9 * error ** (-1.0 / 3.0))
            continue
        if bad:
            return 1
        theta = end if last else theta + h
        for k in range(_STATES):
            y[k] = after[k]
            k1[k] = k4[k]
        h_next = h * min(4.0, 0.9 * max(error, 1e-6) ** (-1.0 / 3.0))
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _volume_at(theta: float, shape: tuple[float, ...]) -> float:
    crank_radius, rod, clearance, piston_area = shape
    root = math.sqrt(rod * rod - (crank_radius * math.sin(theta)) ** 2)
    return clearance + piston_area * (crank_radius * (1.0 - math.cos(theta)) + rod - root)


@njit(cache=True, nogil=True, error_model="numpy")
def _evo(
    mass: float,
    x: float,
    t_ivc: float,
    v_ivc: float,
    v_clearance: float,
    v_evo: float,
    r_gas: float,
    cv_burned: float,
    burn: tuple[float, ...],
) -> float:
    """Temperature at exhaust opening: polytropic compression, heat at TDC, polytropic expansion."""
    afr, heating_value, efficiency, lost, n_compression, n_expansion = burn
    t_2 = t_ivc * (v_ivc / v_clearance) ** (n_compression - 1.0)
    t_3 = t_2 + (1.0 - x) / afr * heating_value * efficiency * (1.0 - lost) / cv_burned
    return float(t_3 * (v_clearance / v_evo) ** (n_expansion - 1.0))


@njit(cache=True, nogil=True, error_model="numpy")
def _still(y: Array, gas: tuple[float, ...], runner: tuple[float, ...]) -> None:
    """Set port and runner to fresh gas at rest at the plenum's state."""
    r_gas, cv_fresh, _ = gas
    t = runner[7] / (cv_fresh + r_gas)
    y[_PORT_MASS] = runner[6] * runner[2] / (r_gas * t)
    y[_PORT_ENERGY] = y[_PORT_MASS] * cv_fresh * t
    y[_PORT_BURNED] = 0.0
    y[_FLOW] = 0.0
    y[_SLUG_MASS] = runner[3]
    y[_SLUG_ENTHALPY] = runner[3] * runner[7]
    y[_SLUG_BURNED] = 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _settle(
    speed: float,
    y: Array,
    memory: Array,
    grid: tuple[float, float],
    areas: tuple[Array, Array],
    window: tuple[float, float],
    shape: tuple[float, ...],
    gas: tuple[float, ...],
    runner: tuple[float, ...],
    p_e: float,
    burn: tuple[float, ...],
    given: tuple[float, float],
    rho_swept: float,
    out: Array,
    tolerance: float,
) -> tuple[bool, int]:
    """Repeat one speed's cycle until it returns to its start. `memory`: trapped m, x, T; exhaust T, x."""
    r_gas, cv_fresh, cv_burned = gas
    theta_evo, theta_ivc = window
    swept = shape[3] * 2.0 * shape[0]
    v_evo, v_ivc = _volume_at(theta_evo, shape), _volume_at(theta_ivc, shape)
    omega = speed * 2.0 * math.pi / 60.0
    flow_scale = 0.12 * runner[1] * runner[6] / math.sqrt(gas[0] * runner[7] / (gas[1] + gas[0]))
    before = np.empty(_STATES)
    last_move = 0.0
    for cycle in range(1, _MOST_CYCLES + 1):
        m_trapped, x_trapped, t_trapped, t_exhaust, x_exhaust = memory
        if given[0] > 0.0:
            t_evo = given[1]
            m_evo = given[0] * v_evo / (r_gas * t_evo)
        else:
            m_evo = m_trapped
            t_evo = _evo(m_evo, x_trapped, t_trapped, v_ivc, shape[2], v_evo, r_gas, cv_burned, burn)
        y[_MASS], y[_ENERGY], y[_BURNED] = m_evo, m_evo * cv_burned * t_evo, m_evo
        for k in range(_WORK, _STATES):
            y[k] = 0.0
        for k in range(_STATES):
            before[k] = y[k]
        exhaust = (p_e, t_exhaust, x_exhaust)
        broken = _advance(theta_evo, math.pi, y, True, omega, grid, areas, shape, gas, runner, exhaust, tolerance)
        work_blowdown = y[_WORK]
        if broken == 0:
            broken = _advance(
                math.pi, 3.0 * math.pi, y, True, omega, grid, areas, shape, gas, runner, exhaust, tolerance
            )
        pumping = work_blowdown - y[_WORK]
        if broken == 0:
            broken = _advance(
                3.0 * math.pi, theta_ivc, y, True, omega, grid, areas, shape, gas, runner, exhaust, tolerance
            )
        port_cv = cv_fresh + (cv_burned - cv_fresh) * y[_PORT_BURNED] / y[_PORT_MASS]
        port_p = r_gas * y[_PORT_ENERGY] / port_cv / runner[2]
        if broken == 0:
            broken = _advance(
                theta_ivc,
                theta_evo + 4.0 * math.pi,
                y,
                False,
                omega,
                grid,
                areas,
                shape,
                gas,
                runner,
                exhaust,
                tolerance,
            )
        if broken != 0 or not y[_MASS] > 0.0:
            return False, cycle

        x = y[_BURNED] / y[_MASS]
        cv = cv_fresh + (cv_burned - cv_fresh) * x
        t = y[_ENERGY] / (y[_MASS] * cv)
        cv_e_in = cv_fresh + (cv_burned - cv_fresh) * x_exhaust
        x_new, t_new = x_exhaust, t_exhaust
        if y[_OUT] > 0.0:
            x_new = min(y[_OUT_BURNED] / y[_OUT], 1.0)
            t_new = y[_OUT_ENTHALPY] / (y[_OUT] * (cv_fresh + (cv_burned - cv_fresh) * x_new + r_gas))

        change = max(abs(y[_MASS] - m_trapped) / y[_MASS], abs(x - x_trapped), abs(t - t_trapped) / t_trapped)
        change = max(change, 0.05 * abs(t_new - t_exhaust) / t_exhaust)
        change = max(change, abs(y[_PORT_MASS] - before[_PORT_MASS]) / y[_MASS])
        change = max(change, abs(y[_PORT_BURNED] - before[_PORT_BURNED]) / y[_MASS])
        change = max(change, abs(y[_SLUG_MASS] - before[_SLUG_MASS]) / y[_MASS])
        change = max(change, abs(y[_SLUG_BURNED] - before[_SLUG_BURNED]) / y[_MASS])
        change = max(change, 0.1 * abs(y[_FLOW] - before[_FLOW]) / flow_scale)

        mass_off = (
            y[_MASS]
            - m_evo
            + y[_PORT_MASS]
            - before[_PORT_MASS]
            + y[_SLUG_MASS]
            - before[_SLUG_MASS]
            - (y[_DRAWN] + y[_IN] - y[_OUT])
        )
        energy_off = (
            y[_ENERGY]
            - before[_ENERGY]
            + y[_PORT_ENERGY]
            - before[_PORT_ENERGY]
            + y[_SLUG_ENTHALPY]
            - before[_SLUG_ENTHALPY]
        ) - (y[_DRAWN] * runner[7] + y[_IN] * (cv_e_in + r_gas) * t_exhaust - y[_OUT_ENTHALPY] - y[_WORK])
        out[0] = (y[_MASS] - y[_BURNED]) / rho_swept
        out[1] = x
        out[2] = pumping / swept
        out[3] = y[_MASS] * r_gas * t / v_ivc
        out[4] = t
        out[5] = y[_MASS] - y[_BURNED]
        out[6] = y[_DRAWN]
        out[7] = (y[_OUT] - y[_OUT_BURNED]) - y[_IN] * (1.0 - x_exhaust)
        out[8] = port_p
        out[9] = m_evo * r_gas * t_evo / v_evo
        out[10] = t_evo
        out[11] = t_new
        out[12] = mass_off / y[_MASS]
        out[13] = energy_off / y[_ENERGY]

        turned = (y[_MASS] - m_trapped) * last_move < 0.0
        last_move = y[_MASS] - m_trapped
        weight = 0.5 if turned and cycle > _UNDER_RELAX_AFTER else 1.0
        memory[0] += weight * (y[_MASS] - memory[0])
        memory[1] += weight * (x - memory[1])
        memory[2] += weight * (t - memory[2])
        memory[3] += weight * (t_new - memory[3])
        memory[4] += weight * (x_new - memory[4])
        if change < _SETTLED:
            return True, cycle
    return False, _MOST_CYCLES


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_speeds(
    speeds: Array,
    plenum: Array,
    h_plenum: float,
    p_exhaust: Array,
    grid: tuple[float, float],
    areas: tuple[Array, Array],
    window: tuple[float, float],
    shape: tuple[float, ...],
    gas: tuple[float, ...],
    pipe: tuple[float, ...],
    burn: tuple[float, ...],
    given: tuple[float, float],
    rho_swept: float,
    out: Array,
    cycles: NDArray[np.int64],
    settled: NDArray[np.bool_],
    tolerance: float,
) -> None:
    """Every speed in turn, each from where the one before it settled, or from rest."""
    r_gas, cv_fresh, _ = gas
    length, area, port_volume, loss_in, loss_out = pipe
    t_fresh = h_plenum / (cv_fresh + r_gas)
    v_ivc = _volume_at(window[1], shape)
    y = np.zeros(_STATES)
    memory = np.zeros(5)
    rest = True
    for i in range(speeds.size):
        slug_mass = plenum[i] * area * length / (r_gas * t_fresh)
        runner = (length, area, port_volume, slug_mass, loss_in, loss_out, plenum[i], h_plenum)
        if rest or plenum[i] != plenum[max(i - 1, 0)]:
            _still(y, gas, runner)
            memory[0] = plenum[i] * v_ivc / (r_gas * (t_fresh + 30.0))
            memory[1], memory[2], memory[3], memory[4] = 0.05, t_fresh + 30.0, 1000.0, 1.0
        settled[i], cycles[i] = _settle(
            speeds[i],
            y,
            memory,
            grid,
            areas,
            window,
            shape,
            gas,
            runner,
            p_exhaust[i],
            burn,
            given,
            rho_swept,
            out[:, i],
            tolerance,
        )
        rest = not settled[i]
        if rest:
            out[:, i] = np.nan


@njit(cache=True, nogil=True, error_model="numpy")
def _ring(
    end_s: float, y: Array, gas: tuple[float, ...], runner: tuple[float, ...], out: Array, tolerance: float
) -> int:
    """Port pressure at equal times with the valve shut, by the same rates; omega 1 makes crank angle time."""
    r_gas, cv_fresh, cv_burned = gas
    none = np.zeros(2)
    step = end_s / (out.size - 1)
    for i in range(out.size):
        cv = cv_fresh + (cv_burned - cv_fresh) * y[_PORT_BURNED] / y[_PORT_MASS]
        out[i] = r_gas * y[_PORT_ENERGY] / cv / runner[2]
        if i + 1 < out.size and _advance(
            i * step,
            (i + 1) * step,
            y,
            False,
            1.0,
            (0.0, 1.0),
            (none, none),
            (0.0, 0.0, 0.0, 0.0),
            gas,
            runner,
            (0.0, 0.0, 0.0),
            tolerance,
        ):
            return 1
    return 0


# ----------------------------------------------------------------------------------------------- what is asked


def runner_ring_down(
    *,
    duration_s: float,
    points: int,
    runner_length_m: float,
    runner_area_m2: float,
    plenum_pressure_pa: float,
    temperature_k: float,
    start_pressure_pa: float,
    port_volume_m3: float | None = None,
    entry_loss: float = 0.2,
    friction_factor: float = 0.03,
    gamma: float = 1.4,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> tuple[Array, Array]:
    """Time (s) and port pressure (Pa) of a shut runner that starts at rest with its port off the plenum's pressure.

    The very equations of `fill_and_empty` with the valve shut: a small start swings at `quarter_wave_hz`, or with a
    `port_volume_m3` of its own at `helmholtz_hz`; a large one dies down by its losses. Other arguments as there.
    The port starts on the isentrope through the plenum's state. Raises OutOfRange for input that is no gas or pipe.
    """
    if port_volume_m3 is None:
        port_volume_m3 = runner_port_volume_m3(runner_length_m=runner_length_m, runner_area_m2=runner_area_m2)
    _positive(
        duration_s=duration_s,
        port_volume_m3=port_volume_m3,
        plenum_pressure_pa=plenum_pressure_pa,
        temperature_k=temperature_k,
        start_pressure_pa=start_pressure_pa,
        gas_constant_j_per_kg_k=gas_constant_j_per_kg_k,
    )
    _gamma(gamma=gamma)
    if points < 2:
        raise OutOfRange(f"points is {points}; a curve needs two or more.")
    loss_in, loss_out = _losses(runner_length_m, runner_area_m2, entry_loss, 1.0, 0.0, friction_factor)
    cv = gas_constant_j_per_kg_k / (gamma - 1.0)
    slug = plenum_pressure_pa * runner_area_m2 * runner_length_m / (gas_constant_j_per_kg_k * temperature_k)
    runner = (
        float(runner_length_m),
        float(runner_area_m2),
        float(port_volume_m3),
        slug,
        loss_in,
        loss_out,
        float(plenum_pressure_pa),
        (cv + gas_constant_j_per_kg_k) * temperature_k,
    )
    gas = (gas_constant_j_per_kg_k, cv, cv)
    y = np.zeros(_STATES)
    _still(y, gas, runner)
    ratio = start_pressure_pa / plenum_pressure_pa
    y[_PORT_MASS] *= ratio ** (1.0 / gamma)
    y[_PORT_ENERGY] *= ratio
    pressure = np.empty(points)
    # In seconds the longest step of the kernel bounds nothing, so the points themselves must resolve a swing.
    if _ring(float(duration_s), y, gas, runner, pressure, 1e-9):
        raise NoSolution("The runner's swing cannot be followed; check lengths, areas and pressures.")
    return np.linspace(0.0, duration_s, points), pressure


def _losses(
    length: float, area: float, entry: float, plenum_exit: float, port_head: float, friction: float
) -> tuple[float, float]:
    """Loss coefficients on the runner's dynamic head, towards the port and back."""
    _positive(runner_length_m=length, runner_area_m2=area)
    _not_negative(entry_loss=entry, plenum_exit_loss=plenum_exit, port_head_loss=port_head, friction_factor=friction)
    wall = friction * length / math.sqrt(4.0 * area / math.pi)
    return entry + port_head + wall, plenum_exit + wall


def evo_state(
    *,
    trapped_kg: float,
    residual_fraction: float,
    trapped_temperature_k: float,
    volume_at_ivc_m3: float,
    clearance_volume_m3: float,
    volume_at_evo_m3: float,
    burn: BurnEstimate = ASSUMED_BURN,
    gamma_burned: float = 1.30,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> EvoState:
    """Pressure and temperature as the exhaust opens, by a plain energy estimate of the closed cycle.

    Polytropic compression from inlet closing to the clearance volume, all heat added there at constant volume
    (fuel of the fresh charge x heating value x efficiency x (1 - lost)), polytropic expansion to exhaust opening.
    The mass of the fuel itself (about 7 %) is left out. It feeds blowdown and residual, which depend on it
    weakly; it is no combustion model. Source: fuel-air cycle reasoning, Heywood, ch. 5; constants assumed.
    """
    _positive(
        trapped_kg=trapped_kg,
        trapped_temperature_k=trapped_temperature_k,
        volume_at_ivc_m3=volume_at_ivc_m3,
        clearance_volume_m3=clearance_volume_m3,
        volume_at_evo_m3=volume_at_evo_m3,
    )
    _gamma(gamma_burned=gamma_burned)
    _check_burn(burn)
    if not 0.0 <= residual_fraction <= 1.0:
        raise OutOfRange(f"residual_fraction is {residual_fraction}; it lies between 0 and 1.")
    temperature = _evo(
        trapped_kg,
        residual_fraction,
        trapped_temperature_k,
        volume_at_ivc_m3,
        clearance_volume_m3,
        volume_at_evo_m3,
        gas_constant_j_per_kg_k,
        gas_constant_j_per_kg_k / (gamma_burned - 1.0),
        tuple(float(v) for v in burn),
    )
    return EvoState(trapped_kg * gas_constant_j_per_kg_k * temperature / volume_at_evo_m3, float(temperature))


def _check_burn(burn: BurnEstimate) -> None:
    _positive(air_fuel_ratio=burn.air_fuel_ratio)
    _not_negative(fuel_heating_value_j_per_kg=burn.fuel_heating_value_j_per_kg)
    for name in ("combustion_efficiency", "lost_fraction"):
        if not 0.0 <= getattr(burn, name) <= 1.0:
            raise OutOfRange(f"{name} is {getattr(burn, name)}; it lies between 0 and 1.")
    for name in ("compression_exponent", "expansion_exponent"):
        if not 1.0 <= getattr(burn, name) <= 1.67:
            raise OutOfRange(f"{name} is {getattr(burn, name)}; a polytropic exponent lies between 1 and 1.67.")


def _event_window(angle: Array, intake: Array, exhaust: Array) -> tuple[float, float, float]:
    """Grid step, exhaust opening and intake closing (rad), after checking that the model can handle them."""
    if angle.ndim != 1 or angle.size < 20 or angle.shape != intake.shape or angle.shape != exhaust.shape:
        raise OutOfRange("crank_rad and both effective areas must be arrays of one length, 20 points or more.")
    step = (angle[-1] - angle[0]) / (angle.size - 1)
    if not step > 0.0 or np.max(np.abs(np.diff(angle) - step)) > 1e-6 * step + 1e-12:
        raise OutOfRange("crank_rad must rise in equal steps.")
    _not_negative(intake_effective_area_m2=intake, exhaust_effective_area_m2=exhaust)
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
    port_volume_m3: float | None = None,
    entry_loss: float = 0.2,
    friction_factor: float = 0.03,
    plenum_exit_loss: float = 1.0,
    port_head_loss: float = 0.0,
    charge_heating_k: float = 25.0,
    burn: BurnEstimate = ASSUMED_BURN,
    evo_given: EvoState | None = None,
    gamma_fresh: float = 1.38,
    gamma_burned: float = 1.30,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> FillResult:
    """Gas exchange of one cylinder at each speed: volumetric efficiency, residual, pumping, trapped state.

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

    Arguments: `crank_rad` in equal steps (1 to 2 degrees serve), zero at the firing TDC, starting before
    exhaust opening and ending after inlet closing; effective areas of all valves of one cylinder on it, from
    the seat, straight between points. Pressures may be one figure or one a speed. `charge_heating_k` warms fresh gas
    at once on its way in (runner, port, valve and wall heat together; assumed 25 K). `evo_given` fixes the state at
    exhaust opening; otherwise `evo_state` estimates it each cycle from what was trapped, with the assumptions in
    `burn`. Volumetric efficiency is fresh gas in the cylinder at inlet closing over reference density x swept volume.

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

    A speed whose cycle does not settle (mostly a long overlap far below the speeds it is made for, where no steady
    firing exists) gets NaN and `settled` false; NoSolution only where none settles.
    Source: filling and emptying, Heywood, ch. 14 and app. C; ram, ch. 6 (from memory); step: Bogacki and Shampine,
    *Appl. Math. Lett.* 2 (1989) 321. Raises OutOfRange for input outside the above.
    """
    speeds = np.atleast_1d(np.asarray(speed_rpm, dtype=float))
    if speeds.ndim != 1 or not (np.all(speeds >= 300.0) and np.all(speeds <= 10000.0)):
        raise OutOfRange(f"speed_rpm is {speeds}; the model holds from 300 to 10000 rpm.")
    _positive(
        plenum_pressure_pa=plenum_pressure_pa,
        exhaust_pressure_pa=exhaust_pressure_pa,
        plenum_temperature_k=plenum_temperature_k,
        reference_pressure_pa=reference_pressure_pa,
        reference_temperature_k=reference_temperature_k,
        gas_constant_j_per_kg_k=gas_constant_j_per_kg_k,
    )
    _gamma(gamma_fresh=gamma_fresh, gamma_burned=gamma_burned)
    _check_burn(burn)
    loss_in, loss_out = _losses(
        runner_length_m, runner_area_m2, entry_loss, plenum_exit_loss, port_head_loss, friction_factor
    )
    if port_volume_m3 is None:
        port_volume_m3 = runner_port_volume_m3(runner_length_m=runner_length_m, runner_area_m2=runner_area_m2)
    _positive(port_volume_m3=port_volume_m3)
    if not -50.0 <= charge_heating_k <= 150.0:
        raise OutOfRange(f"charge_heating_k is {charge_heating_k}; a believable figure lies between -50 and 150 K.")
    try:
        p_plenum = np.broadcast_to(np.asarray(plenum_pressure_pa, dtype=float), speeds.shape).copy()
        p_exhaust = np.broadcast_to(np.asarray(exhaust_pressure_pa, dtype=float), speeds.shape).copy()
    except ValueError:
        raise OutOfRange("Plenum and exhaust pressure must be one figure or one for each speed.") from None
    swept = swept_volume_m3(bore_m=bore_m, stroke_m=stroke_m)
    clearance = clearance_volume_m3(swept_volume_m3=swept, compression_ratio=compression_ratio)
    # Called for its checks of the geometry.
    cylinder_volume_m3(
        0.0, bore_m=bore_m, stroke_m=stroke_m, rod_length_m=rod_length_m, compression_ratio=compression_ratio
    )
    angle = np.ascontiguousarray(crank_rad, dtype=float)
    intake = np.ascontiguousarray(intake_effective_area_m2, dtype=float)
    exhaust = np.ascontiguousarray(exhaust_effective_area_m2, dtype=float)
    step, evo, ivc = _event_window(angle, intake, exhaust)
    if evo_given is not None:
        _positive(evo_given=tuple(evo_given))
    out = np.full((_RESULTS, speeds.size), np.nan)
    cycles, settled = np.zeros(speeds.size, dtype=np.int64), np.zeros(speeds.size, dtype=np.bool_)
    cv_fresh = gas_constant_j_per_kg_k / (gamma_fresh - 1.0)
    _fill_speeds(
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
        (0.0, 0.0) if evo_given is None else (float(evo_given.pressure_pa), float(evo_given.temperature_k)),
        reference_pressure_pa / (gas_constant_j_per_kg_k * reference_temperature_k) * swept,
        out,
        cycles,
        settled,
        _TOLERANCE,
    )
    if not settled.any():
        raise NoSolution(
            f"The gas exchange settles within {_MOST_CYCLES} cycles at none of the speeds asked ({speeds.min():g} to "
            f"{speeds.max():g} rpm); check areas and pressures, or ask for a higher speed or plenum pressure."
        )
    return FillResult._make([speeds, *out, cycles, settled])
