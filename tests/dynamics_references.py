"""The recipe of tests/references/dynamics.npz: six valvetrains integrated by scipy's Radau at rtol 1e-9.

    python tests/dynamics_references.py            make them all anew (about 20 minutes on one core)

The right-hand side below is written from the equations on its own, in numpy; it shares no code with the library's
march, and the lobe goes through scipy's BPoly. It runs as it is or compiled by numba (`compiled`), to save time. Two
things are taken from the library: the parts (`Train`), and the lobes of the shipped builds, which are stored with
the results so that later changes of the lobe solver do not touch them.
"""

from __future__ import annotations

import dataclasses
import json
import math
import sys
import time
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from scipy.integrate import solve_ivp
from scipy.interpolate import BPoly, PPoly
from scipy.optimize import brentq

from lobeledger.lobe.lift import Lobe
from lobeledger.train.elastic import OilColumn, RockerArms, Train, ValveSpring, rest_state, spring_first_surge_hz
from lobeledger.train.motion import first_loss

FILE = Path(__file__).parent / "references" / "dynamics.npz"
SAMPLES = 720
FADE_N = 2.0
CREEP_M_PER_S = 0.05  # valve speed over which dry friction turns round
FINE = 16  # samples of the reference per stored sample, for least, peak and loft


def right_hand_side(
    t, y, omega, lobe, lobe_begin, lobe_step, m, k, c, geometry, extra, oil, chain_k, chain_c, chain_m, outside
):
    """d(state)/dt of lifter, rocker, valve, (plunger,) spring masses and oil column.

    m: masses. k, c: of lobe, pushrod, rocker tip, seat. geometry: ratio, arms a and b, angles u0 and v0 (a = 0 for a
    constant ratio). extra: lash, seat give, weights on lifter and rocker, seat load. oil: stiffness, plunger load,
    suction, leak, refill, travel (empty for a solid lifter). chain_*: of each spring, per link or mass. outside: gas
    on the valve, cam angle from which it goes, over which span; dry friction of the stem.
    """
    n = (y.size - 1) // 2
    x, v = y[:n], y[n : 2 * n]
    acceleration = np.zeros(n)
    place = (-math.pi + omega * t - lobe_begin) / lobe_step
    s = s_dot = 0.0
    if 0.0 <= place < lobe.shape[1]:
        i = int(place)
        # Powers of the angle from the left node, highest first (PPoly's order).
        u = (place - i) * lobe_step
        for power in range(6):
            s_dot = s_dot * u + s
            s = s * u + lobe[power, i]
        s_dot *= omega

    def push(j, overlap, closing):
        if overlap <= 0.0:
            return 0.0
        return max(k[j] * overlap + c[j] * min(1.0, k[j] * overlap / FADE_N) * closing, 0.0)

    ratio, a, b, u0, v0 = geometry
    if a > 0.0:
        turn = x[1] / a
        cup, cup_gain = a * (math.sin(turn + u0) - math.sin(u0)), math.cos(turn + u0)
        tip, tip_gain = b * (math.sin(turn + v0) - math.sin(v0)), b / a * math.cos(turn + v0)
    else:
        cup, cup_gain, tip, tip_gain = x[1], 1.0, ratio * x[1], ratio
    lash, seat_give, lifter_weight, rocker_weight, seat_load = extra
    at_lobe = push(0, s - x[0], s_dot - v[0])
    at_tip = push(2, tip - x[2] - lash, tip_gain * v[1] - v[2])
    at_seat = push(3, seat_give - x[2], -v[2])
    column_speed = 0.0
    bodies = 3
    if oil.size:
        bodies = 4
        stiffness, plunger_load, suction, leak, refill, travel = oil
        load = max(stiffness * (y[2 * n] - (x[3] - x[0])), -suction)
        column_speed = -load / leak if load > 0.0 else -load / refill
        lifts = plunger_load + load - max(stiffness * (x[3] - x[0] - travel), 0.0)
        at_cup = push(1, x[3] - cup, v[3] - cup_gain * v[1])
        acceleration[3] = (lifts - at_cup) / m[3]
    else:
        at_cup = lifts = push(1, x[0] - cup, v[0] - cup_gain * v[1])
    acceleration[0] = (at_lobe - lifts - lifter_weight) / m[0]
    acceleration[1] = ((at_cup - rocker_weight) * cup_gain - at_tip * tip_gain) / m[1]
    springs = seat_load
    masses = (n - bodies) // chain_k.size
    for j in range(chain_k.size):
        begin = bodies + j * masses
        place_m = np.concatenate((np.zeros(1), x[begin : begin + masses], x[2:3]))
        speed = np.concatenate((np.zeros(1), v[begin : begin + masses], v[2:3]))
        pull = chain_k[j] * np.diff(place_m) + chain_c[j] * np.diff(speed)
        acceleration[begin : begin + masses] = np.diff(pull) / chain_m[j]
        springs += pull[-1]
    gas, begins, span, friction = outside
    since = (-math.pi + omega * t - begins) / span
    if since < 0.0:
        gas *= max(1.0 + since * span / (begins + math.pi), 0.0)
    else:
        gas *= max(1.0 - since, 0.0) ** 2
    friction *= v[2] / math.hypot(v[2], CREEP_M_PER_S)
    acceleration[2] = (at_tip + at_seat - springs - gas - friction) / m[2]
    return np.concatenate((v, acceleration, np.array([column_speed])))


class Numbers(NamedTuple):
    """A train and a lobe as arguments of the right-hand side, after omega."""

    lobe: Any
    lobe_begin: float
    lobe_step: float
    m: Any
    k: Any
    c: Any
    geometry: Any
    extra: Any
    oil: Any
    chain_k: Any
    chain_c: Any
    chain_m: Any
    outside: Any


def numbers(train: Train, lobe: Lobe) -> Numbers:
    """Arguments from parts, computed here and not by the library."""
    theta = lobe.theta_cam_rad
    poly = BPoly.from_derivatives(
        theta, np.column_stack([lobe.lift_m, lobe.velocity_m_per_rad, lobe.acceleration_m_per_rad2])
    )
    powers = PPoly.from_bernstein_basis(poly).c
    links = train.spring_masses + 1
    valve = train.valve_kg + sum(s.end_coil_kg + s.active_mass_kg / links / 2 for s in train.springs)
    k = np.array([
        train.lobe_stiffness_n_per_m, train.pushrod_stiffness_n_per_m, train.rocker_stiffness_n_per_m,
        train.seat_stiffness_n_per_m,
    ])  # fmt: skip
    c = k * train.structural_damping_s
    c[0] = 2 * train.lobe_damping_ratio * math.sqrt(k[0] * train.lifter_kg)
    c[3] = 2 * train.seat_damping_ratio * math.sqrt(k[3] * valve)
    o, a = train.oil, train.arms
    seat_load = sum(s.seat_load_n for s in train.springs)
    oil = np.zeros(0)
    if o:
        area = o.plunger_area_m2
        oil = np.array([
            o.stiffness_n_per_m, o.plunger_spring_n + o.supply_pa * area, (o.supply_pa + 101325.0) * area,
            o.leak_n_s_per_m, o.refill_n_s_per_m, o.travel_up_m,
        ])  # fmt: skip
    chain_k = np.array([links * s.rate_n_per_m for s in train.springs])
    return Numbers(
        np.ascontiguousarray(powers), float(theta[0]), float((theta[-1] - theta[0]) / (theta.size - 1)),
        np.array([train.lifter_kg, train.rocker_kg, valve, o.plunger_kg if o else 0.0]), k, c,
        np.array([train.ratio, *(dataclasses.astuple(a) if a else (0.0, 0.0, 0.0, 0.0))]),
        np.array([train.lash_m, seat_load / k[3], train.lifter_weight_n, train.rocker_weight_n, seat_load]),
        oil, chain_k,
        np.array([
            s.damping_ratio / (math.pi * spring_first_surge_hz(s, train.spring_masses)) * kk
            for s, kk in zip(train.springs, chain_k, strict=True)
        ]),
        np.array([s.active_mass_kg / links for s in train.springs]),
        np.array([train.gas_n, opens_rad(train, lobe), train.gas_span_cam_rad, train.stem_friction_n]),
    )  # fmt: skip


def opens_rad(train: Train, lobe: Lobe) -> float:
    """Cam angle at which the lobe has taken up lash and static give, by root on the quintics; -2 rad without gas."""
    if train.gas_n == 0.0:
        return -2.0
    force = train.seat_load_n
    give = force / train.rocker_stiffness_n_per_m  # at the valve
    give += train.ratio**2 * force * (1 / train.pushrod_stiffness_n_per_m + 1 / train.lobe_stiffness_n_per_m)
    lift = BPoly.from_derivatives(
        lobe.theta_cam_rad, np.column_stack([lobe.lift_m, lobe.velocity_m_per_rad, lobe.acceleration_m_per_rad2])
    )
    return float(brentq(lambda a: train.ratio * lift(a) - train.lash_m - give, lobe.theta_cam_rad[0], 0.0))


compiled = njit(right_hand_side)


class Cycle(NamedTuple):
    """One cycle of the reference on FINE * SAMPLES angles, and where it ended."""

    theta: Any
    contact: Any
    signed: Any
    column: Any
    lift: Any
    state: Any
    steps: int


def cycle(train: Train, lobe: Lobe, crank_rpm: float, state: Any, *, rtol: float = 1e-9) -> Cycle:
    """Integrate one turn of the cam from half a turn before the nose."""
    omega, args = crank_rpm * math.pi / 60.0, numbers(train, lobe)
    whole = 2.0 * math.pi / omega
    count = FINE * SAMPLES
    at = np.linspace(0.0, whole, count + 1)
    n = (state.size - 1) // 2
    atol = np.concatenate([np.full(n, 1e-12), np.full(n, 1e-8), [1e-12]])
    found = solve_ivp(
        lambda t, y: compiled(t, y, omega, *args), (0.0, whole), state, method="Radau", rtol=rtol, atol=atol, t_eval=at,
        max_step=whole / 360,
    )  # fmt: skip
    assert found.success, found.message
    y = found.y
    lift = BPoly.from_derivatives(
        lobe.theta_cam_rad, np.column_stack([lobe.lift_m, lobe.velocity_m_per_rad, lobe.acceleration_m_per_rad2])
    )
    theta = -math.pi + omega * at
    on = (theta >= lobe.theta_cam_rad[0]) & (theta <= lobe.theta_cam_rad[-1])
    inside = np.where(on, theta, lobe.theta_cam_rad[0])
    s = np.where(on, lift(inside), 0.0)
    s_dot = np.where(on, lift.derivative()(inside), 0.0) * omega
    k, c = args.k[0], args.c[0]
    overlap, closing = s - y[0], s_dot - y[n]
    signed = k * overlap + np.where(overlap > 0, c * np.clip(k * overlap / FADE_N, 0, 1) * closing, 0.0)
    column = args.oil[0] * (y[2 * n] - (y[3] - y[0])) if args.oil.size else np.zeros(count + 1)
    return Cycle(theta, np.maximum(signed, 0.0), signed, column, y[2], y[:, -1].copy(), found.nfev)


class FirstEvent(NamedTuple):
    """The first loss of a cycle: cam angles where the lifter leaves and lands, greatest gap between; and the greatest
    gap up to where the valve meets its seat."""

    leaves_rad: float
    lands_rad: float
    gap_m: float
    greatest_gap_m: float


def first_event(train: Train, lobe: Lobe, crank_rpm: float, *, rtol: float = 1e-10) -> FirstEvent:
    """From rest to the first landing after the valve has opened, and on to its seat: DOP853, anew at each contact.

    Each contact that opens or closes is a root of scipy's own event finder, so that no step spans a kink; nothing of
    the library's march is used. Solid lifters only.
    """
    omega, args = crank_rpm * math.pi / 60.0, numbers(train, lobe)
    lift = BPoly.from_derivatives(
        lobe.theta_cam_rad, np.column_stack([lobe.lift_m, lobe.velocity_m_per_rad, lobe.acceleration_m_per_rad2])
    )
    first, last = lobe.theta_cam_rad[0], lobe.theta_cam_rad[-1]
    seat_give = train.seat_load_n / train.seat_stiffness_n_per_m

    def at_lobe(t: float, y: Any) -> float:
        theta = -math.pi + omega * t
        return (float(lift(theta)) if first <= theta <= last else 0.0) - y[0]

    contacts = [
        at_lobe,
        lambda t, y: y[0] - y[1],
        lambda t, y: train.ratio * y[1] - y[2] - train.lash_m,
        lambda t, y: seat_give - y[2],
    ]
    for each in contacts[1:]:
        each.terminal = True
    at_lobe.terminal = True
    state = rest_state(train)
    n = (state.size - 1) // 2
    atol = np.concatenate([np.full(n, 1e-13), np.full(n, 1e-9), [1e-13]])
    t, end, left, landed, gap, greatest = 0.0, 2.0 * math.pi / omega, math.nan, math.nan, 0.0, 0.0
    while t < end:
        found = solve_ivp(
            lambda t, y: compiled(t, y, omega, *args), (t, end), state, method="DOP853", rtol=rtol, atol=atol,
            events=contacts, max_step=end / 720, dense_output=True,
        )  # fmt: skip
        assert found.success, found.message
        t, state = float(found.t[-1]), found.y[:, -1]
        if math.isfinite(left):
            at = np.linspace(found.t[0], t, 200)
            greatest = max(greatest, *(-at_lobe(one, found.sol(one)) for one in at))
            gap = greatest if math.isnan(landed) else gap
        theta = -math.pi + omega * t
        if found.status == 0 or (theta > 0.0 and found.t_events[3].size):
            break
        if found.t_events[0].size and state[2] > seat_give:
            if math.isnan(left):
                left = theta
            elif math.isnan(landed):
                landed = theta
        # A hair past the contact, or the root is found again.
        nudge = 1e-10
        state = state + nudge * compiled(t, state, omega, *args)
        t += nudge
    return FirstEvent(left, landed, gap, greatest)


def window(run: Cycle, give: float) -> Any:
    """Samples off the seat in the stretch that holds the nose."""
    is_open = run.lift > give
    nose = np.searchsorted(run.theta, 0.0)
    if not is_open[nose]:
        return np.zeros_like(is_open)
    before, after = np.flatnonzero(~is_open[:nose]), np.flatnonzero(~is_open[nose:])
    mask = np.zeros_like(is_open)
    mask[(before[-1] + 1 if before.size else 0) : (nose + after[0] if after.size else None)] = True
    return mask


def events(run: Cycle, train: Train, crank_rpm: float) -> dict[str, float]:
    """Least, peak, loft time, gap and bounce of one cycle, from its fine samples."""
    give = train.seat_load_n / train.seat_stiffness_n_per_m
    mask = window(run, give)
    signed = run.signed[mask]
    step_s = 120.0 / crank_rpm / (FINE * SAMPLES)
    closed = np.flatnonzero(mask)[-1] + 1
    bounce = run.lift[closed:].max() - give if closed < run.lift.size else 0.0
    return {
        "least_n": float(signed.min()),
        "column_n": float(run.column[mask].min()),
        "peak_n": float(signed.max()),
        "loft_s": float((signed <= 0).sum() * step_s),
        "gap_m": float(max(-signed.min() / train.lobe_stiffness_n_per_m, 0.0)),
        "bounce_m": float(max(bounce, 0.0)),
    }


def root(train: Train, lobe: Lobe, near_rpm: float, judge: str, cycles: int) -> float:
    """The reference's own first loss near a speed, to 1 rpm."""

    def held(crank_rpm: float) -> float:
        state = rest_state(train)
        for _ in range(cycles):
            run = cycle(train, lobe, crank_rpm, state)
            state = run.state
        found = events(run, train, crank_rpm)
        return found["column_n" if judge == "column" else "least_n"]

    low, high = near_rpm - 8.0, near_rpm + 8.0
    f_low, f_high = held(low), held(high)
    while f_low <= 0.0:
        low -= 40.0
        f_low = held(low)
    while f_high > 0.0:
        high += 40.0
        f_high = held(high)
    return float(brentq(held, low, high, xtol=1.0))


# ------------------------------------------------------------------------------------------------- the six cases


def from_build(name: str, candidate: str) -> tuple[Train, Lobe]:
    """Intake train and nominal lobe of a shipped build."""
    from lobeledger import read_build
    from lobeledger.assess.candidate import assess
    from lobeledger.train.of_candidate import train_of

    build = read_build(Path(__file__).parents[1] / "data" / "builds" / f"{name}.toml")
    chosen = next(c for c in build.candidates if c.id == candidate)
    found = assess(build, chosen)
    assert found.intake is not None
    return train_of(chosen, "intake", build.model, build.engine.exhaust_valve_m), found.intake.nominal


def cycloidal_lobe(lift_m: float = 0.0085, half_rad: float = math.radians(75.0), nodes: int = 601) -> Lobe:
    """Rise and return by the cycloidal curve, no ramps: h (x - sin(2 pi x)/(2 pi)) either side of the nose."""
    theta = np.linspace(-half_rad, half_rad, nodes)
    x = 1.0 - np.abs(theta) / half_rad
    wave = 2.0 * math.pi * x
    return Lobe(
        theta,
        lift_m * (x - np.sin(wave) / (2.0 * math.pi)),
        -np.sign(theta) * lift_m / half_rad * (1.0 - np.cos(wave)),
        lift_m / half_rad**2 * 2.0 * math.pi * np.sin(wave),
    )


def cases() -> dict[str, tuple[Train, Lobe]]:
    """Four from the shipped builds, one whose rocker turns through its ratio, one with a very stiff lobe contact."""
    flat, lobe = from_build("budget-cruiser", "s-flat")
    arms = RockerArms(pushrod_arm_m=0.024, valve_arm_m=0.036, pushrod_angle_rad=-0.20, valve_angle_rad=-0.24)
    spring = ValveSpring(
        seat_load_n=620.0, rate_n_per_m=6.5e4, active_mass_kg=0.070, end_coil_kg=0.012, damping_ratio=0.02
    )
    stiff = dataclasses.replace(
        flat,
        springs=(spring,),
        lobe_stiffness_n_per_m=1.0e9,
        seat_stiffness_n_per_m=3.0e8,
        lash_m=2.0e-4,
        spring_masses=8,
    )
    return {
        "hydraulic flat": from_build("budget-cruiser", "h-flat"),
        "solid flat": from_build("weekend-racer", "s-flat"),
        "hydraulic roller": from_build("towing-engine", "h-roller"),
        "solid roller": from_build("weekend-racer", "s-roller"),
        "turning rocker": (dataclasses.replace(flat, arms=arms, ratio=arms.ratio), lobe),
        "stiff contact": (stiff, cycloidal_lobe()),
    }


def train_from_text(text: str) -> Train:
    """A train as it was stored."""
    raw = json.loads(text)
    raw["springs"] = tuple(ValveSpring(**s) for s in raw["springs"])
    raw["oil"] = OilColumn(**raw["oil"]) if raw["oil"] else None
    raw["arms"] = RockerArms(**raw["arms"]) if raw["arms"] else None
    return Train(**raw)


def load() -> dict[str, dict[str, Any]]:
    """The frozen references by case: train, lobe, speeds, traces, figures."""
    with np.load(FILE) as kept:
        out: dict[str, dict[str, Any]] = {}
        for name in json.loads(str(kept["names"])):
            info = json.loads(str(kept[f"{name}/info"]))
            begin, step = info.pop("lobe_begin_rad"), info.pop("lobe_step_rad")
            s, v, a = kept[f"{name}/lobe"]
            lobe = Lobe(begin + step * np.arange(s.size), s, v, a)
            train = train_from_text(json.dumps(info.pop("train")))
            out[name] = {**info, "train": train, "lobe": lobe, "contact_n": kept[f"{name}/contact"].astype(float)}
    return out


def make(chosen: list[str]) -> None:
    """Integrate the cases and freeze them; those not chosen are kept as they are."""
    arrays: dict[str, Any] = {}
    if FILE.exists():
        with np.load(FILE) as kept:
            arrays = {key: kept[key] for key in kept.files}
    every = cases()
    for name in chosen or list(every):
        train, lobe = every[name]
        begun = time.perf_counter()
        judge = "column" if train.oil else "lobe"
        ours = first_loss(train, lobe, low_rpm=1500.0, high_rpm=12000.0, cycles=2, tolerance=1e-9, judge=judge)
        assert ours is not None
        loss = root(train, lobe, ours.crank_rpm, judge, 2)
        below, above = round(0.85 * loss, -1), round(1.06 * loss, -1)
        if train.oil:  # well above, where the lifter itself leaves the lobe
            lobe_loss = first_loss(train, lobe, low_rpm=below, high_rpm=12000.0, cycles=1, judge="lobe")
            assert lobe_loss is not None
            above = round(1.12 * lobe_loss.crank_rpm, -1)
        state = rest_state(train)
        traces = []
        for _ in range(2):
            run = cycle(train, lobe, below, state)
            traces.append(run.contact[:-1:FINE])
            state = run.state
        low = events(run, train, below)
        high = events(cycle(train, lobe, above, rest_state(train)), train, above)
        info = {
            "train": dataclasses.asdict(train), "lobe_begin_rad": float(lobe.theta_cam_rad[0]),
            "lobe_step_rad": float(lobe.theta_cam_rad[1] - lobe.theta_cam_rad[0]), "judge": judge,
            "first_loss_rpm": loss, "below_rpm": below, "above_rpm": above, "below": low, "above": high,
        }  # fmt: skip
        arrays[f"{name}/info"] = np.array(json.dumps(info))
        arrays[f"{name}/lobe"] = np.array([lobe.lift_m, lobe.velocity_m_per_rad, lobe.acceleration_m_per_rad2])
        arrays[f"{name}/contact"] = np.array(traces).astype(np.float32)
        arrays["names"] = np.array(json.dumps([n for n in every if f"{n}/info" in arrays]))
        FILE.parent.mkdir(exist_ok=True)
        np.savez_compressed(FILE, **arrays)
        print(f"{name}: library {ours.crank_rpm:.1f}, reference {loss:.1f} rpm; {below:.0f} {low}; {above:.0f} {high}; "
              f"{time.perf_counter() - begun:.0f} s", flush=True)  # fmt: skip


if __name__ == "__main__":
    make(sys.argv[1:])
