"""How well a shop's reading is known.

`resolution_uncertainty_m`, `limits_uncertainty_m`, `repeats`, `reading_uncertainty_m`, `angle_uncertainty_deg`
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from lobeledger.errors import OutOfRange

__all__ = [
    "Repeats",
    "angle_uncertainty_deg",
    "limits_uncertainty_m",
    "reading_uncertainty_m",
    "repeats",
    "resolution_uncertainty_m",
]


def at_least(name: str, value: float, *, least: float = 0.0) -> None:
    if not (math.isfinite(value) and value >= least):
        raise OutOfRange(f"{name} is {value:g}; it must be a finite number of {least:g} or more")


def resolution_uncertainty_m(step_m: float) -> float:
    """Standard uncertainty from reading a scale to its nearest step: step / sqrt(12), m.

    A rectangular distribution one step wide. GUM (JCGM 100:2008) F.2.2.1, from memory. Raises OutOfRange.

    >>> round(resolution_uncertainty_m(0.0005 * 0.0254) / 0.0254, 6)
    0.000144
    """
    at_least("step_m", step_m)
    return step_m / math.sqrt(12.0)


def limits_uncertainty_m(half_width_m: float) -> float:
    """Standard uncertainty of an error that lies anywhere within plus or minus half_width: half_width / sqrt(3), m.

    For the error an indicator's data sheet allows. GUM (JCGM 100:2008) 4.3.7, from memory. Raises OutOfRange.

    >>> round(limits_uncertainty_m(0.0127e-3) * 1e6, 2)
    7.33
    """
    at_least("half_width_m", half_width_m)
    return half_width_m / math.sqrt(3.0)


class Repeats(NamedTuple):
    """Readings of one thing repeated: mean, standard deviation of one reading, and of the mean."""

    mean: float
    spread: float
    mean_uncertainty: float


def repeats(readings: Sequence[float]) -> Repeats:
    """Mean, spread s = sqrt(sum (x - mean)^2 / (n - 1)) and s / sqrt(n); any unit. Needs two readings.

    GUM (JCGM 100:2008) 4.2, type A, from memory. Raises OutOfRange.

    >>> repeats([7.0, 8.0, 9.0]).spread
    1.0
    """
    x = np.asarray(readings, dtype=float)
    if x.ndim != 1 or x.size < 2 or not np.all(np.isfinite(x)):
        raise OutOfRange(f"repeats has {x.size} readings; give two or more finite numbers")
    spread = float(np.std(x, ddof=1))
    return Repeats(float(np.mean(x)), spread, spread / math.sqrt(x.size))


def reading_uncertainty_m(
    *, resolution_m: float, indicator_error_m: float, repeatability_m: float, times: int = 1
) -> float:
    """Combined standard uncertainty of a lift: sqrt(resolution^2/12 + error^2/3 + repeatability^2/times), m.

    resolution_m: step of the scale. indicator_error_m: plus or minus, rectangular. repeatability_m: spread of one
    reading when it is set up anew (`repeats`). times: readings averaged. Root sum of squares of independent parts,
    GUM (JCGM 100:2008) 5.1.2, from memory; twice this is the expanded uncertainty (k = 2). Raises OutOfRange.

    >>> inch = 0.0254
    >>> u = reading_uncertainty_m(
    ...     resolution_m=0.0005 * inch, indicator_error_m=0.0005 * inch, repeatability_m=0.0003 * inch)
    >>> round(u / inch, 5), round(2 * u / inch, 5)
    (0.00044, 0.00088)
    """
    at_least("repeatability_m", repeatability_m)
    at_least("times", times, least=1)
    parts = (
        resolution_uncertainty_m(resolution_m),
        limits_uncertainty_m(indicator_error_m),
        repeatability_m / math.sqrt(times),
    )
    return math.hypot(*parts)


def angle_uncertainty_deg(*, lift_uncertainty_m: float, rise_m_per_deg: float) -> float:
    """Uncertainty of an angle read off a flank: lift uncertainty / |rise per degree|, in the same degrees.

    Linear propagation, GUM (JCGM 100:2008) 5.1.2, from memory. Near the nose or the base circle the flank does not
    rise and no angle can be read. Raises OutOfRange for a rise of zero.

    >>> round(angle_uncertainty_deg(lift_uncertainty_m=0.001, rise_m_per_deg=0.0055), 2)
    0.18
    """
    at_least("lift_uncertainty_m", lift_uncertainty_m)
    if not math.isfinite(rise_m_per_deg) or rise_m_per_deg == 0.0:
        raise OutOfRange(f"rise_m_per_deg is {rise_m_per_deg:g}; an angle can be read only where the flank rises")
    return lift_uncertainty_m / abs(rise_m_per_deg)
