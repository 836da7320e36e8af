"""Compiled kernels of the gas exchange: filling and emptying with a runner that has inertia, on plain arrays.

Only `engine.filling` calls them; states and results are told by the index constants at the top.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from lobeledger.arrays import Array

__all__ = []

# Places in the state vector (fixed; numba reads them as constants). The first ten are the state, the rest totals.
_MASS, _ENERGY, _BURNED = 0, 1, 2
PORT_MASS, PORT_ENERGY, _PORT_BURNED = 3, 4, 5
_FLOW = 6  # kg/s in the runner, towards the port
_SLUG_MASS, _SLUG_ENTHALPY, _SLUG_BURNED = 7, 8, 9
_WORK, _DRAWN, _OUT, _OUT_ENTHALPY, _OUT_BURNED, _IN = 10, 11, 12, 13, 14, 15
STATES = 16
RESULTS = 14
_SMOOTH = 2e-3  # pressure deficit below which the orifice law is smoothed, relative; see _psi
_SONIC = 0.68  # greatest flow per area, in p/sqrt(R T) of where it comes from: choked, ratio of specific heats 1.38
_TAKE_OVER = 0.05  # share of the slug over which returning gas gives way to the plenum's own, for a smooth rate
TOLERANCE = 3e-5  # local error a step, relative to the state
_LONGEST_STEP = 0.12  # rad of crank
_SHORTEST_STEP = 1e-8  # rad of crank
MOST_CYCLES = 100
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


# Over 80 lines: one balance of the whole intake and cylinder; its parts share most locals.
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
    for k in range(STATES):
        dy[k] = 0.0

    port_mass = y[PORT_MASS]
    port_x = y[_PORT_BURNED] / port_mass
    port_cv = cv_fresh + (cv_burned - cv_fresh) * port_x
    port_t = y[PORT_ENERGY] / (port_mass * port_cv)
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
    dy[PORT_MASS] = moved
    dy[PORT_ENERGY] = moved * h
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
        dy[PORT_MASS] -= flow_i
        dy[PORT_ENERGY] -= flow_i * h_i
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
    k1, k2 = np.empty(STATES), np.empty(STATES)
    k3, k4 = np.empty(STATES), np.empty(STATES)
    trial, after = np.empty(STATES), np.empty(STATES)
    first_error = 0 if cylinder else PORT_MASS
    _rates(theta, y, k1, cylinder, omega, grid, areas, shape, gas, runner, exhaust)
    h_next = min(0.01, end - theta)
    steps = 0
    while theta < end:
        steps += 1
        if steps > _MOST_STEPS:
            return 1
        h = min(h_next, _LONGEST_STEP, end - theta)
        last = h >= end - theta
        for k in range(STATES):
            trial[k] = y[k] + 0.5 * h * k1[k]
        _rates(theta + 0.5 * h, trial, k2, cylinder, omega, grid, areas, shape, gas, runner, exhaust)
        for k in range(STATES):
            trial[k] = y[k] + 0.75 * h * k2[k]
        _rates(theta + 0.75 * h, trial, k3, cylinder, omega, grid, areas, shape, gas, runner, exhaust)
        for k in range(STATES):
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
                scale = y[PORT_MASS]
            else:
                scale = y[k]
            if not e / scale < 1e30:
                finite = False
            error = max(error, e / scale)
        error /= tolerance
        # Written so that a NaN counts as bad too: a step too long can pass through negative mass.
        bad = not finite or not (after[PORT_MASS] > 0.0 and after[PORT_ENERGY] > 0.0)
        if cylinder and not (after[_MASS] > 0.0 and after[_ENERGY] > 0.0):
            bad = True
        if (bad or error > 1.0) and h > _SHORTEST_STEP:
            h_next = 0.2 * h if bad else h * max(0.2, 0.9 * error ** (-1.0 / 3.0))
            continue
        if bad:
            return 1
        theta = end if last else theta + h
        for k in range(STATES):
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
def evo_kernel(
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
def still_states(y: Array, gas: tuple[float, ...], runner: tuple[float, ...]) -> None:
    """Set port and runner to fresh gas at rest at the plenum's state."""
    r_gas, cv_fresh, _ = gas
    t = runner[7] / (cv_fresh + r_gas)
    y[PORT_MASS] = runner[6] * runner[2] / (r_gas * t)
    y[PORT_ENERGY] = y[PORT_MASS] * cv_fresh * t
    y[_PORT_BURNED] = 0.0
    y[_FLOW] = 0.0
    y[_SLUG_MASS] = runner[3]
    y[_SLUG_ENTHALPY] = runner[3] * runner[7]
    y[_SLUG_BURNED] = 0.0


# Over 80 lines: one cycle from one exhaust opening to the next; its parts share most locals.
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
    before = np.empty(STATES)
    last_move = 0.0
    for cycle in range(1, MOST_CYCLES + 1):
        m_trapped, x_trapped, t_trapped, t_exhaust, x_exhaust = memory
        if given[0] > 0.0:
            t_evo = given[1]
            m_evo = given[0] * v_evo / (r_gas * t_evo)
        else:
            m_evo = m_trapped
            t_evo = evo_kernel(m_evo, x_trapped, t_trapped, v_ivc, shape[2], v_evo, r_gas, cv_burned, burn)
        y[_MASS], y[_ENERGY], y[_BURNED] = m_evo, m_evo * cv_burned * t_evo, m_evo
        for k in range(_WORK, STATES):
            y[k] = 0.0
        for k in range(STATES):
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
        port_cv = cv_fresh + (cv_burned - cv_fresh) * y[_PORT_BURNED] / y[PORT_MASS]
        port_p = r_gas * y[PORT_ENERGY] / port_cv / runner[2]
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
        change = max(change, abs(y[PORT_MASS] - before[PORT_MASS]) / y[_MASS])
        change = max(change, abs(y[_PORT_BURNED] - before[_PORT_BURNED]) / y[_MASS])
        change = max(change, abs(y[_SLUG_MASS] - before[_SLUG_MASS]) / y[_MASS])
        change = max(change, abs(y[_SLUG_BURNED] - before[_SLUG_BURNED]) / y[_MASS])
        change = max(change, 0.1 * abs(y[_FLOW] - before[_FLOW]) / flow_scale)

        mass_off = (
            y[_MASS]
            - m_evo
            + y[PORT_MASS]
            - before[PORT_MASS]
            + y[_SLUG_MASS]
            - before[_SLUG_MASS]
            - (y[_DRAWN] + y[_IN] - y[_OUT])
        )
        energy_off = (
            y[_ENERGY]
            - before[_ENERGY]
            + y[PORT_ENERGY]
            - before[PORT_ENERGY]
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
    return False, MOST_CYCLES


@njit(cache=True, nogil=True, error_model="numpy")
def fill_speeds(
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
    y = np.zeros(STATES)
    memory = np.zeros(5)
    rest = True
    for i in range(speeds.size):
        slug_mass = plenum[i] * area * length / (r_gas * t_fresh)
        runner = (length, area, port_volume, slug_mass, loss_in, loss_out, plenum[i], h_plenum)
        if rest or plenum[i] != plenum[max(i - 1, 0)]:
            still_states(y, gas, runner)
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
def ring_kernel(
    end_s: float, y: Array, gas: tuple[float, ...], runner: tuple[float, ...], out: Array, tolerance: float
) -> int:
    """Port pressure at equal times with the valve shut, by the same rates; omega 1 makes crank angle time."""
    r_gas, cv_fresh, cv_burned = gas
    none = np.zeros(2)
    step = end_s / (out.size - 1)
    for i in range(out.size):
        cv = cv_fresh + (cv_burned - cv_fresh) * y[_PORT_BURNED] / y[PORT_MASS]
        out[i] = r_gas * y[PORT_ENERGY] / cv / runner[2]
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
