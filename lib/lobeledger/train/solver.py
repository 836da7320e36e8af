"""The compiled march behind `dynamics`: rates of change, an embedded Runge-Kutta pair, contacts found in time.

How does the train accelerate?         `rates`
How is it marched in time?             `march`
What does a cycle's row hold?          the names that begin with `ROW_`
What does a trace hold?                the names that begin with `TRACE_`

Plain arrays only; `train` packs them, `dynamics` unpacks them. Positions: 0 lifter (body), 1 rocker (arc length
at its pushrod end), 2 valve, then with a hydraulic lifter 3 its plunger, then the spring masses, outer spring
first. The state is all positions (m), all speeds (m/s), and last the length of the oil column (m, zero for a
solid lifter). Each contact and each joint is a spring with a damper which can push but not pull; the damper fades
in over the first `FADE_N` of force, so that no force jumps when parts touch and the rates are continuous.

Method: Dormand and Prince's 5(4) pair (J. Comp. Appl. Math. 6 (1980) 19), step by local error. A step in which
a contact opens or closes is cut where the cubic through the gap and its speed at both ends passes zero: the
kink then falls between two steps and spoils the order of neither.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

__all__ = ["march", "rates"]

# Parameters, one float each.
(
    P_MASS_LIFTER,
    P_MASS_ROCKER,
    P_MASS_VALVE,
    P_MASS_PLUNGER,
    P_LOBE_K,
    P_LOBE_C,
    P_PUSHROD_K,
    P_PUSHROD_C,
    P_ROCKER_K,
    P_ROCKER_C,
    P_SEAT_K,
    P_SEAT_C,
    P_SEAT_GIVE,
    P_LASH,
    P_RATIO,
    P_PUSHROD_ARM,
    P_VALVE_ARM,
    P_PUSHROD_ANGLE,
    P_VALVE_ANGLE,
    P_LIFTER_WEIGHT,
    P_ROCKER_WEIGHT,
    P_OIL_K,
    P_PLUNGER_LOAD,
    P_OIL_SUCTION,
    P_OIL_LEAK,
    P_OIL_REFILL,
    P_OIL_TRAVEL_UP,
    P_HYDRAULIC,
    P_SPRING_LOAD,
    P_WATCH,
    P_GAS,
    P_GAS_FROM,
    P_GAS_SPAN,
    P_FRICTION,
    P_COUNT,
) = range(35)
# One row per spring: link stiffness, link damping, one over a moving mass.
S_K, S_C, S_INVERSE_MASS = range(3)
# Forces and gaps that `rates` leaves behind: force at lobe, pushrod, rocker tip, seat, springs; then the overlap
# (positive in contact) of lobe, pushrod, rocker tip, seat, oil column, and its speed.
F_LOBE, F_PUSHROD, F_TIP, F_SEAT, F_SPRING, F_SIGNED = range(6)
GAPS = 5
F_COUNT = 6 + 2 * GAPS
# What is kept of each cycle.
(
    ROW_LEAST,
    ROW_LEAST_ANGLE,
    ROW_PEAK,
    ROW_PEAK_ANGLE,
    ROW_LOSS_ANGLE,
    ROW_LOFT_TIME,
    ROW_GAP,
    ROW_SEATING,
    ROW_BOUNCE,
    ROW_SURGE_OUTER,
    ROW_SURGE_INNER,
    ROW_COLUMN,
    ROW_RESIDUAL,
    ROW_LEAST_SPRING,
    ROW_SEATING_ANGLE,
    ROW_LANDING,
    ROW_LEAST_OIL,
    ROW_LEAST_OIL_ANGLE,
    ROW_STEPS,
    ROW_REJECTED,
    ROW_COUNT,
) = range(21)
# Channels of a trace.
TRACE_LOBE, TRACE_SIGNED, TRACE_PUSHROD, TRACE_TIP, TRACE_SEAT, TRACE_SPRING, TRACE_LIFT, TRACE_SPEED, TRACE_COLUMN = (
    range(9)
)
TRACE_COUNT = 9
# Force over which the damper of a contact fades in (N), and valve speed over which dry friction turns round (m/s).
FADE_N = 2.0
CREEP_M_PER_S = 0.05
# Scales of the local error: a tolerance of 1e-6 is 0.01 um of travel and 0.1 mm/s of speed a step.
_TRAVEL_M, _SPEED_M_PER_S = 0.01, 100.0


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz", "reassoc"})
def _push(stiffness: float, damping: float, overlap: float, closing: float) -> float:
    """Signed force of a contact: below zero it has let go, and the surfaces press with nothing."""
    if overlap <= 0.0:
        return stiffness * overlap
    return stiffness * overlap + damping * min(1.0, stiffness * overlap / FADE_N) * closing


# Over 80 lines: one chain of contacts from lobe to seat; its parts share most locals.
@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz", "reassoc"})
def rates(
    theta: float,
    omega: float,
    y: Any,
    dy: Any,
    f: Any,
    p: Any,
    springs: Any,
    masses: int,
    lobe: Any,
    lobe_begin: float,
    lobe_step: float,
) -> None:
    """Fill dy with d(state)/dt and f with forces and gaps at cam angle theta (rad), cam speed omega (rad/s).

    lobe: coefficients of a quintic per grid step, constant term first, in steps from its left node.
    """
    hydraulic = p[P_HYDRAULIC] > 0.0
    bodies = 4 if hydraulic else 3
    n = bodies + springs.shape[0] * masses
    lift = rise = 0.0
    place = (theta - lobe_begin) / lobe_step
    # Rounding must not drop a lobe given over the whole turn at the turn's own ends.
    if -1e-6 <= place <= lobe.shape[0] + 1e-6:
        i = min(max(int(place), 0), lobe.shape[0] - 1)
        x = place - i
        # One by one: a slice would be counted as a new array on every call.
        c0, c1, c2, c3, c4, c5 = lobe[i, 0], lobe[i, 1], lobe[i, 2], lobe[i, 3], lobe[i, 4], lobe[i, 5]
        x2 = x * x
        lift = (c0 + x * c1) + x2 * ((c2 + x * c3) + x2 * (c4 + x * c5))
        rise = (c1 + x * 2.0 * c2) + x2 * ((3.0 * c3 + x * 4.0 * c4) + x2 * 5.0 * c5)
    rise *= omega / lobe_step

    q, q_speed = y[1], y[n + 1]
    if p[P_PUSHROD_ARM] > 0.0:
        at_pushrod, at_valve = q / p[P_PUSHROD_ARM] + p[P_PUSHROD_ANGLE], q / p[P_PUSHROD_ARM] + p[P_VALVE_ANGLE]
        cup = p[P_PUSHROD_ARM] * (math.sin(at_pushrod) - math.sin(p[P_PUSHROD_ANGLE]))
        tip = p[P_VALVE_ARM] * (math.sin(at_valve) - math.sin(p[P_VALVE_ANGLE]))
        cup_slope = math.cos(at_pushrod)
        tip_slope = p[P_VALVE_ARM] / p[P_PUSHROD_ARM] * math.cos(at_valve)
    else:
        cup, cup_slope, tip, tip_slope = q, 1.0, p[P_RATIO] * q, p[P_RATIO]

    lobe_gap, lobe_closing = lift - y[0], rise - y[n]
    signed = _push(p[P_LOBE_K], p[P_LOBE_C], lobe_gap, lobe_closing)
    at_lobe = max(signed, 0.0)

    oil_gap = oil_closing = 0.0
    if hydraulic:
        height, height_speed = y[3] - y[0], y[n + 3] - y[n]
        oil_gap = y[2 * n] - height
        # Load above that of the supply's pressure; below it the check valve lets oil in, and the plunger can draw
        # no harder than a void under it would.
        oil = max(p[P_OIL_K] * oil_gap, -p[P_OIL_SUCTION])
        dy[2 * n] = -oil / (p[P_OIL_LEAK] if oil > 0.0 else p[P_OIL_REFILL])
        oil_closing = dy[2 * n] - height_speed
        # The retaining clip stops the plunger at the top of its travel, as stiffly as the oil would.
        stop = max(p[P_OIL_K] * (height - p[P_OIL_TRAVEL_UP]), 0.0)
        on_plunger = p[P_PLUNGER_LOAD] + oil - stop
        pushrod_gap, pushrod_closing = y[3] - cup, y[n + 3] - cup_slope * q_speed
        at_pushrod_n = max(_push(p[P_PUSHROD_K], p[P_PUSHROD_C], pushrod_gap, pushrod_closing), 0.0)
        dy[n] = (at_lobe - on_plunger - p[P_LIFTER_WEIGHT]) / p[P_MASS_LIFTER]
        dy[n + 3] = (on_plunger - at_pushrod_n) / p[P_MASS_PLUNGER]
    else:
        dy[2 * n] = 0.0
        pushrod_gap, pushrod_closing = y[0] - cup, y[n] - cup_slope * q_speed
        at_pushrod_n = max(_push(p[P_PUSHROD_K], p[P_PUSHROD_C], pushrod_gap, pushrod_closing), 0.0)
        dy[n] = (at_lobe - at_pushrod_n - p[P_LIFTER_WEIGHT]) / p[P_MASS_LIFTER]

    tip_gap, tip_closing = tip - y[2] - p[P_LASH], tip_slope * q_speed - y[n + 2]
    at_tip = max(_push(p[P_ROCKER_K], p[P_ROCKER_C], tip_gap, tip_closing), 0.0)
    seat_gap, seat_closing = p[P_SEAT_GIVE] - y[2], -y[n + 2]
    at_seat = max(_push(p[P_SEAT_K], p[P_SEAT_C], seat_gap, seat_closing), 0.0)
    dy[n + 1] = ((at_pushrod_n - p[P_ROCKER_WEIGHT]) * cup_slope - at_tip * tip_slope) / p[P_MASS_ROCKER]

    spring = p[P_SPRING_LOAD]
    first = bodies
    for s in range(springs.shape[0]):
        k, c_link, inverse = springs[s, S_K], springs[s, S_C], springs[s, S_INVERSE_MASS]
        # From the fixed end to the valve; `force` is the pull of the link behind the mass.
        force = k * y[first] + c_link * y[n + first]
        place_m, speed = y[first], y[n + first]
        for j in range(first, first + masses - 1):
            next_m, next_speed = y[j + 1], y[n + j + 1]
            ahead = k * (next_m - place_m) + c_link * (next_speed - speed)
            dy[n + j] = (ahead - force) * inverse
            force, place_m, speed = ahead, next_m, next_speed
        last = first + masses - 1
        ahead = k * (y[2] - y[last]) + c_link * (y[n + 2] - y[n + last])
        dy[n + last] = (ahead - force) * inverse
        spring += ahead
        first += masses
    held = at_tip + at_seat - spring
    if p[P_GAS] > 0.0:
        # Full when the valve opens, gone by the square over the blowdown; before that the seat bears it, so that how
        # it came about does not matter as long as nothing jumps.
        past = (theta - p[P_GAS_FROM]) / p[P_GAS_SPAN]
        if past < 0.0:
            held -= p[P_GAS] * max((theta + math.pi) / (p[P_GAS_FROM] + math.pi), 0.0)
        elif past < 1.0:
            held -= p[P_GAS] * (1.0 - past) * (1.0 - past)
    if p[P_FRICTION] > 0.0:
        held -= p[P_FRICTION] * y[n + 2] / math.sqrt(y[n + 2] * y[n + 2] + CREEP_M_PER_S * CREEP_M_PER_S)
    dy[n + 2] = held / p[P_MASS_VALVE]
    for j in range(n):
        dy[j] = y[n + j]
    f[F_LOBE], f[F_PUSHROD], f[F_TIP], f[F_SEAT], f[F_SPRING], f[F_SIGNED] = (
        at_lobe,
        at_pushrod_n,
        at_tip,
        at_seat,
        spring,
        signed,
    )
    f[6], f[7], f[8], f[9], f[10] = lobe_gap, pushrod_gap, tip_gap, seat_gap, oil_gap
    f[11], f[12], f[13], f[14], f[15] = lobe_closing, pushrod_closing, tip_closing, seat_closing, oil_closing


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz", "reassoc"})
def _crossing(g0: float, d0: float, g1: float, d1: float) -> float:
    """Where in (0, 1) the cubic with these end values and end slopes passes zero; the ends have opposite signs."""
    low, high = 0.0, 1.0
    for _ in range(31):
        x = 0.5 * (low + high)
        m = 1.0 - x
        g = g0 * m * m * (1.0 + 2.0 * x) + g1 * x * x * (3.0 - 2.0 * x) + x * m * (d0 * m - d1 * x)
        if (g > 0.0) == (g0 > 0.0):
            low = x
        else:
            high = x
    return 0.5 * (low + high)


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz", "reassoc"})
def _event(f0: Any, f1: Any, h: float) -> float:
    """Earliest share of the step at which a contact opens or closes; 2 when none does."""
    found = 2.0
    for g in range(6, 6 + GAPS):
        a, b = f0[g], f1[g]
        if (a > 0.0) != (b > 0.0):
            found = min(found, _crossing(a, h * f0[g + GAPS], b, h * f1[g + GAPS]))
    return found


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz", "reassoc"})
def _between(x: float, h: float, y0: Any, dy0: Any, y1: Any, dy1: Any, n: int, out: Any) -> None:
    """State within a step: quintic through position, speed and acceleration at both ends; its slope as speed."""
    x2, x3 = x * x, x * x * x
    x4, x5 = x3 * x, x3 * x2
    b0, b1, b2 = 1 - 10 * x3 + 15 * x4 - 6 * x5, x - 6 * x3 + 8 * x4 - 3 * x5, 0.5 * (x2 - 3 * x3 + 3 * x4 - x5)
    c0, c1, c2 = 10 * x3 - 15 * x4 + 6 * x5, -4 * x3 + 7 * x4 - 3 * x5, 0.5 * (x3 - 2 * x4 + x5)
    s0, s1 = -30 * x2 + 60 * x3 - 30 * x4, 1 - 18 * x2 + 32 * x3 - 15 * x4
    s2, t1, t2 = (
        0.5 * (2 * x - 9 * x2 + 12 * x3 - 5 * x4),
        -12 * x2 + 28 * x3 - 15 * x4,
        0.5 * (3 * x2 - 8 * x3 + 5 * x4),
    )
    for j in range(n):
        v0, v1, a0, a1 = h * dy0[j], h * dy1[j], h * h * dy0[n + j], h * h * dy1[n + j]
        out[j] = b0 * y0[j] + b1 * v0 + b2 * a0 + c0 * y1[j] + c1 * v1 + c2 * a1
        out[n + j] = (s0 * (y0[j] - y1[j]) + s1 * v0 + s2 * a0 + t1 * v1 + t2 * a1) / h
    m, d0, d1 = 2 * n, h * dy0[2 * n], h * dy1[2 * n]
    out[m] = y0[m] + x * d0 + x2 * (3 * (y1[m] - y0[m]) - 2 * d0 - d1) + x3 * (2 * (y0[m] - y1[m]) + d0 + d1)


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz", "reassoc"})
def _vertex(t0: float, f0: float, t1: float, f1: float, t2: float, f2: float) -> float:
    """Value at the turning point of the parabola through three points, the middle one being an extreme."""
    # Very uneven steps (one was cut at a contact) make a parabola that shoots far over its points.
    if not 1.0 / 3.0 < (t2 - t1) / (t1 - t0) < 3.0:
        return f1
    left, right = (f1 - f0) / (t1 - t0), (f2 - f1) / (t2 - t1)
    bend = (right - left) / (t2 - t0)
    if bend == 0.0:
        return f1
    slope = (left * (t2 - t1) + right * (t1 - t0)) / (t2 - t0)
    return f1 - slope * slope / (4.0 * bend)


# Over 80 lines: one step of an explicit pair with its events; its parts share most locals.
@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz", "reassoc"})
def march(
    state: Any,
    omega: float,
    cycles: int,
    tolerance: float,
    cut_at_contacts: bool,
    p: Any,
    springs: Any,
    masses: int,
    lobe: Any,
    lobe_begin: float,
    lobe_step: float,
    rows: Any,
    traces: Any,
) -> int:
    """March `state` through cycles of the cam, each from half a turn before the nose to half a turn after.

    state is changed in place. rows: (cycles, ROW_COUNT), filled. traces: (cycles, samples, TRACE_COUNT) at equal
    cam angles from -pi, filled; zero samples for none. Returns 0, or 1 when the step shrank to nothing.
    """
    size = state.size
    n = (size - 1) // 2
    bodies = 4 if p[P_HYDRAULIC] > 0.0 else 3
    middle = (masses + 1) // 2
    share = middle / (masses + 1.0)
    whole = 2.0 * math.pi / omega
    y, new = state, np.empty(size)
    k1, k2, k3, k4, k5, k6, k7 = (
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
    )
    f, f_new, f_any = np.zeros(F_COUNT), np.zeros(F_COUNT), np.zeros(F_COUNT)
    spot, spot_rates = np.zeros(size), np.zeros(size)
    before = np.empty(size)
    samples = traces.shape[1]
    longest = math.radians(1.0) / omega
    h = longest * 0.05
    rates(-math.pi, omega, y, k1, f, p, springs, masses, lobe, lobe_begin, lobe_step)
    for cycle in range(cycles):
        row = rows[cycle]
        row[:] = 0.0
        row[ROW_LEAST], row[ROW_LEAST_SPRING], row[ROW_LEAST_OIL] = math.inf, math.inf, math.inf
        row[ROW_LOSS_ANGLE], row[ROW_SEATING], row[ROW_SEATING_ANGLE] = math.nan, math.nan, math.nan
        row[ROW_LEAST_ANGLE], row[ROW_PEAK_ANGLE] = math.nan, math.nan
        before[:] = y
        t = 0.0
        watched = passed = closed = False
        sample = 0
        # Last three points of the signed force, for its turning points.
        t0 = t1 = g0 = g1 = 0.0
        seen = 0
        while t < whole * (1.0 - 1e-13):
            h = min(h, longest)
            to_end = whole - t
            last = h >= to_end * (1.0 - 1e-9)
            step = to_end if last else h
            theta = -math.pi + omega * t
            turn = omega * step
            for j in range(size):
                new[j] = y[j] + step * 0.2 * k1[j]
            rates(theta + 0.2 * turn, omega, new, k2, f_any, p, springs, masses, lobe, lobe_begin, lobe_step)
            for j in range(size):
                new[j] = y[j] + step * (3.0 / 40.0 * k1[j] + 9.0 / 40.0 * k2[j])
            rates(theta + 0.3 * turn, omega, new, k3, f_any, p, springs, masses, lobe, lobe_begin, lobe_step)
            for j in range(size):
                new[j] = y[j] + step * (44.0 / 45.0 * k1[j] - 56.0 / 15.0 * k2[j] + 32.0 / 9.0 * k3[j])
            rates(theta + 0.8 * turn, omega, new, k4, f_any, p, springs, masses, lobe, lobe_begin, lobe_step)
            for j in range(size):
                new[j] = y[j] + step * (
                    19372.0 / 6561.0 * k1[j]
                    - 25360.0 / 2187.0 * k2[j]
                    + 64448.0 / 6561.0 * k3[j]
                    - 212.0 / 729.0 * k4[j]
                )
            rates(theta + 8.0 / 9.0 * turn, omega, new, k5, f_any, p, springs, masses, lobe, lobe_begin, lobe_step)
            for j in range(size):
                new[j] = y[j] + step * (
                    9017.0 / 3168.0 * k1[j]
                    - 355.0 / 33.0 * k2[j]
                    + 46732.0 / 5247.0 * k3[j]
                    + 49.0 / 176.0 * k4[j]
                    - 5103.0 / 18656.0 * k5[j]
                )
            rates(theta + turn, omega, new, k6, f_any, p, springs, masses, lobe, lobe_begin, lobe_step)
            for j in range(size):
                new[j] = y[j] + step * (
                    35.0 / 384.0 * k1[j]
                    + 500.0 / 1113.0 * k3[j]
                    + 125.0 / 192.0 * k4[j]
                    - 2187.0 / 6784.0 * k5[j]
                    + 11.0 / 84.0 * k6[j]
                )
            rates(theta + turn, omega, new, k7, f_new, p, springs, masses, lobe, lobe_begin, lobe_step)
            worst = 0.0
            for j in range(size):
                miss = abs(
                    step
                    * (
                        71.0 / 57600.0 * k1[j]
                        - 71.0 / 16695.0 * k3[j]
                        + 71.0 / 1920.0 * k4[j]
                        - 17253.0 / 339200.0 * k5[j]
                        + 22.0 / 525.0 * k6[j]
                        - 1.0 / 40.0 * k7[j]
                    )
                )
                scale = _SPEED_M_PER_S if n <= j < 2 * n else _TRAVEL_M
                worst = max(worst, miss / scale)
            worst /= tolerance
            if not worst < 1e12:  # also when it is not a number
                worst = 1e12
            factor = min(5.0, max(0.2, 0.9 * worst**-0.2)) if worst > 0.0 else 5.0
            at = _event(f, f_new, step) if cut_at_contacts else 2.0
            if 0.02 < at < 0.98 and (worst <= 1.0 or at > factor):
                h = at * step
                row[ROW_REJECTED] += 1.0
                if h > whole * 1e-12:
                    continue
            elif worst > 1.0:
                h = step * factor
                row[ROW_REJECTED] += 1.0
                if h < whole * 1e-12:
                    return 1
                continue
            h_next = step * factor
            row[ROW_STEPS] += 1.0

            # -- samples of the trace within the step
            while sample < samples and sample * whole / samples <= t + step:
                x = (sample * whole / samples - t) / step
                _between(x, step, y, k1, new, k7, n, spot)
                rates(theta + x * turn, omega, spot, spot_rates, f_any, p, springs, masses, lobe, lobe_begin, lobe_step)
                out = traces[cycle, sample]
                out[TRACE_LOBE], out[TRACE_SIGNED], out[TRACE_PUSHROD] = (
                    f_any[F_LOBE],
                    f_any[F_SIGNED],
                    f_any[F_PUSHROD],
                )
                out[TRACE_TIP], out[TRACE_SEAT], out[TRACE_SPRING] = f_any[F_TIP], f_any[F_SEAT], f_any[F_SPRING]
                out[TRACE_LIFT], out[TRACE_SPEED], out[TRACE_COLUMN] = spot[2], spot[n + 2], spot[2 * n]
                sample += 1

            # -- what happened in the step
            t_new = t + step
            angle = theta + turn
            signed, seat_gap = f_new[F_SIGNED], f_new[9]
            is_open = new[2] > p[P_SEAT_GIVE] + p[P_WATCH]
            if angle < 0.0:
                if not is_open:
                    watched = False
                elif not watched:
                    watched, seen = True, 0
                    row[ROW_LEAST], row[ROW_PEAK], row[ROW_LOFT_TIME], row[ROW_GAP] = math.inf, 0.0, 0.0, 0.0
                    row[ROW_LOSS_ANGLE], row[ROW_LANDING], row[ROW_LEAST_OIL] = math.nan, 0.0, math.inf
                    # Force rises fast as the valve opens: begin with its value where it does, within the step.
                    opened = p[P_SEAT_GIVE] + p[P_WATCH]
                    if y[2] < opened:
                        x = (opened - y[2]) / (new[2] - y[2])
                        row[ROW_LEAST] = f[F_SIGNED] + x * (signed - f[F_SIGNED])
                        row[ROW_LEAST_ANGLE] = theta + x * turn
            elif watched and not is_open:
                passed = True
            if angle >= 0.0 and watched and not closed and seat_gap > 0.0:
                closed = True
                # The seat was met within this step or at the very end of the one before.
                x = _crossing(f[9], step * f[14], seat_gap, step * f_new[14]) if f[9] <= 0.0 else 0.0
                row[ROW_SEATING] = f[14] + x * (f_new[14] - f[14])
                row[ROW_SEATING_ANGLE] = theta + x * turn
            if watched and not passed:
                if signed < row[ROW_LEAST]:
                    row[ROW_LEAST], row[ROW_LEAST_ANGLE] = signed, angle
                if signed > row[ROW_PEAK]:
                    row[ROW_PEAK], row[ROW_PEAK_ANGLE] = signed, angle
                if seen >= 2:
                    if g1 < g0 and g1 <= signed:
                        row[ROW_LEAST] = min(row[ROW_LEAST], _vertex(t0, g0, t1, g1, t_new, signed))
                    elif g1 > g0 and g1 >= signed:
                        row[ROW_PEAK] = max(row[ROW_PEAK], _vertex(t0, g0, t1, g1, t_new, signed))
                if p[P_OIL_K] * f_new[10] < row[ROW_LEAST_OIL]:
                    row[ROW_LEAST_OIL], row[ROW_LEAST_OIL_ANGLE] = p[P_OIL_K] * f_new[10], angle
                if signed <= 0.0:
                    if math.isnan(row[ROW_LOSS_ANGLE]):
                        row[ROW_LOSS_ANGLE] = angle
                    if seen >= 1 and g1 > 0.0:
                        row[ROW_LOFT_TIME] += step * signed / (signed - g1)
                    else:
                        row[ROW_LOFT_TIME] += step
                    row[ROW_GAP] = max(row[ROW_GAP], -f_new[6])
                elif seen >= 1 and g1 <= 0.0:
                    row[ROW_LOFT_TIME] += step * g1 / (g1 - signed)
                if not math.isnan(row[ROW_LOSS_ANGLE]):
                    row[ROW_LANDING] = max(row[ROW_LANDING], signed)
                t0, g0, t1, g1 = t1, g1, t_new, signed
                seen += 1
            if closed:
                row[ROW_BOUNCE] = max(row[ROW_BOUNCE], new[2] - p[P_SEAT_GIVE])
            row[ROW_LEAST_SPRING] = min(row[ROW_LEAST_SPRING], f_new[F_SPRING])
            if springs.shape[0] > 0:
                away = abs(new[bodies + middle - 1] - share * new[2])
                row[ROW_SURGE_OUTER] = max(row[ROW_SURGE_OUTER], away)
            if springs.shape[0] > 1:
                away = abs(new[bodies + masses + middle - 1] - share * new[2])
                row[ROW_SURGE_INNER] = max(row[ROW_SURGE_INNER], away)

            for j in range(size):
                y[j] = new[j]
                k1[j] = k7[j]
            for j in range(F_COUNT):
                f[j] = f_new[j]
            t = whole if last else t_new
            h = h_next
        # A new turn begins where this one ended; the oil column may not have returned.
        residual = 0.0
        for j in range(n):
            residual = max(residual, abs(y[j] - before[j]))
        row[ROW_RESIDUAL], row[ROW_COLUMN] = residual, y[2 * n]
        if not watched:
            row[ROW_LEAST] = math.nan
        rates(-math.pi, omega, y, k1, f, p, springs, masses, lobe, lobe_begin, lobe_step)
    return 0
