"""How long a comparison takes, against a plain alternative in the same run. Not collected unless named:

    pytest tests/bench_compare.py -s

Each bench prints its ratio to the alternative; none of them fails for being slow.
"""

from __future__ import annotations

import functools
import math
import time
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ellipe, ellipk

import lobeledger as ll
from caches import forget
from lobeledger.lobe import contact
from lobeledger.sheet.tables import data_dir

BUILDS = Path(__file__).parents[1] / "data" / "builds"
NAMES = ["budget-cruiser", "towing-engine", "weekend-racer"]


@functools.cache
def shipped(name: str):
    return ll.read_build(BUILDS / f"{name}.toml")


def seconds(work, times: int = 5) -> float:
    """Least of a few runs."""
    best = math.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def told(what: str, plain_s: float, ours_s: float) -> None:
    print(f"\n{what}: {ours_s * 1e3:.2f} ms against {plain_s * 1e3:.2f} ms, {plain_s / ours_s:.1f} times faster")


@pytest.mark.parametrize("name", NAMES)
def test_warm_against_forgetful(benchmark, name: str) -> None:
    """The same comparison again, against one that has to find every lobe and torque curve anew."""
    build = shipped(name)
    ll.compare(build)

    def plain() -> None:
        forget()
        ll.compare(build)

    plain_s = seconds(plain, 3)
    ll.compare(build)
    benchmark(ll.compare, build)
    told(f"{name}, nothing changed", plain_s, benchmark.stats["min"])


CHANGES = {
    "use": {"use.highest_speed": "4900 rpm", "use.hours_a_year": "100 h"},
    "money": {"shop.labour_rate": "101 USD/h", "limits.budget": "4100 USD"},
    "chances": {"candidates.h-flat.failure.one_in": 33},
    "springs": {"candidates.h-flat.springs.rate": "301 lbf/in"},
    "rocker": {"valvetrain.rocker_ratio": 1.55},
    "card": {"candidates.h-flat.lobe_separation": "111 deg"},
}


@pytest.mark.parametrize("what", CHANGES)
def test_after_a_change(benchmark, what: str) -> None:
    """Only use, money, chances or one part changed, against the forgetful comparison of the same changed build."""
    build = shipped("budget-cruiser")
    changed = ll.change(build, CHANGES[what])

    def plain() -> None:
        forget()
        ll.compare(changed)

    plain_s = seconds(plain, 3)

    def before() -> None:
        forget()
        ll.compare(build)

    benchmark.pedantic(ll.compare, args=(changed,), setup=before, rounds=5)
    told(f"budget-cruiser, {what} changed", plain_s, benchmark.stats["min"])


def test_nose_contact_against_scipy(benchmark) -> None:
    """Hertz's oval at every angle of a nose in one call, against a Python loop over scipy's elliptic integrals."""
    rho = np.linspace(0.0015, 0.012, 400)
    load = np.linspace(1200.0, 1600.0, rho.size)
    crown, modulus = 1.143, 90e9

    def vectorised():
        return contact.crowned_face_contact(
            load, cam_radius_m=rho, crown_radius_m=crown, lobe_width_m=0.03, modulus_pa=modulus
        ).peak_pressure_pa

    def plain():
        found = []
        for w, r in zip(load, rho, strict=True):
            ratio = crown * (1 / r + 1 / crown)

            def miss(k: float, ratio: float = ratio) -> float:
                m = 1 - 1 / k**2
                return (k**2 * ellipe(m) - ellipk(m)) / (ellipk(m) - ellipe(m)) - ratio

            k = brentq(miss, 1.001, 1e4)
            m = 1 - 1 / k**2
            long = (3 * w * crown * (ellipk(m) - ellipe(m)) / m / (math.pi * modulus)) ** (1 / 3)
            found.append(1.5 * w * k / (math.pi * long**2))
        return np.array(found)

    np.testing.assert_allclose(vectorised(), plain(), rtol=1e-6)
    plain_s = seconds(plain, 3)
    benchmark(vectorised)
    told("nose contact, 400 angles", plain_s, benchmark.stats["min"])


def test_a_sheet_read_and_changed_against_read_anew(benchmark) -> None:
    path = data_dir() / "builds" / "budget-cruiser.toml"
    build = ll.read_build(path)
    plain_s = seconds(lambda: ll.read_build(path))
    benchmark(ll.change, build, {"use.years": 9})
    told("a changed value against reading the sheet anew", plain_s, benchmark.stats["min"])
