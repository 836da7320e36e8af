"""From a candidate of the build sheet to its elastic valvetrain, and what that says.

Which train is this candidate's?       `train_of`
What in the sheet is it made of?       `inputs_of`; the same parts with some of it moved: `moved`
How fast before it leaves the lobe?    `loss_of`, `limit_rpm`, `search_from_rpm`; with its band, `limit_band`
All that is said of one valve          `ride_of` -> `Ride`

Stiffness, damping and the oil column come from the sheet's `[model]`; their defaults are common practice or assumed,
without a published source.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe.card import CardLobe
from lobeledger.lobe.lift import Lobe
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import CamAndTrain, Candidate
from lobeledger.parts.spec import key_of
from lobeledger.parts.use import Model
from lobeledger.train.elastic import OilColumn, Train, ValveSpring, spring_first_surge_hz, train_from
from lobeledger.train.loss import LossBand, Move, first_loss_band
from lobeledger.train.motion import FirstLoss, SpeedPoint, first_loss, lift_harmonics_m, surge_order, sweep
from lobeledger.train.stiffness import oil_column_stiffness_n_per_m, oil_leak_from_test_n_s_per_m
from lobeledger.units import INCH_M, LBF_N, cam_rad_from_crank_rad

__all__ = [
    "LEAK_TEST_LOAD_N",
    "LEAK_TEST_TRAVEL_M",
    "SEARCH_TO_RPM",
    "Ride",
    "Surge",
    "inputs_of",
    "limit_band",
    "limit_rpm",
    "loss_of",
    "moved",
    "ranges_of",
    "ride_of",
    "search_from_rpm",
    "surges_of",
    "train_of",
]

# The bench test that `leak_down_time` is about: this load, and the plunger down by this much (common practice).
LEAK_TEST_LOAD_N, LEAK_TEST_TRAVEL_M = 50.0 * LBF_N, 0.125 * INCH_M
# Search for the first loss: no higher than this, begun at this share of where the springs give out on a rigid train.
SEARCH_TO_RPM = 12000.0
_SEARCH_FROM = 0.35
# What moves the speed limit most: figures of `Model` and of the parts, by their names in the sheet.
_MODEL_MOVES = (
    "valvetrain_stiffness",
    "valvetrain_damping",
    "spring_damping",
    "spring_active_share",
    "oil_bulk_modulus",
)


def train_of(candidate: CamAndTrain, which: str, model: Model, exhaust_valve_m: float) -> Train:
    """The elastic train of one valve of a candidate; which: "intake" or "exhaust".

    exhaust_valve_m: diameter of the engine's exhaust valve head, on which the cylinder's pressure lies as it opens (the
    pressure on its other face, in the port, is taken off in the model's figure). A nested pair shares the sheet's one
    spring mass in proportion to its rates, since the sheet gives no other.
    """
    c, v, s, e = candidate, candidate.valvetrain, candidate.springs, model
    total = s.total_rate_n_per_m
    pairs = [(s.seat_load_n, s.rate_n_per_m)]
    if s.inner_rate_n_per_m > 0.0:
        pairs.append((s.inner_seat_load_n, s.inner_rate_n_per_m))
    springs = tuple(
        ValveSpring(
            load,
            rate,
            e.spring_active_share * s.spring_mass_kg * rate / total,
            (1.0 - e.spring_active_share) / 2.0 * s.spring_mass_kg * rate / total,
            damping_ratio=e.spring_damping,
        )
        for load, rate in pairs
    )
    oil = None
    if c.lifter == "hydraulic":
        oil = OilColumn(
            plunger_kg=e.plunger_share * c.lifter_mass_kg,
            stiffness_n_per_m=oil_column_stiffness_n_per_m(
                bulk_modulus_pa=e.oil_bulk_modulus_pa,
                plunger_diameter_m=e.plunger_diameter_m,
                chamber_height_m=e.oil_chamber_height_m,
            ),
            plunger_area_m2=math.pi * e.plunger_diameter_m**2 / 4.0,
            plunger_spring_n=e.plunger_spring_n,
            supply_pa=e.oil_supply_pa,
            leak_n_s_per_m=oil_leak_from_test_n_s_per_m(
                load_n=LEAK_TEST_LOAD_N, travel_m=LEAK_TEST_TRAVEL_M, time_s=e.leak_down_time_s
            ),
            refill_n_s_per_m=e.oil_refill_n_s_per_m,
            travel_up_m=e.preload_m,
        )
    intake = which == "intake"
    lash = c.intake_lash_m if intake else c.exhaust_lash_m
    train = train_from(
        lifter_kg=c.lifter_mass_kg,
        pushrod_kg=v.pushrod_mass_kg,
        rocker_inertia_kg_m2=v.rocker_inertia_kg_m2,
        rocker_pushrod_radius_m=v.rocker_pushrod_radius_m,
        ratio=v.rocker_ratio,
        valve_kg=v.intake_valve_mass_kg if intake else v.exhaust_valve_mass_kg,
        retainer_kg=v.retainer_mass_kg,
        locks_kg=v.locks_mass_kg,
        springs=springs,
        lash_m=0.0 if oil else lash,
        stiffness_at_valve_n_per_m=e.valvetrain_stiffness_n_per_m,
        lobe_stiffness_n_per_m=e.lobe_contact_stiffness_n_per_m,
        seat_stiffness_n_per_m=e.seat_contact_stiffness_n_per_m,
        damping_ratio=e.valvetrain_damping,
        pushrod_share=e.pushrod_share,
        lobe_damping_ratio=e.lobe_contact_damping,
        seat_damping_ratio=e.seat_contact_damping,
        lifter_incline_rad=e.lifter_incline_rad,
        oil=oil,
    )
    train = replace(train, stem_friction_n=e.stem_friction_n)
    if intake:
        return train
    gas_n = e.exhaust_opening_pressure_pa * math.pi * exhaust_valve_m**2 / 4.0
    return replace(train, gas_n=gas_n, gas_span_cam_rad=cam_rad_from_crank_rad(e.blowdown_angle_rad))


@dataclass(frozen=True)
class Surge:
    """One spring's surge at a speed: its first frequency, the nearest harmonic of the cam and how much of it there is.

    lift_m: that harmonic's amplitude in valve lift. amplitude_m: greatest departure of the spring's middle.
    """

    first_hz: float
    order: int
    lift_m: float
    amplitude_m: float


@dataclass(frozen=True)
class Ride:
    """One valve of a candidate at speed. `loss` is None when contact holds up to `searched_to_rpm`.

    loss: lobe contact (solid) or oil column (hydraulic). loss_at_lobe: lobe contact, whatever the lifter.
    margin_share: loss over the highest speed, less one; infinite without a loss.
    """

    train: Train
    lobe: Lobe
    loss: FirstLoss | None
    loss_at_lobe: FirstLoss | None
    searched_to_rpm: float
    margin_share: float
    at_highest: SpeedPoint
    surges: tuple[Surge, ...]
    band: LossBand | None


# Keys of the sheet that a train is made of, by the table they stand in ("" is the candidate's own).
_TRAIN_KEYS = {
    "": ("lifter_mass",),
    "springs": ("seat_load", "rate", "inner_seat_load", "inner_rate", "spring_mass"),
    "valvetrain": (
        "rocker_ratio", "rocker_inertia", "rocker_pushrod_radius", "pushrod_mass", "retainer_mass", "locks_mass",
    ),
    "model": (
        "valvetrain_stiffness", "valvetrain_damping", "pushrod_share", "spring_damping", "spring_active_share",
        "lobe_contact_stiffness", "seat_contact_stiffness", "stem_friction", "lobe_contact_damping",
        "seat_contact_damping", "lifter_incline",
    ),
}  # fmt: skip
_OIL_KEYS = (
    "plunger_share", "plunger_diameter", "oil_chamber_height", "oil_bulk_modulus", "plunger_spring", "oil_supply",
    "leak_down_time", "oil_refill", "preload",
)  # fmt: skip


def inputs_of(candidate: CamAndTrain, which: str) -> tuple[str, ...]:
    """Paths of everything in the sheet that one valve's train is made of, apart from the lobe and the valve's size.

    As in the sheet, a candidate's own without "candidates.<id>.": "model.valvetrain_damping", "springs.rate",
    "lifter_mass". `moved` takes them; tests/train/test_of_candidate.py checks that none is missing.
    """
    found = [f"{table}.{key}".lstrip(".") for table, keys in _TRAIN_KEYS.items() for key in keys]
    found.append(f"valvetrain.{which}_valve_mass")
    if which == "exhaust":
        found += ["model.exhaust_opening_pressure", "model.blowdown_angle"]
    found += [f"{which}_lash"] if candidate.lifter == "solid" else [f"model.{key}" for key in _OIL_KEYS]
    return tuple(found)


@functools.cache
def _field_of(part: Any, key: str) -> str:
    """The field of a part behind a key of the sheet; part: its class."""
    for each in fields(part):
        if key_of(each.name) == key:
            return each.name
    raise OutOfRange(f"a {part.__name__} has no '{key}'")


def moved(candidate: CamAndTrain, model: Model, values: Mapping[str, float]) -> tuple[CamAndTrain, Model]:
    """The candidate and the model with some of their figures set; values: by the paths of `inputs_of`, in SI.

    Raises OutOfRange for a path that is none, and for a value that no such part has.
    """
    tables: dict[str, dict[str, float]] = {}
    for path, value in values.items():
        table, _, key = path.rpartition(".")
        tables.setdefault(table, {})[key] = value

    def made(part: Any, table: str, **more: Any) -> Any:
        kind: Any = type(part)
        new = {_field_of(kind, key): value for key, value in tables.pop(table, {}).items()}
        return replace(part, **new, **more) if new or more else part

    springs, valvetrain = made(candidate.springs, "springs"), made(candidate.valvetrain, "valvetrain")
    whole, physics = made(candidate, "", springs=springs, valvetrain=valvetrain), made(model, "model")
    if tables:
        raise OutOfRange(f"a train is not made of '{next(iter(tables))}'; see inputs_of")
    return whole, physics


def _moved(build: Build, candidate: Candidate, which: str, name: str, value: float) -> Train:
    """The train with one figure moved, by its name among `ranges_of`."""
    parts, model = moved(candidate, build.model, {_SHORT[name].format(which=which): value})
    return train_of(parts, which, model, build.engine.exhaust_valve_m)


# Names of the moves -> paths.
_SHORT = {
    **{name: f"model.{name}" for name in _MODEL_MOVES},
    **{name: f"springs.{name}" for name in ("seat_load", "rate", "spring_mass")},
    "lifter_mass": "lifter_mass",
    "valve_mass": "valvetrain.{which}_valve_mass",
    "pushrod_mass": "valvetrain.pushrod_mass",
    "rocker_inertia": "valvetrain.rocker_inertia",
}


def ranges_of(build: Build, candidate: Candidate, which: str) -> dict[str, tuple[float, float]]:
    """Low and high of what moves the speed limit, by the names `ride_of` takes; only what has a range."""
    own = f"candidates.{candidate.id}."
    paths = {name: path if path.startswith("model.") else own + path for name, path in _SHORT.items()}
    paths = {name: path.format(which=which) for name, path in paths.items()}
    if candidate.lifter == "solid":
        del paths["oil_bulk_modulus"]
    found = {}
    for name, path in paths.items():
        datum = build.data.get(path)
        if datum is not None and datum.low is not None and datum.high is not None and datum.low < datum.high:
            found[name] = (datum.low, datum.high)
    return found


@functools.lru_cache(maxsize=512)
def loss_of(train: Train, lobe: Lobe, from_rpm: float) -> FirstLoss | None:
    """The first loss of contact, quickly (within some 20 rpm); None where there is none up to SEARCH_TO_RPM.

    from_rpm: where the search begins, such as `search_from_rpm`; begun lower where contact is lost there already. Kept
    by train and lobe. Raises NoSolution where contact is lost below 300 rpm.
    """
    try:
        return first_loss(train, lobe, low_rpm=from_rpm, high_rpm=SEARCH_TO_RPM, tolerance=1e-6)
    except NoSolution:
        if from_rpm < 300.0:
            raise
        return loss_of(train, lobe, from_rpm / 2.0)


def limit_rpm(train: Train, lobe: Lobe, from_rpm: float) -> float:
    """Crank speed of `loss_of`: SEARCH_TO_RPM where contact is never lost, 0 where it is lost at any speed."""
    try:
        found = loss_of(train, lobe, from_rpm)
    except NoSolution:
        return 0.0
    return SEARCH_TO_RPM if found is None else found.crank_rpm


def search_from_rpm(rigid_limit_rpm: float) -> float:
    """Where to begin to look for the first loss: well below where a rigid train would let go."""
    return _SEARCH_FROM * rigid_limit_rpm if math.isfinite(rigid_limit_rpm) else 1000.0


def surges_of(train: Train, lobe: Lobe, point: SpeedPoint) -> tuple[Surge, ...]:
    """Surge of each spring at the speed of a point: its frequency, the harmonic that drives it, how far it goes."""
    found = []
    for spring, amplitude in zip(train.springs, point.surge_m, strict=True):
        order = surge_order(spring, point.crank_rpm, masses=train.spring_masses)
        harmonic = train.ratio * float(lift_harmonics_m(lobe, [order])[0])
        found.append(Surge(spring_first_surge_hz(spring, train.spring_masses), order, harmonic, amplitude))
    return tuple(found)


def ride_of(build: Build, candidate: Candidate, which: str, card_lobe: CardLobe, *, with_band: bool = True) -> Ride:
    """What one valve's elastic train does: first loss with its band, margin, the build's highest speed, surge.

    A band takes some twenty searches (a second or two in all).
    """
    model, highest_rpm = build.model, build.use.highest_speed_rpm
    train, lobe = train_of(candidate, which, model, build.engine.exhaust_valve_m), card_lobe.nominal
    low = min(1000.0, highest_rpm / 2.0)
    loss = first_loss(train, lobe, low_rpm=low, high_rpm=SEARCH_TO_RPM)
    at_lobe = loss if not train.oil else first_loss(train, lobe, low_rpm=low, high_rpm=SEARCH_TO_RPM, judge="lobe")
    point = sweep(train, lobe, [highest_rpm])[0]
    surges = surges_of(train, lobe, point)
    band = limit_band(build, candidate, which, card_lobe) if with_band else None
    margin = math.inf if loss is None else loss.crank_rpm / highest_rpm - 1.0
    return Ride(train, lobe, loss, at_lobe, SEARCH_TO_RPM, margin, point, surges, band)


@functools.lru_cache(maxsize=512)
def _kept(train: Train, members: tuple[Lobe, ...], moves: tuple[Move, ...]) -> LossBand:
    # The others let go not far from the nominal one: looking from half its speed leaves nothing out that was found.
    nominal = limit_rpm(train, members[0], 1000.0)
    return first_loss_band(train, members, moves, low_rpm=max(0.5 * nominal, 300.0), high_rpm=SEARCH_TO_RPM)


def limit_band(build: Build, candidate: Candidate, which: str, card_lobe: CardLobe) -> LossBand:
    """First loss of contact of one valve with its band over parts, stiffness, damping and what the card leaves open."""
    train = train_of(candidate, which, build.model, build.engine.exhaust_valve_m)
    moves = tuple(
        Move(name, *(_moved(build, candidate, which, name, end) for end in ends))
        for name, ends in ranges_of(build, candidate, which).items()
    )
    return _kept(train, tuple(card_lobe.members), moves)
