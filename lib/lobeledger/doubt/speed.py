"""Is the valvetrain under control at the wanted speed? Drawn valvetrains on drawn lobes, run one after another.

Does it hold at the wanted speed?      `speed_trials` -> `SpeedTrials`
Up to which speed does it hold?        `useful_limit_of` as given, `safe_speed_of` in nine of ten tries

A run at the wanted speed is far cheaper than a search for the speed that is lost, and says what is asked. Draws are run
until their share is settled (`standing.share_is_settled`) or there are enough; the others are judged by a regression of
those that were run on what they were drawn from.
"""

from __future__ import annotations

import collections
import dataclasses
import functools
import math
import threading
from dataclasses import dataclass
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.figures import Figure
from lobeledger.assess.inputs import MechanicalInputs
from lobeledger.doubt.drawn import Drawn, DrawnLobes, drawn_lobes
from lobeledger.doubt.draws import DRAWS, in_every_draw, triangular_draws
from lobeledger.doubt.standing import HOLDS, OUT, share_is_settled
from lobeledger.errors import NoSolution
from lobeledger.train.control import Control, allowed_by, control_at, useful_limit, weakest
from lobeledger.train.of_candidate import inputs_of, moved, train_of

__all__ = [
    "MOST_TRIALS",
    "SEARCHED_FROM",
    "SEARCHED_TO",
    "SpeedTrials",
    "Wanted",
    "safe_speed_of",
    "speed_trials",
    "useful_limit_of",
]

MOST_TRIALS = 64
# Trials after which it is asked whether their share is settled.
_LOOKS = (8, 12, 16, 19, 24, 32, 48)
# Searches over speeds look from half the wanted speed to half as much again, a safe one by steps of 100 rpm.
SEARCHED_FROM, SEARCHED_TO = 0.5, 1.5
_RUNG_RPM = 100.0
# Trials at most at each of those steps: a share is then known to 0.05, a rung or two.
_TRIALS_A_RUNG = 32
# Ridge of the logistic regression, on standardised columns: a prior of one standard deviation each (assumed).
_RIDGE = 2.0


@dataclass(frozen=True)
class Wanted:
    """The speed that is wanted, with its own range and the line it stands on (crank rpm)."""

    crank_rpm: float
    low_rpm: float
    high_rpm: float
    line: str

    def draws(self) -> Any:
        """Draws of it, or the one speed."""
        if not self.low_rpm < self.high_rpm:
            return self.crank_rpm
        return triangular_draws(self.line, self.low_rpm, self.crank_rpm, self.high_rpm)


@dataclass(frozen=True)
class SpeedTrials:
    """What runs at the wanted speed showed.

    nominal: the valvetrain as given on its nominal lobes. uses: of each trial, the greatest of what it did over what is
    allowed, intake and exhaust; 1 or less holds. ok: per draw, the chance that it holds. is_settled: whether the trials
    tell the standing for sure, or there were only so many. most: how many were allowed.
    """

    nominal: Control
    uses: tuple[float, ...]
    ok: Array
    is_settled: bool
    cycles: int
    most: int

    @property
    def met(self) -> int:
        """How many trials held."""
        return sum(use <= 1.0 for use in self.uses)


class _Kept:
    """The fullest trials of each valvetrain and speed that were run: a first answer takes them where there are any."""

    def __init__(self, most: int) -> None:
        self._most, self._held = most, collections.OrderedDict[Any, SpeedTrials]()
        self._lock = threading.Lock()

    def of(self, key: Any, most: int) -> SpeedTrials | None:
        """What is kept under a key, if it was allowed as many trials."""
        with self._lock:
            found = self._held.get(key)
            return found if found is not None and found.most >= most else None

    def put(self, key: Any, trials: SpeedTrials) -> None:
        """Keep trials, in place of fewer."""
        with self._lock:
            self._held[key] = trials
            self._held.move_to_end(key)
            while len(self._held) > self._most:
                self._held.popitem(last=False)

    def cache_clear(self) -> None:
        """Forget all, as an `lru_cache` does."""
        with self._lock:
            self._held.clear()


kept_trials = _Kept(128)


def speed_trials(
    inputs: MechanicalInputs,
    name: str,
    wanted: Wanted,
    *,
    most: int = MOST_TRIALS,
    spring_scale: float = 1.0,
    only_if_sure: bool = False,
) -> SpeedTrials:
    """Run a candidate's valvetrains at the wanted speed. Raises NoSolution for a card that no lobe fits.

    name: the candidate's, for draws of its own lobes. most: trials at most; 0 runs the nominal valvetrain alone, or
    gives the trials that were run before. spring_scale: multiplies load and rate of its springs, to try stiffer ones.
    only_if_sure: it is asked whether nine of ten hold and nothing else, which fewer trials tell.
    """
    key = (inputs, name, wanted, spring_scale, only_if_sure)
    found = kept_trials.of(key, most)
    if found is None:
        found = _tried(inputs, name, wanted, most, spring_scale, HOLDS if only_if_sure else OUT)
        kept_trials.put(key, found)
    return found


def _tried(
    inputs: MechanicalInputs, name: str, wanted: Wanted, most: int, spring_scale: float, low: float
) -> SpeedTrials:
    lobes, drawn = drawn_lobes(inputs, name), Drawn(inputs)
    speeds = in_every_draw(wanted.draws())
    middle = {which: family.card_lobe.nominal for which, family in lobes.families.items()}
    nominal = _run(inputs, {}, middle, wanted.crank_rpm, spring_scale)
    cycles = nominal.cycles
    keys = {path for which in lobes.families for path in inputs_of(inputs.candidate, which)}
    values = {path: drawn(path.rpartition(".")[2]) for path in sorted(keys)}
    uses: list[float] = []
    settled = False
    while len(uses) < most and not settled:
        i = len(uses)
        one = {path: float(value[i]) for path, value in values.items() if isinstance(value, np.ndarray)}
        control = _run(inputs, one, {w: lobes.lobe(w, i) for w in lobes.families}, float(speeds[i]), spring_scale)
        cycles += control.cycles
        uses.append(control.use)
        if len(uses) in _LOOKS:
            met = sum(use <= 1.0 for use in uses)
            settled = share_is_settled(met, len(uses), low=low)
    if not uses:
        return SpeedTrials(nominal, (), np.full(DRAWS, float(nominal.holds)), False, cycles, most)
    ok = _all_draws(np.asarray(uses), _columns(values, lobes, name, speeds))
    return SpeedTrials(nominal, tuple(uses), ok, settled, cycles, most)


@functools.lru_cache(maxsize=128)
def useful_limit_of(inputs: MechanicalInputs, name: str, wanted_rpm: float) -> Figure:
    """Highest speed up to which the valvetrain as given is under control (rpm), the lesser of intake and exhaust.

    Walked from half the wanted speed to half as much again; no end but `searched` where it is never lost.
    """
    lobes, found = drawn_lobes(inputs, name), []
    for which, family in lobes.families.items():
        train = train_of(inputs.candidate, which, inputs.model, inputs.engine.exhaust_valve_m)
        limit = useful_limit(
            train,
            family.card_lobe.nominal,
            allowed_by(inputs.model),
            low_rpm=SEARCHED_FROM * wanted_rpm,
            high_rpm=SEARCHED_TO * wanted_rpm,
        )
        found.append(min(limit.crank_rpm, limit.searched_to_rpm))
    return Figure.exact(min(found))


@functools.lru_cache(maxsize=128)
def safe_speed_of(inputs: MechanicalInputs, name: str, wanted: Wanted) -> Figure:
    """Highest speed (rpm) at which nine of ten tries are under control, by the test that judges the wanted speed.

    Halved over rungs of 100 rpm, upwards from the wanted speed where that holds and downwards where it does not, so
    that it never contradicts what is said of that speed. Tried at single speeds: a tongue of surge between two rungs is
    not seen. No end but 1.5 times the wanted speed where all hold, NaN where half of it is too fast already. Raises
    NoSolution as `speed_trials`.
    """

    def holds(rpm: float) -> bool:
        tried = speed_trials(inputs, name, Wanted(rpm, rpm, rpm, wanted.line), most=_TRIALS_A_RUNG, only_if_sure=True)
        return float(tried.ok.mean()) >= HOLDS

    top = wanted.crank_rpm
    if float(speed_trials(inputs, name, wanted).ok.mean()) >= HOLDS:
        low, high, safe = math.floor(top / _RUNG_RPM), math.floor(SEARCHED_TO * top / _RUNG_RPM) + 1, top
    else:
        low, high, safe = math.floor(SEARCHED_FROM * top / _RUNG_RPM) - 1, math.ceil(top / _RUNG_RPM), math.nan
    while high - low > 1:
        middle = (low + high) // 2
        if holds(middle * _RUNG_RPM):
            low, safe = middle, middle * _RUNG_RPM
        else:
            high = middle
    return Figure.exact(safe)


def _run(
    inputs: MechanicalInputs, values: dict[str, float], lobes: dict[str, Any], crank_rpm: float, spring_scale: float
) -> Control:
    """Control of intake and exhaust with some values of the sheet set; one that cannot be followed has none."""
    candidate, model = moved(inputs.candidate, inputs.model, values)
    if spring_scale != 1.0:
        stiffer = candidate.springs.scaled(load=spring_scale, rate=spring_scale)
        candidate = dataclasses.replace(candidate, springs=stiffer)
    allowed = allowed_by(model)
    found = []
    for which, lobe in lobes.items():
        train = train_of(candidate, which, model, inputs.engine.exhaust_valve_m)
        try:
            found.append(control_at(train, lobe, crank_rpm, allowed))
        except NoSolution:
            found.append(Control(crank_rpm, float("inf"), "separation", float("inf"), 0))
        if not found[-1].holds:
            break  # one valve that is lost decides
    return weakest(found)


def _columns(values: dict[str, Any], lobes: DrawnLobes, name: str, speeds: Array) -> Array:
    """What the trials were drawn from, standardised, shape (DRAWS, columns)."""
    drawn = [v for v in values.values() if isinstance(v, np.ndarray)]
    every = [*drawn, *lobes.columns(name).values(), speeds]
    return np.stack([(x - x.mean()) / x.std() for x in every if x.std() > 1e-12], axis=1)


def _all_draws(uses: Array, columns: Array) -> Array:
    """Chance that each draw holds: those that were run as they were, the others by ridge logistic regression.

    Where all that were run agree, so do all: there is nothing to regress on.
    """
    met = (uses <= 1.0).astype(float)
    if met.min() == met.max():
        return np.full(DRAWS, met[0])
    z = np.column_stack([np.ones(met.size), columns[: met.size]])
    ridge = _RIDGE * np.eye(z.shape[1])
    ridge[0, 0] = 1e-3
    weights = np.zeros(z.shape[1])
    for _ in range(30):
        p = 1.0 / (1.0 + np.exp(-np.clip(z @ weights, -30.0, 30.0)))
        slope = z.T @ (met - p) - ridge @ weights
        step = np.linalg.solve((z.T * (p * (1.0 - p))) @ z + ridge, slope)
        weights = weights + step
        if float(np.abs(step).max()) < 1e-9:
            break
    fitted = 1.0 / (1.0 + np.exp(-np.clip(weights[0] + columns @ weights[1:], -30.0, 30.0)))
    fitted[: met.size] = met
    return np.asarray(fitted)
