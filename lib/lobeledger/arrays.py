"""What numbers travel in: `Array` of floats, and `Num` for a float or such an array.

An array that many are handed           `read_only`
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["Array", "Num", "read_only"]

Array = NDArray[np.float64]
# A function of Num gives back what it was given: a float for a float, an array for an array.
Num = TypeVar("Num", float, NDArray[np.float64])


def read_only(values: Array) -> Array:
    """The same array, that nobody may write into from now on: it is kept, and handed to many."""
    values.flags.writeable = False
    return values
