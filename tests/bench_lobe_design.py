"""How long a best lobe takes, and a second solver beside it. Not collected unless named:

    pytest tests/bench_lobe_design.py -s

Nothing here fails for being slow.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace

import pytest
from scipy.optimize import linprog

from lobeledger.best import design as lobe_design
from lobeledger.best.design import best_lobe
from lobeledger.best.share import flat_and_roller, share_of_best
from test_lobe_design import DEG, FLAT, LINE, ROLLER, TASKS, carded


def seconds(work, times: int = 5) -> float:
    """Least of a few runs."""
    best = math.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


@pytest.mark.parametrize("name", TASKS)
def test_one_best_lobe(name: str) -> None:
    task = TASKS[name]
    best = best_lobe(task)
    taken = seconds(lambda: best_lobe(task))
    print(f"\n{name}: {taken * 1e3:.0f} ms, {best.programs} programs, 480 segments ", end="")
    print(f"{seconds(lambda: best_lobe(task, segments=480), 2) * 1e3:.0f} ms")


def test_program_against_highs() -> None:
    for name in ("flat, line contact", "flat, line contact, hard pressed"):
        program, _ = lobe_design.Flank(TASKS[name], 240).program(None)
        ours = seconds(lambda program=program: lobe_design.solve_program(program))
        print(f"\n{name}: Clarabel {ours * 1e3:.0f} ms", end="")
        for method in ("highs-ds", "highs-ipm"):
            theirs = seconds(
                lambda method=method, program=program: linprog(
                    program.cost, A_ub=program.below, b_ub=program.below_to, A_eq=program.equal,
                    b_eq=program.equal_to, bounds=(None, None), method=method,
                )
            )  # fmt: skip
            print(f", {method} {theirs * 1e3:.0f} ms", end="")
    print()


def test_share_and_study() -> None:
    for kind, task in (("flat", FLAT), ("roller", ROLLER)):
        card = carded(kind)
        taken = seconds(lambda card=card, task=task: share_of_best(card, task), 3)
        print(f"\nshare of best, {kind}: {taken * 1e3:.0f} ms")
    roller = replace(ROLLER, stress_pa=1500e6)
    five = [220 * DEG, 240 * DEG, 260 * DEG, 280 * DEG, 300 * DEG]
    flat = replace(LINE, stress_pa=1500e6)
    study = seconds(lambda: flat_and_roller(five, flat=flat, roller=roller), 2)
    print(f"flat and roller at five durations: {study * 1e3:.0f} ms")
