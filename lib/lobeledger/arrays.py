"""Two names for what numbers travel in: `Array` of floats, and `Num` for a float or such an array."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["Array", "Num"]

Array = NDArray[np.float64]
# A function of Num gives back what it was given: a float for a float, an array for an array.
Num = TypeVar("Num", float, NDArray[np.float64])
