"""Draws of what the mechanics of a candidate are made from: its values, and the lobes its cards leave open.

What may a value be?                   `Drawn`
Which lobes may its cards hide?        `DrawnLobes`, `drawn_lobes`
Where do they fall below a level?      `first_below`

Everything here follows from `MechanicalInputs` alone, so that what is kept by them is never stale. A value is drawn by
the line of the sheet that it stands on; one draw of lobes serves both cams of a candidate: one grinder, one habit.
"""

from __future__ import annotations

import dataclasses
import functools
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.inputs import MechanicalInputs
from lobeledger.assess.lobes import follower_limits, kept_lobe, ramp_of, ramp_room_m
from lobeledger.doubt.draws import triangular_draws, uniform_draws
from lobeledger.lobe.family import UNIFORMS, LobeDraws, LobeFamily, family_from_card, lobe_draws
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.ramp import ramp_as_given
from lobeledger.parts.card import Card
from lobeledger.parts.spec import key_of

__all__ = ["Drawn", "DrawnLobes", "drawn_lobes", "first_below"]


class Drawn:
    """Looks up what a value of the inputs may be, by its key: draws where it has a range, else the value itself."""

    def __init__(self, inputs: MechanicalInputs) -> None:
        c = inputs.candidate
        self.ranges = {each.key: each for each in inputs.ranges}
        self._values: dict[str, float] = {
            "idle_speed": inputs.idle_speed_rpm,
            "intake.lobe_lift": c.intake.lobe_lift_m,
            "exhaust.lobe_lift": c.exhaust.lobe_lift_m,
        }
        if inputs.converter_stall_rpm is not None:
            self._values["converter_stall"] = inputs.converter_stall_rpm
        for part in (c, c.valvetrain, c.springs, inputs.engine, inputs.model):
            for each in dataclasses.fields(part):
                value = getattr(part, each.name)
                if isinstance(value, (int, float)) and not isinstance(value, bool):
                    self._values[key_of(each.name)] = value

    def nominal(self, key: str) -> float:
        """The value as given."""
        return self._values[key]

    def __call__(self, key: str) -> Any:
        """Draws of a value, or the value."""
        each = self.ranges.get(key)
        value = self._values[key]
        return value if each is None else triangular_draws(each.line, each.low, value, each.high)

    def __contains__(self, key: str) -> bool:
        """Whether a value goes by this key: durations of cards are drawn with their lobes, flow tables not at all."""
        return key in self._values

    def scale(self, key: str) -> Any:
        """Draws of a value as multiples of what is given."""
        return self(key) / self._values[key]

    def columns(self) -> dict[str, Array]:
        """Every value that is drawn, by its line."""
        return {each.line: self(each.key) for each in self.ranges.values() if each.key in self._values}


@functools.lru_cache(maxsize=256)
def _family(
    card: Card,
    limits: Any,
    base_m: float,
    ramp: Any,
    room_m: float,
    allowances: tuple[float, float],
    lowest: float,
    room_ends: tuple[float, float] | None,
) -> LobeFamily:
    return family_from_card(
        card,
        limits,
        base_radius_m=base_m,
        ramp=ramp,
        seat_m=room_m,
        jerk_allowance=allowances[0],
        shape_allowance=allowances[1],
        lowest_tolerance_rad=lowest,
        seat_ends_m=room_ends,
        known=kept_lobe(card, limits, base_m, ramp, room_m, *allowances),
    )


def _room_ends_m(inputs: MechanicalInputs, room_m: float) -> tuple[float, float] | None:
    """Least and greatest lift that a solid lobe's ramp makes room for; None for a hydraulic one."""
    give = next((each for each in inputs.ranges if each.key == "ramp_give"), None)
    if inputs.candidate.lifter != "solid" or give is None:
        return None
    least = room_m - inputs.model.ramp_give_m
    return least + give.low, least + give.high


def _lowest_tolerance_rad(inputs: MechanicalInputs, which: str) -> float:
    """Half-width of a card's durations taken as one tolerance of its lowest: the widest that is written (crank rad).

    A card ground or quoted long is long at every lift; that durations move apart is left to the family.
    """
    widths = [0.0]
    for each in inputs.ranges:
        side, _, rest = each.key.partition(".")
        if side == which and rest.startswith("durations."):
            width = (each.high - each.low) / 2.0
            widths.append(width if rest.endswith("duration") else 2.0 * width)
    return max(widths)


def first_below(lift: Array, level: Any) -> tuple[Array, Array]:
    """Where each row, beginning at the nose, first falls below a level: the point before, and the share of a step past.

    lift: shape (draws, points). level: one for all, or a column.
    """
    below = np.maximum((lift < level).argmax(axis=1), 1)
    rows = np.arange(len(lift))
    upper, lower = lift[rows, below - 1], lift[rows, below]
    return below - 1, (upper - np.ravel(level)) / np.maximum(upper - lower, 1e-12)


@dataclasses.dataclass(frozen=True, eq=False)
class DrawnLobes:
    """The lobes of a candidate to draw from: the families of its two cards and the draws that both share."""

    families: dict[str, LobeFamily]
    draws: LobeDraws

    def weights(self, which: str) -> Array:
        """Share of each member of a family in each draw, shape (DRAWS, members)."""
        return self.families[which].weights(self.draws)

    def lobe(self, which: str, i: int) -> Lobe:
        """The lobe of draw number i."""
        return self.families[which].lobe(self.draws, i)

    def as_given(self) -> DrawnLobes:
        """The same with the smoothest lobe at its nominal ramp in every draw."""
        d = self.draws
        return DrawnLobes(self.families, LobeDraws(0.0 * d.ramp, 0.0 * d.s, d.e, 0.0 * d.d, 0.0 * d.h))

    def columns(self, name: str) -> dict[str, Array]:
        """What was drawn of them, by names that belong to the candidate `name`."""
        found = {f"lobe.{name}.ramp": self.draws.ramp, f"lobe.{name}.s": self.draws.s}
        moves = {move for family in self.families.values() for move in family.moves}
        found |= {
            f"lobe.{name}.{k}": each
            for k, each, move in (("d", self.draws.d, "duration"), ("h", self.draws.h, "ramp height"))
            if move in moves
        }
        return found | {f"lobe.{name}.e{k}": self.draws.e[:, k] for k in range(self.draws.e.shape[1])}


@functools.lru_cache(maxsize=128)
def drawn_lobes(inputs: MechanicalInputs, name: str) -> DrawnLobes:
    """The families of a candidate's cards, and draws under its name. Raises NoSolution for a card that no lobe fits."""
    c, model = inputs.candidate, inputs.model
    limits, ramp = follower_limits(c, model, inputs.pressure_angle_rad), ramp_of(model, c.lifter)
    rooms = {which: ramp_room_m(c, which, model) for which in ("intake", "exhaust")}
    families = {
        which: _family(
            card,
            limits,
            c.valvetrain.base_circle_radius_m,
            ramp,
            rooms[which],
            (model.jerk_allowance, model.shape_allowance),
            _lowest_tolerance_rad(inputs, which),
            _room_ends_m(inputs, rooms[which]),
        )
        for which, card in (("intake", c.intake), ("exhaust", c.exhaust))
    }
    uniforms = np.stack([uniform_draws(f"lobe.{name}.{k}") for k in range(UNIFORMS)], axis=1)
    return DrawnLobes(families, lobe_draws(uniforms, ramp_as_given(c.intake, "opening", ramp)))
