"""How sure the speed limit of an elastic train is, and what would raise it.

How far off may it be?                 `first_loss_band` -> `LossBand`
What buys 500 rpm?                     `what_buys` -> a `Remedy` each

A band joins the doubts as the rest of the workbook does: inputs moved one at a time to their ends, the moves added as
the root of the sum of their squares; the lobes a card leaves open taken as they are, and added to that.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

from scipy.optimize import brentq

from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe.lift import Lobe
from lobeledger.train.elastic import Train, with_damping_of
from lobeledger.train.motion import first_loss, sweep

__all__ = ["LossBand", "Move", "Remedy", "first_loss_band", "what_buys"]


@dataclass(frozen=True)
class Move:
    """One input at its low and at its high end: the trains that then result."""

    name: str
    low: Train
    high: Train


@dataclass(frozen=True)
class LossBand:
    """First loss of contact with its band (crank rpm).

    at_least: the search ended at `high_rpm` without a loss somewhere, so that speeds so marked are lower bounds.
    moves_rpm: what each input's low and high end did to the nominal figure. lobes_rpm: the lobes', nominal first.
    """

    value_rpm: float
    low_rpm: float
    high_rpm: float
    at_least: bool
    moves_rpm: tuple[tuple[str, float, float], ...]
    lobes_rpm: tuple[float, ...]


def _loss_of(task: tuple[Train, Lobe, float, float, int]) -> float:
    train, lobe, low, high, cycles = task
    try:
        found = first_loss(train, lobe, low_rpm=low, high_rpm=high, cycles=cycles, within_rpm=5.0, tolerance=1e-6)
    except NoSolution:
        # Lost at the low end already: begin again lower, so that an end of the band is a figure too.
        if low < 400.0:
            raise
        return _loss_of((train, lobe, low / 2.0, high, cycles))
    return high if found is None else found.crank_rpm


def first_loss_band(
    train: Train,
    lobes: Sequence[Lobe],
    moves: Sequence[Move],
    *,
    low_rpm: float,
    high_rpm: float,
    cycles: int = 4,
    executor: Executor | None = None,
) -> LossBand:
    """First loss, nominal and band, over the family of lobes (nominal first) and the inputs' moves.

    Each is a search of its own; an executor runs them side by side.
    """
    if not lobes:
        raise OutOfRange("no lobe was given; give the nominal one first")
    tasks = [(train, lobe, low_rpm, high_rpm, cycles) for lobe in lobes]
    tasks += [(end, lobes[0], low_rpm, high_rpm, cycles) for move in moves for end in (move.low, move.high)]
    found = list((map if executor is None else executor.map)(_loss_of, tasks))
    family, rest = found[: len(lobes)], found[len(lobes) :]
    value, down, up, told = family[0], 0.0, 0.0, []
    for move, low, high in zip(moves, rest[::2], rest[1::2], strict=True):
        told.append((move.name, low - value, high - value))
        down += min(low - value, high - value, 0.0) ** 2
        up += max(low - value, high - value, 0.0) ** 2
    return LossBand(
        value, min(family) - math.sqrt(down), max(family) + math.sqrt(up), any(f >= high_rpm for f in found),
        tuple(told), tuple(family),
    )  # fmt: skip


@dataclass(frozen=True)
class Remedy:
    """One change that alone holds contact up to the wanted speed; `to_value` is None when it cannot within `bound`.

    what: lifter_mass, valve_mass, seat_load, rate or stiffness (at the valve: pushrod and rocker alike, the
    lobe contact as it is). unit: kg, N, N/m, or times (a bare factor). Values are the model's: lifter mass with half
    the pushrod (or without the plunger), valve mass with retainer and locks, loads and rates of all springs together.
    """

    what: str
    unit: str
    from_value: float
    to_value: float | None
    bound: float


def _with_lifter(train: Train, share: float) -> Train:
    return dataclasses.replace(train, lifter_kg=train.lifter_kg * share)


def _with_valve(train: Train, share: float) -> Train:
    return dataclasses.replace(train, valve_kg=train.valve_kg * share)


def _with_seat_load(train: Train, share: float) -> Train:
    springs = tuple(dataclasses.replace(s, seat_load_n=s.seat_load_n * share) for s in train.springs)
    return dataclasses.replace(train, springs=springs)


def _with_rate(train: Train, share: float) -> Train:
    springs = tuple(dataclasses.replace(s, rate_n_per_m=s.rate_n_per_m * share) for s in train.springs)
    return dataclasses.replace(train, springs=springs)


def _with_stiffness(train: Train, share: float) -> Train:
    return dataclasses.replace(
        train,
        pushrod_stiffness_n_per_m=train.pushrod_stiffness_n_per_m * share,
        rocker_stiffness_n_per_m=train.rocker_stiffness_n_per_m * share,
    )


def what_buys(
    train: Train,
    lobe: Lobe,
    extra_rpm: float,
    *,
    low_rpm: float,
    high_rpm: float,
    cycles: int = 4,
    step_rpm: float = 50.0,
) -> tuple[Remedy, ...]:
    """What each change alone must be to hold contact extra_rpm further: lighter lifter or valve, springs, stiffness.

    Contact must hold at every step_rpm from just below the present first loss to the wanted speed, and by a search
    from low_rpm (a stiffer spring can open a loss lower down that was not there). Bounds, stated in the answer: masses
    down to 60 %, seat load and rate up to 160 %, stiffness up to 300 %. The first mode's damping ratio is kept. More
    load wears lobe and lifter: check the nose stress. Springs of the rate found weigh more than these; their mass is
    held here.
    Raises NoSolution when there is no first loss up to high_rpm to be raised.
    """
    if not extra_rpm > 0.0:
        raise OutOfRange(f"extra_rpm is {extra_rpm}; it must be above zero")
    now = first_loss(train, lobe, low_rpm=low_rpm, high_rpm=high_rpm, cycles=cycles)
    if now is None:
        raise NoSolution(f"contact holds up to {high_rpm:.0f} rpm as it is; there is nothing to buy")
    begin, end = max(now.crank_rpm - 100.0, low_rpm), now.crank_rpm + extra_rpm
    steps = math.ceil((end - begin) / step_rpm)
    speeds = [end - (end - begin) * i / steps for i in range(steps + 1)]

    def held(change: Callable[[Train, float], Train], share: float) -> float:
        changed = with_damping_of(change(train, share), train)
        return min(p.held_n(now.parted) for p in sweep(changed, lobe, speeds, cycles=cycles, tolerance=1e-6))

    ways: tuple[tuple[str, str, float, float, Callable[[Train, float], Train]], ...] = (
        ("lifter_mass", "kg", train.lifter_kg, 0.6, _with_lifter),
        ("valve_mass", "kg", train.valve_kg, 0.6, _with_valve),
        ("seat_load", "N", train.seat_load_n, 1.6, _with_seat_load),
        ("rate", "N/m", train.rate_n_per_m, 1.6, _with_rate),
        ("stiffness", "times", 1.0, 3.0, _with_stiffness),
    )

    def enough(change: Callable[[Train, float], Train], share: float) -> bool:
        """Whether contact holds over the whole range: a change can open a loss lower down that was not there."""
        changed = with_damping_of(change(train, share), train)
        try:
            found = first_loss(changed, lobe, low_rpm=low_rpm, high_rpm=end, cycles=cycles, judge=now.parted)
        except NoSolution:
            return False
        return found is None or found.crank_rpm > end - 5.0

    out = []
    for what, unit, present, bound, change in ways:
        share = None
        # The least change that does it; a train may hold within the bound and fail at it, so the way is walked.
        last = 1.0
        for tenth in range(1, 11):
            here = 1.0 + (bound - 1.0) * tenth / 10.0
            if held(change, here) > 0.0:
                if held(change, last) <= 0.0:
                    root = float(brentq(lambda x, change=change: held(change, x), last, here, xtol=2e-3))
                    # Land on the holding side of the root.
                    root += math.copysign(2e-3, bound - 1.0)
                    if enough(change, root):
                        share = root
                        break
                if enough(change, here):
                    share = here
                    break
            last = here
        out.append(Remedy(what, unit, present, None if share is None else present * share, present * bound))
    return tuple(out)
