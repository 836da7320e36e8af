"""Idle vacuum of many draws against one case at a time, and the tables that it is held against. Not collected:

    pytest tests/bench_idle.py -s

Prints the ratio of times, the ladder of cams with its residuals, and idle fuel beside published figures.
"""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np

from lobeledger.engine.friction import friction_mep
from lobeledger.engine.idle import IdleVacuum, idle_vacuum
from test_idle import CARS, department_of_energy_idle, ladder_table

DRAWS = 2000


def idling(u: Any) -> IdleVacuum:
    """A small V8 whose every input is moved by u, from -1 to 1."""
    speed, compression, bore = 700.0 * (1.0 + 0.05 * u), 9.0 + 0.2 * u, 0.1024 * (1.0 + 0.001 * u)
    swept = math.pi / 4.0 * bore**2 * 0.0884
    return idle_vacuum(
        speed_rpm=speed,
        overlap_factor_deg_per_m=0.8 * (1.0 + 0.2 * u),
        swept_volume_m3=swept,
        trapped_volume_m3=0.96 * swept,
        compression_ratio=compression,
        friction=friction_mep(
            speed, follower="flat", bore_m=bore, stroke_m=0.0884, cylinders=8, compression_ratio=compression,
            valve_lift_m=0.0105, ambient_pressure_pa=99e3, between=0.5 + 0.4 * u, scale=1.0 + 0.2 * u,
        ),
        load_mep_pa=12e3 * (1.0 + 0.5 * u),
        indicated_efficiency=0.26 + 0.03 * u,
        fuel_heating_value_j_per_kg=43.9e6,
        air_fuel_ratio=14.0 + 0.5 * u,
        ambient_pressure_pa=99e3,
        exhaust_pressure_pa=99e3,
        backflow_scale=1.0 + 0.15 * u,
    )  # fmt: skip


def bench_draws_of_idle_vacuum() -> None:
    u = np.random.default_rng(1).uniform(-1.0, 1.0, DRAWS)
    idling(u)
    best = min(_time(lambda: idling(u)) for _ in range(5))
    single = _time(lambda: [idling(float(v)) for v in u[:100]]) / 100.0
    plain = single * DRAWS
    print(f"\n{DRAWS} draws at once {best * 1e3:.1f} ms, one by one {plain * 1e3:.0f} ms: {plain / best:.0f} times")


def bench_ladder() -> None:
    print()
    for name, overlap, rpm, vacuum, low, high, off, burned, fits in ladder_table():
        print(
            f"{name:7} overlap {overlap:5.1f} deg {rpm:5} rpm {vacuum:5.2f} inHg, usual {low:4.1f} to {high:4.1f}, "
            f"residual {off:+5.2f}, burned {burned:.2f}, inside the fit: {fits}"
        )


def bench_idle_fuel() -> None:
    print()
    for *car, published in CARS:
        print(f"{car[0]} L: {department_of_energy_idle(*car):.3f} gal/h, published {published}")


def _time(run: Any) -> float:
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def test_all() -> None:
    bench_draws_of_idle_vacuum()
    bench_ladder()
    bench_idle_fuel()
