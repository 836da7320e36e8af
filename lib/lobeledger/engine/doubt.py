"""How far a computed difference in torque may be wrong.

How unsure is a candidate's torque?       `torque_doubt_share`
What may its gain over another be?        `torque_gain_draws`

The doubt is added to a gain, never multiplied into it: a gain of nothing is no surer than a gain of 3 %. It grows with
overlap, since waves in the exhaust, which a filling model leaves out, act while both valves are open.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from lobeledger.arguments import finite, not_negative
from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange

__all__ = ["torque_doubt_share", "torque_gain_draws"]


def torque_doubt_share(
    overlap_rad: Any,
    *,
    base_share: Any,
    misleading_overlap_rad: Any,
    growth_per_rad: Any,
) -> Any:
    """Half the width of the model's error of one candidate's torque, as a share of the torque.

    base + growth x (overlap - misleading overlap), the second term from the misleading overlap (crank, at the seat) up;
    all three are assumed, `model.torque_doubt...` of a sheet. A base of 1 % is what cross-talk of cylinders moves, and
    growth of 0.03 a radian (0.5 % every 10 degrees) what parted a filling model from a one-dimensional one: 1.8 to
    2.5 % at 100 to 110 degrees (own trials). A negative overlap counts as none.

    >>> [round(float(torque_doubt_share(np.radians(d), base_share=0.01, misleading_overlap_rad=np.radians(70.0),
    ...     growth_per_rad=0.03)), 4) for d in (40.0, 70.0, 110.0)]
    [0.01, 0.01, 0.0309]
    """
    finite(overlap_rad=overlap_rad)
    not_negative(base_share=base_share, misleading_overlap_rad=misleading_overlap_rad, growth_per_rad=growth_per_rad)
    return base_share + growth_per_rad * np.maximum(overlap_rad - misleading_overlap_rad, 0.0)


def torque_gain_draws(
    gain_share: float,
    *,
    doubt_share: Any,
    reference_doubt_share: Any,
    own_error: Any,
    shared_error: Any,
    family_share: float = 0.0,
    family_error: Any = 0.0,
    gain_by_runner_share: tuple[float, float] | None = None,
    runner_place: Any = 0.0,
) -> Array:
    """Draws of a candidate's gain in torque over the reference candidate.

    gain + doubt x own error + (doubt - reference's doubt) x shared error + family share x family error, where:

    - doubt_share: `torque_doubt_share` of the candidate; own_error: draws from -1 to 1 of the candidate's own;
    - shared_error: draws from -1 to 1, the same for every candidate: what the model has wrong for long overlap it has
      wrong for all of them, so that two candidates of one overlap share it and it leaves their difference alone;
    - family_share, family_error: what the card leaves open of its own lobes, and its draws;
    - gain_by_runner_share: the gain with the shortest and with the longest runner; runner_place: draws of where the
      runner lies, -1 shortest, 0 nominal, 1 longest, the same for every candidate. Straight between the three.

    Errors are numbers or arrays of one length. Raises OutOfRange for a place or an error outside -1 to 1.

    >>> torque_gain_draws(0.02, doubt_share=0.03, reference_doubt_share=0.01, own_error=np.array([0.0, 1.0, 0.0]),
    ...     shared_error=np.array([0.0, 0.0, -1.0])).round(3).tolist()
    [0.02, 0.05, 0.0]
    """
    finite(gain_share=gain_share)
    not_negative(doubt_share=doubt_share, reference_doubt_share=reference_doubt_share, family_share=family_share)
    named = {"own_error": own_error, "shared_error": shared_error, "family_error": family_error}
    for name, value in {**named, "runner_place": runner_place}.items():
        if not np.all(np.abs(np.asarray(value, dtype=float)) <= 1.0):
            raise OutOfRange(f"{name} reaches {float(np.max(np.abs(value))):g}; it lies between -1 and 1.")
    middle: Any = gain_share
    if gain_by_runner_share is not None:
        short, long = gain_by_runner_share
        middle = np.interp(runner_place, (-1.0, 0.0, 1.0), (short, gain_share, long))
    drawn = middle + doubt_share * np.asarray(own_error, dtype=float) + family_share * np.asarray(family_error)
    return np.asarray(drawn + (doubt_share - reference_doubt_share) * np.asarray(shared_error), dtype=float)
