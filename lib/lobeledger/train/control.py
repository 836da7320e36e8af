"""Is an elastic valvetrain under control at a speed, and up to which speed does it stay so?

What may it do and still be in hand?   `Allowed`, `allowed_by`
Does it hold at a wanted speed?        `control_at` -> `Control`; the weaker of several: `weakest`
Where below that speed is it worst?    `weakest_rung`
Up to which speed does it hold?        `useful_limit` -> `UsefulLimit`

The first loss of contact (`motion.first_loss`) is where a force passes zero: a hair's breadth between lobe and lifter,
which harms nothing and comes and goes with every ripple. Control is lost later, and over a range. A solid train has
lost it when the lifter leaves the lobe, or the valve bounces off its seat, by more than is allowed; a hydraulic one
when its lifter pumps up, since then it holds the valve off its seat. What is measured is simulated at the wanted speed
itself, four cycles from rest for a solid train (16 say the same, tests/train/test_control.py); the oil column of a
hydraulic one is followed on, cycle after cycle, until it has passed what is allowed or has ceased to climb.

Gas on the exhaust valve as it opens winds the train up, which costs some solid trains 300 rpm and helps hydraulic
ones: an exhaust train must hold both with it, at full load, and without, on a shut throttle. Dry friction of the stem
damps what the ratios of damping do not.

Above the first loss the motion repeats itself from cycle to cycle as long as the gap stays below some 0.3 mm; beyond
that it does not, and only says that control is lost.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from lobeledger.errors import OutOfRange
from lobeledger.lobe.lift import Lobe
from lobeledger.parts.use import Model
from lobeledger.train import solver as core
from lobeledger.train.elastic import Train
from lobeledger.train.motion import rows_at

__all__ = ["Allowed", "Control", "UsefulLimit", "allowed_by", "control_at", "useful_limit", "weakest", "weakest_rung"]

# Coarser than the default of `run`: gaps and bounces then differ by a micrometre or two from a run at 1e-9.
_TOLERANCE = 1e-6
_SOLID_CYCLES = 4
# Surge makes ripples of use over speed, some 50 to 100 rpm wide: a failure that is mended this much lower is one.
NEIGHBOUR_RPM = 50.0
# A pumping lifter: cycles run at once, cycles at most, the climb (m a cycle) that counts as none, and the share of what
# is allowed that a column at rest must stay under if it went on as it does.
_CHUNK, _MOST, _STILL_M, _PROJECTED = 5, 40, 2e-6, 0.6


@dataclass(frozen=True)
class Allowed:
    """What a train may do and still be under control (m).

    gap_m: lifter off the lobe while the valve is off its seat. bounce_m: valve off its seat after it has met it.
    column_m: oil column of a hydraulic lifter over its working height.
    """

    gap_m: float
    bounce_m: float
    column_m: float

    def __post_init__(self) -> None:
        for name, value in (("gap_m", self.gap_m), ("bounce_m", self.bounce_m), ("column_m", self.column_m)):
            if not (math.isfinite(value) and value > 0.0):
                raise OutOfRange(f"{name} is {value}; what is allowed must be above zero")


def allowed_by(model: Model) -> Allowed:
    """The thresholds of the sheet's `[model]`."""
    return Allowed(model.separation_allowed_m, model.seat_bounce_allowed_m, model.pump_up_allowed_m)


@dataclass(frozen=True)
class Control:
    """How a train stands at one speed.

    use: the greatest of what it does over what is allowed; at 1 or below it is under control. ruled: which of them that
    is: "separation", "seat bounce" or "pump-up". amount_m: by how much. cycles: how many were run for it.
    """

    crank_rpm: float
    use: float
    ruled: str
    amount_m: float
    cycles: int

    @property
    def holds(self) -> bool:
        """Whether the train is under control."""
        return self.use <= 1.0


@dataclass(frozen=True)
class UsefulLimit:
    """Highest speed up to which a train is under control at every lower one (crank rpm).

    crank_rpm: infinite where control is never lost up to searched_to_rpm; 0 where it is lost at the first rung already.
    fails: the train just above. cycles: how many were run in all.
    """

    crank_rpm: float
    fails: Control | None
    searched_to_rpm: float
    cycles: int


def _at(train: Train, lobe: Lobe, crank_rpm: float, allowed: Allowed) -> Control:
    """Control at exactly this speed; of a solid exhaust train with its gas, and if that holds on a shut throttle too.

    Gas presses the oil of a hydraulic lifter down and only helps it: there the shut throttle alone is run.
    """
    if train.gas_n == 0.0:
        return _as_it_is(train, lobe, crank_rpm, allowed)
    shut = dataclasses.replace(train, gas_n=0.0)
    if train.oil is not None:
        return _as_it_is(shut, lobe, crank_rpm, allowed)
    loaded = _as_it_is(train, lobe, crank_rpm, allowed)
    return loaded if not loaded.holds else weakest([loaded, _as_it_is(shut, lobe, crank_rpm, allowed)])


def _as_it_is(train: Train, lobe: Lobe, crank_rpm: float, allowed: Allowed) -> Control:
    # A plunger that its clip stops sooner cannot pump up that far: the lifter is then as good as solid.
    if train.oil is not None and train.oil.travel_up_m >= allowed.column_m:
        return _pumping(train, lobe, crank_rpm, allowed)
    rows, _ = rows_at(train, lobe, crank_rpm, cycles=_SOLID_CYCLES, tolerance=_TOLERANCE)
    # The first cycle begins at rest, and an uneven gait takes turns: the worse of the last two.
    gap, bounce = float(rows[-2:, core.ROW_GAP].max()), float(rows[-2:, core.ROW_BOUNCE].max())
    uses = ((gap / allowed.gap_m, "separation", gap), (bounce / allowed.bounce_m, "seat bounce", bounce))
    use, ruled, amount = max(uses)
    return Control(crank_rpm, use, ruled, amount, _SOLID_CYCLES)


def _pumping(train: Train, lobe: Lobe, crank_rpm: float, allowed: Allowed) -> Control:
    """Control of a hydraulic train, followed until its column has passed what is allowed or has ceased to climb."""
    state, done, now = None, 0, 0.0
    while done < _MOST:
        rows, state = rows_at(train, lobe, crank_rpm, cycles=_CHUNK, tolerance=_TOLERANCE, start=state)
        done += _CHUNK
        column = rows[:, core.ROW_COLUMN]
        now, highest = float(column[-1]), float(column.max())
        if highest > allowed.column_m:
            return Control(crank_rpm, highest / allowed.column_m, "pump-up", highest, done)
        climb = (now - float(column[0])) / (_CHUNK - 1)
        if abs(climb) < _STILL_M and now + max(climb, 0.0) * (_MOST - done) < _PROJECTED * allowed.column_m:
            break
    return Control(crank_rpm, max(now, 0.0) / allowed.column_m, "pump-up", max(now, 0.0), done)


def control_at(train: Train, lobe: Lobe, crank_rpm: float, allowed: Allowed) -> Control:
    """Control at a wanted speed: of a solid train the better of that speed and of `NEIGHBOUR_RPM` below it.

    A driver holds no speed to 50 rpm, and a ripple of surge that narrow would turn the answer over from one lobe to
    the next. A hydraulic lifter takes many cycles to pump up and knows no such ripple.
    Raises OutOfRange for a speed that makes no sense, NoSolution when the motion cannot be followed.
    """
    here = _at(train, lobe, crank_rpm, allowed)
    if here.holds or here.ruled == "pump-up":
        return here
    below = _at(train, lobe, crank_rpm - NEIGHBOUR_RPM, allowed)
    better = below if below.use < here.use else here
    return Control(better.crank_rpm, better.use, better.ruled, better.amount_m, here.cycles + below.cycles)


def weakest(controls: Iterable[Control]) -> Control:
    """The one that is least under control, with the cycles of all: intake and exhaust make one answer.

    >>> a, b = Control(6000.0, 0.4, "separation", 4e-5, 4), Control(6000.0, 0.9, "seat bounce", 2.25e-4, 4)
    >>> weakest([a, b])
    Control(crank_rpm=6000.0, use=0.9, ruled='seat bounce', amount_m=0.000225, cycles=8)
    """
    every = list(controls)
    worst = max(every, key=lambda c: c.use)
    return Control(worst.crank_rpm, worst.use, worst.ruled, worst.amount_m, sum(c.cycles for c in every))


def _rungs(low_rpm: float, high_rpm: float, step_rpm: float) -> Iterator[float]:
    """Whole multiples of the step, so that two cards are walked over the same rungs."""
    first = math.ceil(low_rpm / step_rpm - 1e-9)
    for rung in range(first, math.floor(high_rpm / step_rpm + 1e-9) + 1):
        yield rung * step_rpm


def weakest_rung(
    train: Train, lobe: Lobe, allowed: Allowed, *, low_rpm: float, below_rpm: float, step_rpm: float = 100.0
) -> Control:
    """The speed of a ladder from low_rpm up, below a wanted speed, at which the train is least under control.

    A tongue of surge below the wanted speed is crossed on the way there. Whoever tries many trains of a kind at the
    wanted speed alone tries this speed of the nominal one too.
    """
    rungs = [rpm for rpm in _rungs(low_rpm, below_rpm, step_rpm) if rpm < below_rpm]
    if not rungs:
        raise OutOfRange(f"there is no rung of {step_rpm:.0f} rpm from {low_rpm:.0f} to below {below_rpm:.0f} rpm")
    return weakest(control_at(train, lobe, rpm, allowed) for rpm in rungs)


def useful_limit(
    train: Train,
    lobe: Lobe,
    allowed: Allowed,
    *,
    low_rpm: float,
    high_rpm: float,
    step_rpm: float = 100.0,
    within_rpm: float = 10.0,
) -> UsefulLimit:
    """Highest speed below which the train is under control everywhere, by a walk up a ladder of speeds.

    Every rung from low_rpm is tried, so that a tongue of surge in the middle ends the walk: a speed that can only be
    reached through one is no use. Between the last rung that holds and the first that fails the edge is halved down
    to within_rpm. `control_at` judges, so that a ripple narrower than 50 rpm of a solid train does not count.
    """
    if not (0.0 < low_rpm < high_rpm and step_rpm > 0.0 and within_rpm > 0.0):
        raise OutOfRange(f"speeds from {low_rpm} to {high_rpm} rpm by {step_rpm} make no ladder to walk")
    cycles, held = 0, 0.0
    for rpm in _rungs(low_rpm, high_rpm, step_rpm):
        fails = control_at(train, lobe, rpm, allowed)
        cycles += fails.cycles
        if fails.holds:
            held = rpm
            continue
        above = rpm
        while held > 0.0 and above - held > within_rpm:
            middle = (held + above) / 2.0
            there = control_at(train, lobe, middle, allowed)
            cycles += there.cycles
            if there.holds:
                held = middle
            else:
                above, fails = middle, there
        return UsefulLimit(held, fails, high_rpm, cycles)
    return UsefulLimit(math.inf, None, high_rpm, cycles)
