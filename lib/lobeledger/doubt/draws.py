"""What a value of the build is, or may be: its nominal, or draws of it.

What is it?                          `nominal` -> `Lookup`
What may it be?                      `draws` -> `Lookup`; `DRAWS` draws, one line of the sheet the same for all
The same for every draw              `in_every_draw`
Labour by the hour, tax included     `taxed_labour_rate`
How likely is a loss, before factors? `opinion`, `factor_paths`, `odds_multipliers`, `chance_path`
A draw of something no sheet has      `symmetric_draws`, `uniform_draws`, `triangular_draws`

A `Lookup` answers for each value by its path in the build sheet, with a number or with an array of draws. One line of a
sheet, or of the defaults, is drawn once (`Datum.line`), so that what two candidates share (a labour rate, a price
nobody wrote) cancels in their difference, as it does in life.
"""

from __future__ import annotations

import functools
import math
import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.special import betaincinv

from lobeledger.arrays import Array, read_only
from lobeledger.doubt.chance import ChancePrior, chance_prior, odds_after, posterior
from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.facts import NO_RUN_IN, run_in_left_out
from lobeledger.parts.pairing import rule_of

__all__ = [
    "DRAWS",
    "Lookup",
    "chance_draws",
    "chance_path",
    "draws",
    "factor_paths",
    "in_every_draw",
    "nominal",
    "odds_multipliers",
    "opinion",
    "symmetric_draws",
    "taxed_labour_rate",
    "triangular_draws",
    "uniform_draws",
]

DRAWS = 2000
_NO_RUN_IN_PATH = f"factors.{NO_RUN_IN}.odds"
Lookup = Callable[[str], Any]


def chance_path(candidate: Candidate) -> str:
    """Path under which the chance of loss is looked up; as a chance, it enters the cost linearly.

    It is the chance after the factors at work and the precautions taken; without any it is the opinion itself.
    """
    return f"candidates.{candidate.id}.failure.chance"


def factor_paths(build: Build, candidate: Candidate) -> list[str]:
    """Paths of what multiplies a candidate's odds of loss: the factors at work, then the precautions taken.

    A run-in cut short counts by degrees, see `odds_multipliers`.
    """
    return [f"factors.{f.id}.odds" for f in build.factors_on(candidate)] + [
        f"precautions.{p.id}.odds" for p in build.precautions_on(candidate)
    ]


def odds_multipliers(build: Build, candidate: Candidate, value: Lookup) -> list[Any]:
    """What multiplies a candidate's odds of loss, by `value`: factors at work and precautions taken.

    A run-in cut short counts by the share of a whole one that is left out, as a power of what no run-in at all
    multiplies the odds by: nothing jumps as the minutes move.
    """
    found = [value(path) for path in factor_paths(build, candidate) if path != _NO_RUN_IN_PATH]
    if NO_RUN_IN in candidate.failure.factor_ids:
        return [*found, value(_NO_RUN_IN_PATH)]
    whole = build.whole_run_in_time_s(candidate)
    if whole is None or NO_RUN_IN in candidate.failure.off_ids:
        return found
    left_out = run_in_left_out(time_s=value(f"candidates.{candidate.id}.run_in_time"), whole_s=whole)
    if np.any(left_out > 0.0):
        found.append(value(_NO_RUN_IN_PATH) ** left_out)
    return found


def opinion(build: Build, candidate: Candidate) -> ChancePrior | None:
    """The chance of loss before any factor: the sheet's opinion, updated by the shop's record if it gives one.

    Opinion and record are of builds done with good practice, without the factors. None when the sheet says that every
    build is lost.
    """
    failure = candidate.failure
    if failure.one_in <= 1.0:
        return None
    prior = chance_prior(one_in=failure.one_in, worth_builds=failure.worth_builds)
    if failure.seen_losses is None or failure.seen_builds is None:
        return prior
    return posterior(prior, failure.seen_losses, failure.seen_builds)


def _opinion_chance(build: Build, candidate: Candidate) -> float:
    """The mean of the opinion; 1 / n to the last digit where there is no record."""
    if candidate.failure.seen_builds is None or candidate.failure.one_in <= 1.0:
        return 1.0 / float(candidate.failure.one_in)
    found = opinion(build, candidate)
    return found.mean if found is not None else 1.0


def _opinion_line(build: Build, candidate: Candidate) -> str:
    """Where an opinion stands: one row of the defaults is one opinion; the shop's record makes it a candidate's own."""
    datum = build.data[f"candidates.{candidate.id}.failure.one_in"]
    is_own = datum.written or candidate.failure.seen_builds is not None
    return chance_path(candidate) if is_own else datum.line


def _whose(build: Build, path: str) -> Candidate:
    return build.candidate(path.split(".")[1])


def nominal(build: Build, overrides: dict[str, float] | None = None) -> Lookup:
    """A Lookup of the values as given, some of them replaced."""
    changed = overrides or {}
    data = build.data

    def value(path: str) -> Any:
        if path in changed:
            return changed[path]
        if path.endswith(".failure.chance"):
            c = _whose(build, path)
            return odds_after(_opinion_chance(build, c), odds_multipliers(build, c, value))
        if path.startswith("pairing."):
            return _rule_range(build, path)[1]
        if path.startswith("factors."):
            return _factor_range(build, path)[1]
        return data[path].value

    return value


def _rule_range(build: Build, path: str) -> tuple[float, float, float]:
    """Low, middle and high of "pairing.cam-button.price" or ".time".

    Read from the rule and not from the data: a change tried out may call for a rule the sheet did not.
    """
    _, rule_id, key = path.split(".")
    rule = rule_of(build, rule_id)
    if key == "time":
        return rule.time_low_h, rule.time_h, rule.time_high_h
    low, middle, high = rule.price_low_money, rule.price_money, rule.price_high_money
    if low is None or middle is None or high is None:
        raise OutOfRange(f"the pairing rule '{rule_id}' has no price in {build.currency}")
    return low, middle, high


def _factor_range(build: Build, path: str) -> tuple[float, float, float]:
    """Low, middle and high of "factors.no-paste.odds".

    Read from the table and not from the data: a change tried out, as fewer minutes of run-in, may call for a factor
    the sheet did not.
    """
    factor = next(each for each in build.factors if each.id == path.split(".")[1])
    return factor.low, factor.odds, factor.high


def taxed_labour_rate(build: Build, value: Lookup) -> Any:
    """Labour by the hour (money/h) with its tax, which is asked for only where the sheet names one."""
    rate = value("shop.labour_rate")
    return rate * (1.0 + value("shop.tax_labour")) if build.shop.tax_labour > 0.0 else rate


def in_every_draw(values: Any) -> Array:
    """Draws as they are, or one value for all of them; not to be written into.

    >>> in_every_draw(2.5).shape, float(in_every_draw(True)[-1])
    ((2000,), 1.0)
    """
    return np.broadcast_to(np.asarray(values, dtype=float), (DRAWS,))


@functools.lru_cache(maxsize=2048)
def uniform_draws(path: str) -> Array:
    """Draws between 0 and 1, always the same for one path."""
    return read_only(np.random.default_rng(zlib.crc32(path.encode())).random(DRAWS))


@functools.lru_cache(maxsize=4096)
def triangular_draws(path: str, low: float, mode: float, high: float) -> Array:
    """Draws of a triangular distribution by inverse transform; the range is taken as its ends."""
    u, split = uniform_draws(path), (mode - low) / (high - low)
    rising = low + np.sqrt(u * (high - low) * (mode - low))
    falling = high - np.sqrt((1.0 - u) * (high - low) * (high - mode))
    return read_only(np.where(u < split, rising, falling))


def symmetric_draws(path: str) -> Array:
    """Draws of a triangular distribution from -1 to 1, always the same for one path."""
    return triangular_draws(path, -1.0, 0.0, 1.0)


@functools.lru_cache(maxsize=1024)
def _chance(path: str, alpha: float, beta: float) -> Array:
    return read_only(betaincinv(alpha, beta, uniform_draws(path)))


@functools.lru_cache(maxsize=1024)
def _odds(path: str, low: float, mode: float, high: float) -> Array:
    """Draws of an odds multiplier: triangular in its logarithm, so that half and double weigh the same."""
    return read_only(np.exp(triangular_draws(path, math.log(low), math.log(mode), math.log(high))))


def chance_draws(build: Build, candidate: Candidate, value: Lookup) -> Any:
    """Draws of a candidate's chance of loss, what multiplies its odds looked up by `value`."""
    prior = opinion(build, candidate)
    chance = 1.0 if prior is None else _chance(_opinion_line(build, candidate), prior.alpha, prior.beta)
    return odds_after(chance, odds_multipliers(build, candidate, value))


def draws(build: Build) -> Lookup:
    """A Lookup that answers with draws where a value has a range, else with the value itself; one line, one draw."""
    known: dict[str, Any] = {}

    def value(path: str) -> Any:
        found = known.get(path)
        if found is None:
            is_chance = path.endswith(".failure.chance")
            found = chance_draws(build, _whose(build, path), value) if is_chance else _drawn(build, path)
            known[path] = found
        return found

    return value


def _drawn(build: Build, path: str) -> Any:
    """Draws of a value of the sheet or of the library's tables; the value itself where it has no range."""
    if path.startswith("pairing."):
        low, middle, high = _rule_range(build, path)
        return triangular_draws(path, low, middle, high) if low < high else middle
    if path.startswith("factors."):
        return _odds(path, *_factor_range(build, path))
    datum = build.data[path]
    if datum.low is None or datum.high is None or not datum.low < datum.high:
        return datum.value
    if path.endswith(".odds"):
        return _odds(datum.line, datum.low, float(datum.value), datum.high)
    return triangular_draws(datum.line, datum.low, float(datum.value), datum.high)
