"""How long a million builds take to draw. Not collected unless named:  pytest tests/bench_stake.py -s

The plain alternative is one numpy call a build, timed on a hundredth of the count. Nothing fails for being slow.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

import lobeledger as ll
from lobeledger.choice.stake import COUNT, realised_costs, stake
from lobeledger.doubt import draws

BUILDS = Path(__file__).parents[1] / "data" / "builds"


@pytest.mark.parametrize("name", ["budget-cruiser", "towing-engine", "weekend-racer"])
def test_a_million_builds(benchmark, name: str) -> None:
    build = ll.read_build(BUILDS / f"{name}.toml")
    comparison = ll.compare(build)
    result = comparison.results[0]
    prior = draws.opinion(build, result.candidate)
    rng = np.random.default_rng(1)
    start = time.perf_counter()
    for _ in range(COUNT // 100):
        float(rng.random() < rng.beta(prior.alpha, prior.beta))
    plain = (time.perf_counter() - start) * 100
    benchmark.pedantic(lambda: realised_costs(build, result), rounds=5, warmup_rounds=1)
    start = time.perf_counter()
    stake(comparison.decision)
    whole = time.perf_counter() - start
    ours = benchmark.stats.stats.min
    print(
        f"\n{name}: a million builds of one candidate {ours * 1e3:.0f} ms, one by one about {plain:.1f} s; "
        f"everything at stake for {len(comparison.results)} candidates {whole * 1e3:.0f} ms"
    )
