"""The elastic valvetrain as lumped parts: lifter, pushrod, rocker, valve, springs, oil column.

What is it made of?                    `Train`, `ValveSpring`, `OilColumn`, `RockerArms`
How do I describe mine?                `train_from`
How stiff is a part?                   `pushrod_stiffness_n_per_m`, `beam_tip_stiffness_n_per_m`,
                                       `stiffness_at_valve_n_per_m`
What does the oil do?                  `oil_column_stiffness_n_per_m`, `oil_leak_n_s_per_m`,
                                       `oil_leak_from_test_n_s_per_m`
When does it open, and give before?    `opening_cam_rad`, `Train.static_give_m`
At what does it ring?                  `first_mode_hz`, `spring_first_surge_hz`, `first_mode_damping_ratio`,
                                       `with_damping_of`
Where does it rest?                    `rest_state`

Masses and stiffnesses act along the axis of the part they belong to: lifter and pushrod along the lifter's,
rocker as felt at its pushrod end, valve and springs along the valve's. The oil column, the lobe and the seat press
but never pull; so do pushrod and rocker tip. Damping of pushrod and rocker is in proportion to stiffness and set by
the damping ratio of the first mode; higher modes are then damped more, in proportion to their frequency. Lobe and seat
have dampers of their own: in proportion to a stiffness of 1e8 N/m they would answer a landing with a blow.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from dataclasses import dataclass, field

import numpy as np

from lobeledger.arrays import Array, read_only
from lobeledger.errors import OutOfRange
from lobeledger.lobe.lift import Lobe
from lobeledger.train import solver as core
from lobeledger.train.stiffness import (
    check_part,
)

__all__ = [
    "SPRING_MASSES",
    "OilColumn",
    "RockerArms",
    "Train",
    "ValveSpring",
    "first_mode_damping_ratio",
    "first_mode_hz",
    "opening_cam_rad",
    "rest_state",
    "spring_first_surge_hz",
    "train_from",
    "with_damping_of",
]

GRAVITY_M_PER_S2 = 9.80665
ATMOSPHERE_PA = 101325.0
# Masses that a spring's active coils are cut into: its first surge is then within 1 % of a continuous one's.
SPRING_MASSES = 6


@dataclass(frozen=True)
class ValveSpring:
    """One valve spring: its load on the closed valve, rate, and the mass of its active coils.

    end_coil_kg: the dead coil that travels with the retainer. damping_ratio: of its first surge.
    """

    seat_load_n: float
    rate_n_per_m: float
    active_mass_kg: float
    end_coil_kg: float = 0.0
    damping_ratio: float = field(kw_only=True)

    def __post_init__(self) -> None:
        check_part(
            "spring",
            positive=("rate_n_per_m", "active_mass_kg"),
            not_negative=("seat_load_n", "end_coil_kg", "damping_ratio"),
            of=self,
        )


@dataclass(frozen=True)
class OilColumn:
    """The oil under the plunger of a hydraulic lifter, and what presses it up.

    stiffness_n_per_m: of the oil with its plunger area (`oil_column_stiffness_n_per_m`). plunger_spring_n and supply_pa
    push the plunger up. Above the supply's pressure oil leaks out, leak_n_s_per_m being load over sinking speed
    (`oil_leak_n_s_per_m`). Below it oil enters through the check valve, refill_n_s_per_m being suction over the
    column's speed; suction ends at a void. The check valve's own mass and travel are left out.
    travel_up_m: how far the plunger may rise above its working height before the clip stops it (the preload it
    was set to). start_m: length of the column at the start over the working height: below zero for a lifter that
    has leaked down, above for one that is pumped up.
    """

    plunger_kg: float
    stiffness_n_per_m: float
    plunger_area_m2: float
    plunger_spring_n: float
    supply_pa: float
    leak_n_s_per_m: float
    refill_n_s_per_m: float
    travel_up_m: float
    start_m: float = 0.0

    def __post_init__(self) -> None:
        check_part(
            "oil column",
            positive=("plunger_kg", "stiffness_n_per_m", "plunger_area_m2", "leak_n_s_per_m", "refill_n_s_per_m"),
            not_negative=("plunger_spring_n", "supply_pa", "travel_up_m"),
            of=self,
        )
        if not math.isfinite(self.start_m):
            raise OutOfRange(f"start_m of the oil column is {self.start_m}; it must be a finite number")

    @property
    def plunger_load_n(self) -> float:
        """What pushes the plunger up while the check valve is open: its spring, and the supply's pressure."""
        return self.plunger_spring_n + self.supply_pa * self.plunger_area_m2

    @property
    def suction_n(self) -> float:
        """Load lost when a void opens under the plunger: supply and atmosphere over its area."""
        return (self.supply_pa + ATMOSPHERE_PA) * self.plunger_area_m2


@dataclass(frozen=True)
class RockerArms:
    """A rocker of two arms about a fixed pivot, so that its ratio changes as it turns.

    Each angle is that of the arm to the square of what it pushes, valve closed; it grows as the valve opens. With
    a pushrod and a stem that keep their directions, cup travel is a (sin(u + u0) - sin u0) and tip travel
    b (sin(u + v0) - sin v0), u the rocker's turn. Rollers and curved tips, whose contact wanders, are left out.
    """

    pushrod_arm_m: float
    valve_arm_m: float
    pushrod_angle_rad: float
    valve_angle_rad: float

    def __post_init__(self) -> None:
        check_part("rocker", positive=("pushrod_arm_m", "valve_arm_m"), of=self)
        for name in ("pushrod_angle_rad", "valve_angle_rad"):
            if not abs(getattr(self, name)) < 1.0:
                raise OutOfRange(f"{name} of the rocker is {getattr(self, name)}; an arm stands within 1 rad of square")

    @property
    def ratio(self) -> float:
        """Valve travel over pushrod travel, valve closed."""
        valve = self.valve_arm_m * math.cos(self.valve_angle_rad)
        return valve / (self.pushrod_arm_m * math.cos(self.pushrod_angle_rad))


@dataclass(frozen=True)
class Train:
    """One valve's train as the solver takes it. `train_from` makes one from what a shop knows.

    lifter_kg: lifter and half the pushrod (hydraulic: the body alone). The weights are what gravity adds along the
    lifter bore: it alone brings loose parts back to the lobe while there is lash. rocker_kg: rocker inertia over its
    pushrod arm squared, and half the pushrod. valve_kg: valve, retainer, locks (springs add their own). With `arms` the
    ratio is theirs and `ratio` only describes it at rest. structural_damping_s: damping over stiffness of pushrod and
    rocker. lobe and seat damping ratios: of the lifter on its contact, of the valve on its seat; 0.15 throws back
    about 0.6 of the speed of an impact. lash_m: at the valve, hot. watch_above_m: contact is judged only while the
    valve is further off its seat than this.
    """

    lifter_kg: float
    rocker_kg: float
    valve_kg: float
    ratio: float
    pushrod_stiffness_n_per_m: float
    rocker_stiffness_n_per_m: float
    lobe_stiffness_n_per_m: float
    seat_stiffness_n_per_m: float
    structural_damping_s: float
    lobe_damping_ratio: float
    seat_damping_ratio: float
    lash_m: float
    springs: tuple[ValveSpring, ...]
    spring_masses: int = SPRING_MASSES
    oil: OilColumn | None = None
    arms: RockerArms | None = None
    lifter_weight_n: float = 0.0
    rocker_weight_n: float = 0.0
    watch_above_m: float = 0.0
    gas_n: float = 0.0
    gas_span_cam_rad: float = math.radians(40.0)
    stem_friction_n: float = 0.0

    def __post_init__(self) -> None:
        check_part(
            "train",
            positive=(
                "lifter_kg", "rocker_kg", "valve_kg", "ratio", "pushrod_stiffness_n_per_m",
                "rocker_stiffness_n_per_m", "lobe_stiffness_n_per_m", "seat_stiffness_n_per_m", "gas_span_cam_rad",
            ),
            not_negative=(
                "structural_damping_s", "lobe_damping_ratio", "seat_damping_ratio", "lash_m", "lifter_weight_n",
                "rocker_weight_n", "watch_above_m", "gas_n", "stem_friction_n",
            ),
            of=self,
        )  # fmt: skip
        if not 1 <= len(self.springs) <= 2:
            raise OutOfRange(f"the train has {len(self.springs)} springs; give one, or an outer and an inner")
        if not 1 <= self.spring_masses <= 40:
            raise OutOfRange(f"spring_masses is {self.spring_masses}; from 1 to 40 make sense (6 is within 1 %)")

    @property
    def seat_load_n(self) -> float:
        """Load of all springs on the closed valve."""
        return sum(s.seat_load_n for s in self.springs)

    @property
    def rate_n_per_m(self) -> float:
        """Rate of all springs together."""
        return sum(s.rate_n_per_m for s in self.springs)

    @property
    def static_give_m(self) -> float:
        """Lobe lift that the train gives under its seat load before the valve moves, lifter solid: seat load * ratio/k.

        1/k = 1/lobe + 1/pushrod + 1/(ratio^2 rocker), all as felt at the lobe; a hydraulic lifter's oil column is left
        out, since what it gives and leaks has a figure of its own. Source: springs in series through a lever, derived.
        """
        give = 1.0 / self.lobe_stiffness_n_per_m + 1.0 / self.pushrod_stiffness_n_per_m
        give += 1.0 / (self.ratio**2 * self.rocker_stiffness_n_per_m)
        return self.ratio * self.seat_load_n * give

    @property
    def end_mass_kg(self) -> float:
        """Mass of the valve body in the model: valve side, dead coils and the half mass at each spring's end."""
        half = sum(s.active_mass_kg for s in self.springs) / (2.0 * (self.spring_masses + 1))
        return self.valve_kg + sum(s.end_coil_kg for s in self.springs) + half

    @property
    def lobe_damping_n_s_per_m(self) -> float:
        """Damping of the lobe contact: 2 z sqrt(k m) with the mass of the lifter (body)."""
        return 2.0 * self.lobe_damping_ratio * math.sqrt(self.lobe_stiffness_n_per_m * self.lifter_kg)

    @property
    def seat_damping_n_s_per_m(self) -> float:
        """Damping of the seat contact: 2 z sqrt(k m) with the mass at the valve."""
        return 2.0 * self.seat_damping_ratio * math.sqrt(self.seat_stiffness_n_per_m * self.end_mass_kg)

    @property
    def rigid_mass_at_lifter_kg(self) -> float:
        """Mass at the lifter if nothing bent: a third of each spring's active coils moves with the valve."""
        valve = self.valve_kg + sum(s.end_coil_kg + s.active_mass_kg / 3.0 for s in self.springs)
        plunger = self.oil.plunger_kg if self.oil else 0.0
        return self.lifter_kg + plunger + self.rocker_kg + self.ratio**2 * valve


def _first_mode(train: Train) -> tuple[float, Array, Array, Array]:
    """First mode of the train off its seat, all joints in contact, springs as one: omega, shape, K, damped K."""
    r, valve = train.ratio, train.end_mass_kg
    valve += sum(s.active_mass_kg for s in train.springs) * (1.0 / 3.0 - 0.5 / (train.spring_masses + 1))
    masses = [train.lifter_kg, train.rocker_kg, valve]
    damped, plain = np.zeros((4, 4)), np.zeros((4, 4))

    def join(matrix: Array, stiffness: float, **shares: float) -> None:
        row = np.array([shares.get(name, 0.0) for name in ("lifter", "rocker", "valve", "plunger")])
        matrix += stiffness * np.outer(row, row)

    join(plain, train.lobe_stiffness_n_per_m, lifter=1.0)
    join(damped, train.rocker_stiffness_n_per_m, rocker=r, valve=-1.0)
    join(plain, train.rate_n_per_m, valve=1.0)
    if train.oil is None:
        join(damped, train.pushrod_stiffness_n_per_m, lifter=1.0, rocker=-1.0)
        size = 3
    else:
        join(damped, train.pushrod_stiffness_n_per_m, plunger=1.0, rocker=-1.0)
        join(plain, train.oil.stiffness_n_per_m, plunger=1.0, lifter=-1.0)
        masses.append(train.oil.plunger_kg)
        size = 4
    damped, plain = damped[:size, :size], plain[:size, :size]
    root = 1.0 / np.sqrt(np.array(masses))
    squares, shapes = np.linalg.eigh(root[:, None] * (damped + plain) * root[None, :])
    return math.sqrt(float(squares[0])), root * shapes[:, 0], damped + plain, damped


def first_mode_hz(train: Train) -> float:
    """Lowest frequency (Hz) at which the train rings with the valve off its seat and the lifter on the lobe.

    Of the linear system of lifter, (plunger,) rocker and valve, springs as one spring with a third of its mass.
    Source: eigenvalues of M^-1 K.
    """
    return _first_mode(train)[0] / (2.0 * math.pi)


def _damped_to(train: Train, ratio: float) -> Train:
    """The train with structural damping that gives its first mode this damping ratio: beta = 2 z w/(x'K x)."""
    omega, shape, _, damped = _first_mode(train)
    beta = 2.0 * ratio * omega / float(shape @ damped @ shape)
    return dataclasses.replace(train, structural_damping_s=beta)


def first_mode_damping_ratio(train: Train) -> float:
    """Damping ratio of the first mode from the train's structural damping: beta (x'K x)/(2 w), x'Mx = 1."""
    omega, shape, _, damped = _first_mode(train)
    return train.structural_damping_s * float(shape @ damped @ shape) / (2.0 * omega)


def with_damping_of(train: Train, model: Train) -> Train:
    """The train with its first mode damped by the same ratio as another's."""
    return _damped_to(train, first_mode_damping_ratio(model))


def _shared_stiffness(
    ratio: float, at_valve_n_per_m: float, lobe_n_per_m: float, pushrod_n_per_m: float | None, pushrod_share: float
) -> tuple[float, float]:
    """Stiffness (N/m) of the pushrod, at the lifter, and of rocker, stud and stem, at the valve; see `train_from`."""
    left = 1.0 / at_valve_n_per_m - ratio**2 / lobe_n_per_m
    if left <= 0.0:
        raise OutOfRange(
            f"a lobe contact of {lobe_n_per_m:g} N/m alone gives more than {at_valve_n_per_m:g} "
            "N/m at the valve allows; give a stiffer contact"
        )
    if pushrod_n_per_m is None:
        if pushrod_share <= 0.0:
            raise OutOfRange("pushrod_share is zero; give the pushrod's own stiffness instead")
        pushrod = ratio**2 / (pushrod_share * left)
    else:
        pushrod = pushrod_n_per_m
    rest = left - ratio**2 / pushrod
    if rest <= 0.0:
        raise OutOfRange(
            f"a pushrod of {pushrod:g} N/m alone gives more than {at_valve_n_per_m:g} N/m at the valve "
            "allows; one of the two is wrong"
        )
    return pushrod, 1.0 / rest


def _lifter_body(
    lifter_kg: float, half_pushrod_kg: float, lash_m: float, oil: OilColumn | None
) -> tuple[float, OilColumn | None]:
    """Mass that rides the lobe, and the oil column with half the pushrod on its plunger."""
    if oil is None:
        return lifter_kg + half_pushrod_kg, None
    if lash_m != 0.0:
        raise OutOfRange(f"lash_m is {lash_m}; a hydraulic lifter has none")
    body = lifter_kg - oil.plunger_kg
    if body <= 0.0:
        raise OutOfRange(f"the plunger ({oil.plunger_kg:g} kg) outweighs its lifter ({lifter_kg:g} kg)")
    return body, dataclasses.replace(oil, plunger_kg=oil.plunger_kg + half_pushrod_kg)


def train_from(
    *,
    lifter_kg: float,
    pushrod_kg: float,
    rocker_inertia_kg_m2: float,
    rocker_pushrod_radius_m: float,
    ratio: float,
    valve_kg: float,
    retainer_kg: float,
    locks_kg: float,
    springs: tuple[ValveSpring, ...],
    stiffness_at_valve_n_per_m: float,
    lobe_stiffness_n_per_m: float,
    seat_stiffness_n_per_m: float,
    damping_ratio: float,
    lobe_damping_ratio: float,
    seat_damping_ratio: float,
    pushrod_share: float,
    lifter_incline_rad: float,
    lash_m: float = 0.0,
    pushrod_stiffness_n_per_m: float | None = None,
    spring_masses: int = SPRING_MASSES,
    oil: OilColumn | None = None,
    arms: RockerArms | None = None,
    watch_above_m: float = 0.0,
) -> Train:
    """A train from what a shop weighs and measures, kilograms, metres and newtons.

    stiffness_at_valve: with the cam held, the lifter solid (6 MN/m, 3.5 to 10, common practice, no source). The lobe
    contact takes its own part of that give; of the rest the pushrod takes `pushrod_share` (assumed) unless its
    own stiffness is given, and rocker, stud and stem take what is left. damping_ratio: of the first mode (0.05,
    0.03 to 0.08, common practice). lobe and seat stiffness (assumed): high enough not to matter much, low
    enough to march. With an oil column `lifter_kg` still is the whole lifter: the plunger's mass is taken from it.
    lifter_incline: lifter bore from upright, which sets how much of its weight keeps a loose lifter on the lobe.
    Raises OutOfRange when the parts named give more than the whole does.

    >>> spring = ValveSpring(
    ...     seat_load_n=530.0, rate_n_per_m=55000.0, active_mass_kg=0.075, end_coil_kg=0.012, damping_ratio=0.02)
    >>> t = train_from(lifter_kg=0.095, pushrod_kg=0.058, rocker_inertia_kg_m2=3.0e-5, rocker_pushrod_radius_m=0.024,
    ...     ratio=1.5, valve_kg=0.120, retainer_kg=0.027, locks_kg=0.006, springs=(spring,), lash_m=0.0005,
    ...     stiffness_at_valve_n_per_m=6.0e6, lobe_stiffness_n_per_m=2.0e8, seat_stiffness_n_per_m=1.0e8,
    ...     damping_ratio=0.05, lobe_damping_ratio=0.15, seat_damping_ratio=0.15, pushrod_share=0.30,
    ...     lifter_incline_rad=0.7854)
    >>> round(first_mode_hz(t))
    887
    """
    for name, value, high in (("damping_ratio", damping_ratio, 0.5), ("pushrod_share", pushrod_share, 0.95)):
        if not 0.0 <= value <= high:
            raise OutOfRange(f"{name} is {value}; it lies between 0 and {high}")
    if not (stiffness_at_valve_n_per_m > 0.0 and lobe_stiffness_n_per_m > 0.0 and ratio > 0.0):
        raise OutOfRange("stiffness at the valve, lobe stiffness and ratio must be above zero")
    if not rocker_pushrod_radius_m > 0.0:
        raise OutOfRange(f"rocker_pushrod_radius_m is {rocker_pushrod_radius_m}; it must be above zero")
    pushrod, rocker = _shared_stiffness(
        ratio, stiffness_at_valve_n_per_m, lobe_stiffness_n_per_m, pushrod_stiffness_n_per_m, pushrod_share
    )
    half, down = pushrod_kg / 2.0, GRAVITY_M_PER_S2 * math.cos(lifter_incline_rad)
    body, oil = _lifter_body(lifter_kg, half, lash_m, oil)
    train = Train(
        lifter_kg=body,
        rocker_kg=rocker_inertia_kg_m2 / rocker_pushrod_radius_m**2 + half,
        valve_kg=valve_kg + retainer_kg + locks_kg,
        ratio=arms.ratio if arms else ratio,
        pushrod_stiffness_n_per_m=pushrod,
        rocker_stiffness_n_per_m=rocker,
        lobe_stiffness_n_per_m=lobe_stiffness_n_per_m,
        seat_stiffness_n_per_m=seat_stiffness_n_per_m,
        structural_damping_s=0.0,
        lobe_damping_ratio=lobe_damping_ratio,
        seat_damping_ratio=seat_damping_ratio,
        lash_m=lash_m,
        springs=springs,
        spring_masses=spring_masses,
        oil=oil,
        arms=arms,
        lifter_weight_n=(lifter_kg if oil else lifter_kg + half) * down,
        rocker_weight_n=half * down,
        watch_above_m=watch_above_m,
    )
    return _damped_to(train, damping_ratio)


def packed(train: Train) -> tuple[Array, Array]:
    """The train as the solver's parameters and one row a spring."""
    p, t, beta = np.zeros(core.P_COUNT), train, train.structural_damping_s
    p[core.P_MASS_LIFTER], p[core.P_MASS_ROCKER], p[core.P_MASS_VALVE] = t.lifter_kg, t.rocker_kg, t.end_mass_kg
    p[core.P_LOBE_K], p[core.P_LOBE_C] = t.lobe_stiffness_n_per_m, t.lobe_damping_n_s_per_m
    p[core.P_PUSHROD_K], p[core.P_PUSHROD_C] = t.pushrod_stiffness_n_per_m, beta * t.pushrod_stiffness_n_per_m
    p[core.P_ROCKER_K], p[core.P_ROCKER_C] = t.rocker_stiffness_n_per_m, beta * t.rocker_stiffness_n_per_m
    p[core.P_SEAT_K] = t.seat_stiffness_n_per_m
    p[core.P_SEAT_C] = t.seat_damping_n_s_per_m
    # The seat gives under the springs; lift is counted from there, so it leaves the seat a hair above zero.
    p[core.P_SEAT_GIVE] = t.seat_load_n / t.seat_stiffness_n_per_m
    p[core.P_LASH], p[core.P_RATIO], p[core.P_LIFTER_WEIGHT] = t.lash_m, t.ratio, t.lifter_weight_n
    p[core.P_ROCKER_WEIGHT] = t.rocker_weight_n
    if t.arms is not None:
        p[core.P_PUSHROD_ARM], p[core.P_VALVE_ARM] = t.arms.pushrod_arm_m, t.arms.valve_arm_m
        p[core.P_PUSHROD_ANGLE], p[core.P_VALVE_ANGLE] = t.arms.pushrod_angle_rad, t.arms.valve_angle_rad
    if t.oil is not None:
        o = t.oil
        p[core.P_HYDRAULIC], p[core.P_MASS_PLUNGER], p[core.P_OIL_K] = 1.0, o.plunger_kg, o.stiffness_n_per_m
        p[core.P_PLUNGER_LOAD], p[core.P_OIL_SUCTION] = o.plunger_load_n, o.suction_n
        p[core.P_OIL_LEAK], p[core.P_OIL_REFILL] = o.leak_n_s_per_m, o.refill_n_s_per_m
        p[core.P_OIL_TRAVEL_UP] = o.travel_up_m
    p[core.P_SPRING_LOAD], p[core.P_WATCH] = t.seat_load_n, t.watch_above_m
    p[core.P_GAS], p[core.P_GAS_SPAN], p[core.P_FRICTION] = t.gas_n, t.gas_span_cam_rad, t.stem_friction_n
    links = t.spring_masses + 1
    rows = np.zeros((len(t.springs), 3))
    for row, spring in zip(rows, t.springs, strict=True):
        row[core.S_K] = links * spring.rate_n_per_m
        omega = 2.0 * math.pi * spring_first_surge_hz(spring, t.spring_masses)
        row[core.S_C] = 2.0 * spring.damping_ratio / omega * row[core.S_K]
        row[core.S_INVERSE_MASS] = links / spring.active_mass_kg
    return p, rows


def opening_cam_rad(train: Train, lobe: Lobe) -> float:
    """Cam angle at which the lobe has taken up the lash and the static give, so that the valve leaves its seat.

    Linear between the nodes. The lobe's own first angle where it stands above that lift from the beginning.
    """
    taken_up = train.lash_m / train.ratio + train.static_give_m
    above = int(np.argmax(lobe.lift_m > taken_up))
    if above == 0:
        return float(lobe.theta_cam_rad[0])
    low, high = float(lobe.lift_m[above - 1]), float(lobe.lift_m[above])
    step = float(lobe.theta_cam_rad[above] - lobe.theta_cam_rad[above - 1])
    return float(lobe.theta_cam_rad[above - 1]) + step * (taken_up - low) / (high - low)


@functools.lru_cache(maxsize=64)
def lobe_quintics(lobe: Lobe) -> tuple[Array, float, float]:
    """Quintic per grid step through lift, velocity and acceleration at both nodes; first angle; step.

    Lift then has two continuous derivatives. A card's ramp foot jumps in acceleration inside a step; the quintic
    turns the jump into a rise over that step (0.25 degree), which is shorter than any mode of the train.
    """
    theta = lobe.theta_cam_rad
    if theta.size < 2:
        raise OutOfRange("the lobe has fewer than two nodes; give its lift over the cam angle")
    step = float(theta[-1] - theta[0]) / (theta.size - 1)
    if not (step > 0.0 and np.allclose(np.diff(theta), step, rtol=1e-6, atol=0.0)):
        raise OutOfRange("the lobe's cam angles are not evenly spaced; give it on a uniform grid")
    if abs(theta[0]) > math.pi * (1 + 1e-9) or abs(theta[-1]) > math.pi * (1 + 1e-9):
        raise OutOfRange("the lobe spans more than one turn of the cam; give it from -180 to 180 degrees at most")
    s, v, a = lobe.lift_m, lobe.velocity_m_per_rad * step, lobe.acceleration_m_per_rad2 * step**2
    rise, v0, v1, a0, a1 = np.diff(s), v[:-1], v[1:], a[:-1], a[1:]
    quintic = np.empty((theta.size - 1, 6))
    quintic[:, 0], quintic[:, 1], quintic[:, 2] = s[:-1], v0, a0 / 2.0
    quintic[:, 3] = 10.0 * rise - 6.0 * v0 - 4.0 * v1 - 1.5 * a0 + 0.5 * a1
    quintic[:, 4] = -15.0 * rise + 8.0 * v0 + 7.0 * v1 + 1.5 * a0 - a1
    quintic[:, 5] = 6.0 * rise - 3.0 * v0 - 3.0 * v1 - 0.5 * a0 + 0.5 * a1
    return read_only(quintic), float(theta[0]), step


def rest_state(train: Train) -> Array:
    """The train at rest on the base circle: positions, speeds, oil column (m, m/s, m).

    Solid: the lifter lies on the lobe, all clearance is at the valve. Hydraulic: the plunger holds the clearance
    closed with its own load, and the column reaches as far as its start says.
    """
    bodies = 4 if train.oil else 3
    n = bodies + len(train.springs) * train.spring_masses
    y = np.zeros(2 * n + 1)
    if train.oil is None:
        # The pushrod stands in its cup, the rocker on it.
        y[0] = -(train.lifter_weight_n + train.rocker_weight_n) / train.lobe_stiffness_n_per_m
        y[1] = y[0] - train.rocker_weight_n / train.pushrod_stiffness_n_per_m
        return y
    load = train.oil.plunger_load_n
    at_valve = max(load - train.rocker_weight_n, 0.0) / train.ratio
    y[0] = -(load + train.lifter_weight_n) / train.lobe_stiffness_n_per_m
    y[2] = at_valve / (train.seat_stiffness_n_per_m + train.rate_n_per_m)
    y[1] = (y[2] + at_valve / train.rocker_stiffness_n_per_m) / train.ratio
    y[3] = y[1] + load / train.pushrod_stiffness_n_per_m
    share = np.arange(1, train.spring_masses + 1) / (train.spring_masses + 1.0)
    for s in range(len(train.springs)):
        y[bodies + s * train.spring_masses : bodies + (s + 1) * train.spring_masses] = share * y[2]
    y[2 * n] = y[3] - y[0] + train.oil.start_m
    return y


def spring_first_surge_hz(spring: ValveSpring, masses: int) -> float:
    """First surge (Hz) of the chain of `masses` moving masses between two fixed ends.

    (N+1)/pi sqrt(k/m) sin(pi/(2(N+1))), which tends to 1/2 sqrt(k/m) from below: 0.8 % short with six masses.
    Source: chain of equal masses and springs; Den Hartog, Mechanical Vibrations (from memory).

    >>> s = ValveSpring(seat_load_n=500.0, rate_n_per_m=40000.0, active_mass_kg=0.1, damping_ratio=0.02)
    >>> round(spring_first_surge_hz(s, 6), 1), round(spring_first_surge_hz(s, 40), 1)
    (313.6, 316.2)
    """
    links = masses + 1
    bare = math.sqrt(spring.rate_n_per_m / spring.active_mass_kg)
    return links / math.pi * bare * math.sin(math.pi / (2 * links))
