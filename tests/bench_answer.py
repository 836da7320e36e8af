"""How long an answer under doubt takes from nothing, against a plain alternative in the same run.

Not collected unless named:

    pytest tests/bench_answer.py -s

The alternative to valvetrains run at the wanted speed is a search for the speed that is lost, in each of the same drawn
valvetrains: what a band of speed would ask for. Nothing here fails for being slow.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest

import lobeledger as ll
from caches import forget
from lobeledger.doubt.drawn import Drawn, drawn_lobes
from lobeledger.parts.build import Build
from lobeledger.train.control import allowed_by, useful_limit
from lobeledger.train.of_candidate import inputs_of, moved, train_of

BUILDS = Path(__file__).parents[1] / "data" / "builds"
NAMES = ["budget-cruiser", "towing-engine", "weekend-racer"]
# Searches are slow: this many a candidate are timed, and the others taken to be alike.
SEARCHED = 4


def _clocks() -> tuple[float, float]:
    return time.perf_counter(), time.process_time()


def _search_in_draws(build: Build, trials: dict[str, int]) -> float:
    """Seconds of one core that searches in as many drawn valvetrains would take."""
    total = 0.0
    for result in ll.compare(build).results:
        inputs, c = result.assessment.inputs, result.candidate
        lobes, drawn = drawn_lobes(inputs, c.id), Drawn(inputs)
        keys = {path for which in lobes.families for path in inputs_of(c, which)}
        values = {path: drawn(path.rpartition(".")[2]) for path in keys}
        start = time.thread_time()
        for i in range(SEARCHED):
            one = {path: float(value[i]) for path, value in values.items() if isinstance(value, np.ndarray)}
            candidate, model = moved(c, inputs.model, one)
            for which in lobes.families:
                train = train_of(candidate, which, model, inputs.engine.exhaust_valve_m)
                top = build.use.highest_speed_rpm
                useful_limit(train, lobes.lobe(which, i), allowed_by(model), low_rpm=0.5 * top, high_rpm=1.5 * top)
        total += (time.thread_time() - start) / SEARCHED * trials[c.id]
    return total


@pytest.mark.parametrize("name", NAMES)
def test_from_nothing(name: str) -> None:
    """Four candidates, nothing kept: the first answer, the doubt after it, and the doubt by searching speeds."""
    build = ll.read_build(BUILDS / f"{name}.toml")
    ll.compare(build)
    forget()
    wall, cpu = _clocks()
    ll.compare(build, trials=0)
    first_wall = _clocks()[0] - wall
    answer = ll.compare(build)
    all_wall, all_cpu = (b - a for a, b in zip((wall, cpu), _clocks(), strict=True))
    trials = {r.candidate.id: sum(each.trials[1] for each in r.limits) for r in answer.results}
    plain_cpu = all_cpu + _search_in_draws(build, trials)
    load = os.getloadavg()[0]
    print(
        f"\n{name}: first answer {first_wall:.2f} s, all of it {all_wall:.2f} s on the clock ({all_cpu:.2f} s of core, "
        f"load {load:.1f}); with speeds searched in the same {sum(trials.values())} drawn valvetrains "
        f"{plain_cpu:.1f} s of core, {plain_cpu / all_cpu:.1f} times as much"
    )
