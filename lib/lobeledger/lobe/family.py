"""Lobes drawn from all that a card leaves open: shape, ramp velocity and height, a duration's tolerance.

Make a family                          `family_from_card` -> `LobeFamily`
Draw lobes of it                       `LobeFamily.draw` (lift), `LobeFamily.motion`, `LobeFamily.lobe`
From uniform numbers                   `lobe_draws` -> `LobeDraws`

A drawn lobe is

    (1 - s) nominal(v) + s sum over k of e_k extreme_k  [+ d (moved - nominal)] [+ h (moved - nominal)]

nominal(v): the smoothest lobe at a ramp velocity, between those made at the low, the middle and the high end of its
range. extremes: the corners of what the card allows (`card`). s, how far from the smoothest a grinder's own lobe
lies, is drawn triangular from 0 to 1, 0 the likeliest; the shares e even over all that add up to 1 (Dirichlet of
ones). Both laws are assumed: nothing is published of how grinders' lobes lie within what their cards allow. d moves
the lowest quoted duration within its tolerance, h the height of a solid ramp within its range.

One draw serves both cams of a candidate: one grinder, one habit. So shares go by the extreme's name over all of
`EXTREMES`, and each family takes those that it has, made to add up to 1 again, which leaves Dirichlet shares. What
the card's limits say linearly (face, pressure angle, jerk, nose radius of a flat's lobe) holds for every draw, apart
from a hair for d and h; the grinder's wheel holds within some per cent (tests/lobe/test_family.py).
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from lobeledger.arrays import Array
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe.card import CardLobe, lobe_from_card, smoothest_lobe
from lobeledger.lobe.flank import on_grid
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.ramp import Limits, Ramp
from lobeledger.parts.card import Card, CardPoint, CardRamp

__all__ = ["EXTREMES", "UNIFORMS", "LobeDraws", "LobeFamily", "family_from_card", "lobe_draws"]

# Every extreme that some family has, in the order of the shares.
EXTREMES = (
    "least peak deceleration",
    "greatest nose deceleration",
    "greatest deceleration off the nose",
    "greatest deceleration off the nose, closing",
    "greatest area",
    "least area",
    "fuller flanks",
    "leaner flanks",
)
# Where no lobe fits at an end of the ramp's range, ends this much nearer to the middle are tried in turn.
_NEARER = (1.0, 0.5, 0.25)


class LobeDraws(NamedTuple):
    """Draws of lobes, for both cams of a candidate.

    ramp: where in its range the ramp velocity lies, -1 low, 0 nominal, 1 high, shape (draws,). s: (draws,). e: shares
    by `EXTREMES`, (draws, len(EXTREMES)). d, h: where in their ranges the lowest duration and the ramp's height lie,
    from -1 to 1, (draws,).
    """

    ramp: Array
    s: Array
    e: Array
    d: Array
    h: Array


# Uniform numbers that one draw takes.
UNIFORMS = 4 + len(EXTREMES)


def lobe_draws(uniforms: ArrayLike, ramp: Ramp) -> LobeDraws:
    """Draws from uniform numbers, shape (draws, UNIFORMS): ramp, s, d, h, then one for each extreme.

    Ramp velocity, d and h are triangular (low, nominal, high), by inverse transform; `ramp` gives the velocities whose
    spacing decides how often either side comes up (d and h: ranges even to both sides). Source: triangular
    distribution, its inverse.

    >>> draws = lobe_draws(np.full((1, UNIFORMS), 0.5), Ramp(1.0, 0.5, 2.0))
    >>> draws.ramp.round(4).tolist(), draws.s.round(4).tolist(), draws.e[0, :2].tolist()
    ([0.134], [0.2929], [0.125, 0.125])
    """
    u = np.asarray(uniforms, dtype=float)
    if u.ndim != 2 or u.shape[1] != UNIFORMS:
        raise OutOfRange(f"uniforms have shape {u.shape}; give (draws, {UNIFORMS})")
    width = ramp.high_m_per_rad - ramp.low_m_per_rad
    below = (ramp.velocity_m_per_rad - ramp.low_m_per_rad) / width if width > 0.0 else 0.5
    shares = -np.log(np.maximum(u[:, 4:], 1e-300))
    return LobeDraws(
        _place(u[:, 0], below), 1.0 - np.sqrt(u[:, 1]), shares / shares.sum(axis=1, keepdims=True),
        _place(u[:, 2], 0.5), _place(u[:, 3], 0.5),
    )  # fmt: skip


def _place(u: Array, below: float) -> Array:
    """Inverse of the triangular law on [-1, 1] with its mode at 0 and this much of its mass below."""
    down = np.sqrt(u / below) - 1.0 if below > 0.0 else np.zeros_like(u)
    up = 1.0 - np.sqrt(np.maximum(1.0 - u, 0.0) / (1.0 - below)) if below < 1.0 else np.zeros_like(u)
    return np.asarray(np.where(u < below, down, up))


@dataclass(frozen=True, eq=False)
class LobeFamily:
    """A card's lobes to draw from, all on one grid.

    stack: lift, velocity, acceleration of the smoothest lobe at the low, middle and high ramp velocity, of the extremes
    by `names`, then two lobes for each of `moves`, at its low and its high end; shape (members, 3, n).
    card_lobe: what the card says without draws. ramp_ends: how much of the ramp's range to either side has a lobe
    (1: all of it). A family of the smoothest lobe only, with no extremes, draws that one.
    """

    card_lobe: CardLobe
    theta_cam_rad: Array
    names: tuple[str, ...]
    ramp_ends: tuple[float, float]
    moves: tuple[str, ...]
    stack: Array

    def weights(self, draws: LobeDraws) -> Array:
        """Share of every member in every draw, shape (draws, members); rows add up to 1."""
        place = np.atleast_1d(np.asarray(draws.ramp, dtype=float))
        s, moves = np.atleast_1d(draws.s), {"duration": np.atleast_1d(draws.d), "ramp height": np.atleast_1d(draws.h)}
        if np.any((s < 0.0) | (s > 1.0)) or any(np.any(np.abs(x) > 1.0) for x in (place, *moves.values())):
            raise OutOfRange("a draw of a lobe has a place in a range outside -1 to 1, or its s outside 0 to 1")
        w = np.zeros((place.size, self.stack.shape[0]))
        low, high = np.maximum(-place, 0.0), np.maximum(place, 0.0)
        w[:, 0], w[:, 1], w[:, 2] = low, 1.0 - low - high, high
        if self.names:
            own = np.atleast_2d(draws.e)[:, [EXTREMES.index(name) for name in self.names]]
            w[:, :3] *= (1.0 - s)[:, None]
            w[:, 3 : 3 + len(self.names)] = s[:, None] * own / own.sum(axis=1, keepdims=True)
        for k, name in enumerate(self.moves):
            first, at = 3 + len(self.names) + 2 * k, moves[name]
            w[:, first], w[:, first + 1] = np.maximum(-at, 0.0), np.maximum(at, 0.0)
            w[:, 1] -= np.abs(at)
        return w

    def draw(self, draws: LobeDraws) -> Array:
        """Lift (m) of every draw, shape (draws, n)."""
        return np.asarray(self.weights(draws) @ self.stack[:, 0])

    def motion(self, draws: LobeDraws) -> Array:
        """Lift, velocity and acceleration of every draw, shape (draws, 3, n)."""
        return np.asarray(np.tensordot(self.weights(draws), self.stack, (1, 0)))

    def lobe(self, draws: LobeDraws, i: int) -> Lobe:
        """Draw number i as a lobe."""
        one = LobeDraws(*(each[i : i + 1] for each in draws))
        lift, velocity, acceleration = self.motion(one)[0]
        return Lobe(self.theta_cam_rad, lift, velocity, acceleration)


def _at_place(card: Card, ramp: Ramp, place: float) -> tuple[Card, Ramp]:
    """Card and ramp with every ramp velocity at a place of its range; the ranges stay."""

    def velocity(of: Ramp | CardRamp) -> float:
        end = of.high_m_per_rad if place > 0.0 else of.low_m_per_rad
        return of.velocity_m_per_rad + abs(place) * (end - of.velocity_m_per_rad)

    own = {
        name: replace(given, velocity_m_per_rad=velocity(given))
        for name in ("opening_ramp", "closing_ramp")
        if (given := getattr(card, name)) is not None
    }
    return replace(card, **own), replace(ramp, velocity_m_per_rad=velocity(ramp))


def _with_lowest(card: Card, extra_rad: float) -> Card:
    """The card with its lowest duration longer by so much, divided as it was."""

    def longer(point: CardPoint) -> CardPoint:
        duration = point.duration_rad + extra_rad
        opening = None if point.opening_rad is None else point.opening_rad * duration / point.duration_rad
        return replace(point, duration_rad=duration, opening_rad=opening)

    return replace(card, points=(longer(card.points[0]), *card.points[1:]))


def family_from_card(
    card: Card,
    limits: Limits,
    *,
    base_radius_m: float,
    ramp: Ramp,
    seat_m: float,
    jerk_allowance: float,
    shape_allowance: float,
    lowest_tolerance_rad: float = 0.0,
    seat_ends_m: tuple[float, float] | None = None,
    known: CardLobe | None = None,
) -> LobeFamily:
    """The family of a card: two lobes more than `lobe_from_card`, and two for each further thing that is in doubt.

    lowest_tolerance_rad: half-width of the lowest duration (crank rad). seat_ends_m: least and greatest lobe lift that
    its ramp makes room for, about seat_m. Where no lobe fits at an end of the ramp's range
    or of a further range, a nearer one stands for it, at the worst the nominal one. known: what
    `lobe_from_card` gave for the same card already. Raises as `lobe_from_card` does.
    """
    rest: dict[str, Any] = dict(
        base_radius_m=base_radius_m, seat_m=seat_m, jerk_allowance=jerk_allowance, shape_allowance=shape_allowance
    )
    middle = known if known is not None else lobe_from_card(card, limits, ramp=ramp, **rest)

    def end(place: float) -> tuple[Lobe, float]:
        for share in _NEARER:
            there, its_ramp = _at_place(card, ramp, place * share)
            try:
                return smoothest_lobe(there, limits, ramp=its_ramp, **rest), share
            except NoSolution:
                continue
        return middle.nominal, 0.0

    def moved(whole: Callable[[], Card], at_m: float) -> Lobe:
        try:
            return smoothest_lobe(whole(), limits, ramp=ramp, **{**rest, "seat_m": at_m})
        except (NoSolution, OutOfRange):
            return middle.nominal

    (low, low_share), (high, high_share) = end(-1.0), end(1.0)
    members = [low, middle.nominal, high, *middle.extremes.values()]
    moves: list[str] = []
    if lowest_tolerance_rad > 0.0:
        moves.append("duration")
        for extra in (-lowest_tolerance_rad, lowest_tolerance_rad):
            members.append(moved(functools.partial(_with_lowest, card, extra), seat_m))
    if seat_ends_m is not None:
        moves.append("ramp height")
        members += [moved(lambda: card, at_m) for at_m in seat_ends_m]
    theta = max((m.theta_cam_rad for m in members), key=len)
    members = [on_grid(m, theta) for m in members]
    stack = np.stack([[m.lift_m, m.velocity_m_per_rad, m.acceleration_m_per_rad2] for m in members])
    return LobeFamily(middle, theta, tuple(middle.extremes), (low_share, high_share), tuple(moves), stack)
