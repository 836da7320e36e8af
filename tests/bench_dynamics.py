"""Speed of the march at equal error against scipy's integrators, and of a sweep. Run it by name:

    python tests/bench_dynamics.py

One cycle of a solid roller train below its first loss, error measured on the contact force off the seat against Radau
at rtol 1e-11. Every integrator is loosened or tightened in steps until its error is just below 0.2 % of the peak. The
right-hand side is the same physics in all: the library's own, compiled by numba and called by scipy; and the plain
numpy one of dynamics_references.py, called by scipy. Everything on one thread, in one process.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.stats import beta

import dynamics_references as references
from lobeledger import read_build
from lobeledger.assess.lobes import candidate_lobe, follower_limits, ramp_of, ramp_room_m
from lobeledger.lobe.family import UNIFORMS, family_from_card, lobe_draws
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.train import motion
from lobeledger.train import solver as core
from lobeledger.train.control import allowed_by, control_at
from lobeledger.train.elastic import lobe_quintics, packed, rest_state
from lobeledger.train.motion import first_loss, run, sweep
from lobeledger.train.of_candidate import inputs_of, limit_band, moved, train_of

GOAL = 2.0e-3


def best_of(count: int, action: Callable[[], object]) -> float:
    """Least time of a few (s)."""
    times = []
    for _ in range(count):
        begun = time.perf_counter()
        action()
        times.append(time.perf_counter() - begun)
    return min(times)


def main() -> None:
    kept = references.load()["solid roller"]
    train, lobe, rpm = kept["train"], kept["lobe"], kept["below_rpm"]
    omega = rpm * math.pi / 60.0
    whole, samples = 2.0 * math.pi / omega, references.SAMPLES
    state = rest_state(train)
    truth = references.cycle(train, lobe, rpm, state, rtol=1e-11)
    contact = truth.contact[: -1 : references.FINE]
    open_ = truth.lift[: -1 : references.FINE] > 2.0 * train.seat_load_n / train.seat_stiffness_n_per_m
    lift_at = np.linspace(0.0, whole, samples + 1)

    p, springs = packed(train)
    quintics, begin, step = lobe_quintics(lobe)
    n = (state.size - 1) // 2

    def miss(force: np.ndarray) -> float:
        return float(np.abs(force - contact)[open_].max() / contact.max())

    def ours(tolerance: float) -> np.ndarray:
        return run(train, lobe, rpm, cycles=1, samples=samples, tolerance=tolerance).contact_n[0]

    dy, f = np.empty(state.size), np.empty(core.F_COUNT)

    def numba_rates(t: float, y: np.ndarray) -> np.ndarray:
        core.rates(-math.pi + omega * t, omega, y, dy, f, p, springs, train.spring_masses, quintics, begin, step)
        return dy.copy()

    args = references.numbers(train, lobe)

    def numpy_rates(t: float, y: np.ndarray) -> np.ndarray:
        return references.right_hand_side(t, y, omega, *args)

    atol = np.concatenate([np.full(n, 1e-2), np.full(n, 1e2), [1e-2]])

    def by_scipy(rates: Callable[[float, np.ndarray], np.ndarray], method: str) -> Callable[[float], np.ndarray]:
        def solve(tolerance: float) -> np.ndarray:
            found = solve_ivp(
                rates, (0.0, whole), state, method=method, rtol=1e-13 if method == "RK45" else max(tolerance, 1e-12),
                atol=atol * tolerance, t_eval=lift_at[:-1], max_step=whole / 360,
            )  # fmt: skip
            force = np.empty(samples)
            for i in range(samples):
                core.rates(
                    -math.pi + omega * lift_at[i], omega, np.ascontiguousarray(found.y[:, i]), dy, f, p, springs,
                    train.spring_masses, quintics, begin, step,
                )  # fmt: skip
                force[i] = f[core.F_LOBE]
            return force

        return solve

    ours(1e-6)  # compile before timing

    def timed(label: str, solve: Callable[[float], np.ndarray], tolerances: list[float], repeats: int) -> float:
        for tolerance in tolerances:
            error = miss(solve(tolerance))
            if error < GOAL:
                took = best_of(repeats, lambda tolerance=tolerance: solve(tolerance))
                print(f"{label:58s} tolerance {tolerance:.0e}  error {error:.1e} of peak  {took * 1e3:10.2f} ms")
                return took
        raise SystemExit(f"{label}: no tolerance reached {GOAL:.0e}")

    print(f"one cycle at {rpm:.0f} rpm, {state.size} states, contact force within {GOAL:.1%} of its peak off the seat")
    ladder = [10.0**-e for e in (5, 5.5, 6, 6.5, 7, 7.5, 8, 8.5, 9)]
    here = timed("this march", ours, ladder, 20)
    for method in ("RK45", "LSODA", "Radau"):
        there = timed(f"scipy {method}, right-hand side compiled by numba", by_scipy(numba_rates, method), ladder, 3)
        print(f"    {there / here:8.0f} times this march")
    for method in ("RK45", "Radau"):
        there = timed(f"scipy {method}, right-hand side in plain numpy", by_scipy(numpy_rates, method), ladder, 1)
        print(f"    {there / here:8.0f} times this march")

    speeds = np.linspace(1500.0, 8000.0, 40)
    for name, case in references.load().items():
        t = best_of(3, lambda case=case: sweep(case["train"], case["lobe"], speeds, cycles=3))
        half = best_of(3, lambda case=case: sweep(case["train"], case["lobe"], speeds[::2], cycles=3))
        loss = best_of(1, lambda case=case: first_loss(case["train"], case["lobe"], low_rpm=1500.0, high_rpm=12000.0))
        print(f"{name:18s} sweep of 40 speeds x 3 cycles {t * 1e3:6.0f} ms (20 speeds {half * 1e3:6.0f}); "
              f"first loss {loss * 1e3:6.0f} ms")  # fmt: skip

    for name, case in references.load().items():
        got = run(case["train"], case["lobe"], case["below_rpm"], cycles=20, samples=0).cycles
        some = [got[i] for i in (1, 2, 9, 19)]
        left = ", ".join(f"{c.residual_m * 1e6:.1f}" for c in some)
        least = ", ".join(f"{c.shortfall_n:.0f}" for c in some)
        print(f"{name:18s} {case['below_rpm']:.0f} rpm, cycles 2, 3, 10, 20: residual {left} um, least {least} N")

    for name, case in references.load().items():
        got = run(case["train"], case["lobe"], case["above_rpm"], cycles=20, samples=0).cycles
        peak = np.array([c.peak_contact_n for c in got])
        loft = np.array([c.loft_time_s for c in got]) * 1e3
        print(f"{name:18s} {case['above_rpm']:.0f} rpm, 20 cycles: peak {peak.min():.0f} to {peak.max():.0f} N "
              f"(median {np.median(peak):.0f}), loft {loft.min():.2f} to {loft.max():.2f} ms")  # fmt: skip


def _triangular(u: np.ndarray, low: float, mode: float, high: float) -> np.ndarray:
    below = (mode - low) / (high - low)
    up, down = np.sqrt(u * (high - low) * (mode - low)), np.sqrt((1.0 - u) * (high - low) * (high - mode))
    return np.where(u < below, low + up, high - down)


def speed_limits(draws: int = 64) -> None:
    """A build's speeds under doubt, two ways: the band of the first loss (searches at the ends of every input and over
    the card's lobes), and control at the wanted speed over draws that stop once it is clear (Jeffreys' interval: 95 %
    sure of a chance above 0.9 or below 0.1). Cycles of the march and CPU time of each, and their ratio, in one run."""
    for name in ("budget-cruiser", "towing-engine", "weekend-racer"):
        build = read_build(Path(__file__).parents[1] / "data" / "builds" / f"{name}.toml")
        counted = Counted()
        lobes = {(c.id, w): candidate_lobe(build, c, w) for c in build.candidates for w in ("intake", "exhaust")}
        begun = time.process_time()
        with counted:
            for (cid, which), lobe in lobes.items():
                limit_band(build, build.candidate(cid), which, lobe)
        band_s, band_cycles = time.process_time() - begun, counted.cycles
        counted = Counted()
        begun = time.process_time()
        with counted:
            told = {c.id: chance(build, c, draws) for c in build.candidates}
        chance_s, cycles = time.process_time() - begun, counted.cycles
        chances = ", ".join(f"{cid} {held} of {tried}" for cid, (held, tried) in told.items())
        print(f"{name:15s} bands {band_cycles:6d} cycles {band_s:5.1f} s CPU; draws {cycles:6d}, {chance_s:5.1f} s: "
              f"{band_cycles / cycles:4.1f} times fewer, {band_s / chance_s:4.1f} times quicker; "
              f"{build.use.highest_speed_rpm:.0f} rpm held: {chances}")  # fmt: skip


class Counted:
    """Counts the cycles that the library marches while it is entered."""

    def __init__(self) -> None:
        self.cycles = 0

    def __enter__(self) -> None:
        self.own = motion._march

        def march(*args: Any) -> Any:
            self.cycles += args[3]
            return self.own(*args)

        motion._march = march

    def __exit__(self, *_: object) -> None:
        motion._march = self.own


def seat_ends(build: Build, candidate: Candidate, which: str) -> tuple[float, float] | None:
    """Ends of what a solid ramp makes room for."""
    give = build.data["model.ramp_give"]
    if candidate.lifter != "solid" or give.low is None or give.high is None:
        return None
    room = ramp_room_m(candidate, which, build.model) - build.model.ramp_give_m
    return room + give.low, room + give.high


def chance(build: Build, candidate: Candidate, draws: int) -> tuple[int, int]:
    """Draws in which both valves are under control at the wanted speed, of those tried."""
    rng, model = np.random.default_rng(1), build.model
    ramp = ramp_of(model, candidate.lifter)
    families = {
        which: family_from_card(
            getattr(candidate, which), follower_limits(candidate, model, build.limits.pressure_angle_rad),
            base_radius_m=candidate.valvetrain.base_circle_radius_m, ramp=ramp,
            seat_m=ramp_room_m(candidate, which, model),
            jerk_allowance=model.jerk_allowance, shape_allowance=model.shape_allowance,
            seat_ends_m=seat_ends(build, candidate, which),
        )
        for which in ("intake", "exhaust")
    }  # fmt: skip
    shapes = lobe_draws(rng.random((draws, UNIFORMS)), ramp)
    values: dict[str, np.ndarray] = {}
    for path in sorted({p for which in families for p in inputs_of(candidate, which)}):
        datum = build.data.get(path if path.startswith("model.") else f"candidates.{candidate.id}.{path}")
        if datum is not None and datum.low is not None and datum.high is not None and datum.low < datum.high:
            values[path] = _triangular(rng.random(draws), datum.low, float(datum.value), datum.high)
    allowed, held = allowed_by(model), 0
    for i in range(draws):
        at = {path: float(drawn[i]) for path, drawn in values.items()}
        good = True
        for which, family in families.items():
            own = {path: at[path] for path in inputs_of(candidate, which) if path in at}
            parts, moved_model = moved(candidate.cam_and_train, model, own)
            train = train_of(parts, which, moved_model, build.engine.exhaust_valve_m)
            if not control_at(train, family.lobe(shapes, i), build.use.highest_speed_rpm, allowed).holds:
                good = False
                break
        held += good
        law = beta(held + 0.5, i + 1 - held + 0.5)
        if law.sf(0.9) > 0.95 or law.cdf(0.1) > 0.95:
            return held, i + 1
    return held, draws


if __name__ == "__main__":
    main()
    speed_limits()
