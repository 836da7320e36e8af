"""Checks of a function's arguments, each with the sentence it answers with.

`positive`, `not_negative`, `finite`
"""

from __future__ import annotations

from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange

__all__ = ["finite", "not_negative", "positive", "worst_shown"]


def positive(**values: Any) -> None:
    """Raise OutOfRange unless every value is finite and above zero."""
    for name, value in values.items():
        found = np.asarray(value, dtype=float)
        if not np.all(np.isfinite(found) & (found > 0.0)):
            raise OutOfRange(f"{name} is {worst_shown(found)}; it must be a finite number above zero.")


def not_negative(**values: Any) -> None:
    """Raise OutOfRange unless every value is finite and zero or more."""
    for name, value in values.items():
        found = np.asarray(value, dtype=float)
        if not np.all(np.isfinite(found) & (found >= 0.0)):
            raise OutOfRange(f"{name} is {worst_shown(found)}; it must be a finite number, zero or more.")


def finite(**values: Any) -> None:
    """Raise OutOfRange unless every value is finite."""
    for name, value in values.items():
        found = np.asarray(value, dtype=float)
        if not np.all(np.isfinite(found)):
            raise OutOfRange(f"{name} is {worst_shown(found)}; it must be a finite number.")


def worst_shown(values: Array) -> str:
    """The worst value of an array in words fit for a message."""
    if values.ndim == 0:
        return f"{float(values):g}"
    bad = values[~np.isfinite(values)]
    return f"{float(bad[0]):g}" if bad.size else f"as low as {float(np.min(values)):g}"
