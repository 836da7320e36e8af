"""Frozen parts: what a build is made of, each value checked when its part is made.

What is being built?             `Engine`, `Block`, `Vehicle`
What opens the valves?           `Valvetrain`, `Springs`, `Card`, `CardPoint`, `CardRamp`, `Candidate`
What is it for, at what price?   `Use`, `SpeedBand`, `Shop`, `Limits`, `Price`, `Failure`
What moves a risk?               `RiskFactor`, `Precaution`, `risk_data`
What goes with what?             `PairingRule`
How is it run in?                `RunInLine`, `RUN_IN_FACTS`, `run_in_facts`
What does the physics assume?    `Model`
All of it                        `Build`
Where did a value come from?     `Datum`, `ORIGINS`
Which fields, which units?       `Spec`, `spec_of`, `key_of`
Change one value                 `replaced`

A field's `Spec` is the one place that says its unit, range and meaning: the build sheet is read by it,
defaults are looked up by it and panels take their limits from it. Parts know nothing of files.
"""

from __future__ import annotations

import dataclasses
import difflib
import functools
import math
import types
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from lobeledger.errors import OutOfRange

__all__ = [
    "LIGHT_SPRINGS",
    "NEW_LIFTERS",
    "ORIGINS",
    "RUN_IN_FACTS",
    "UPKEEP_PRICES",
    "USED_LIFTERS",
    "Block",
    "Build",
    "Candidate",
    "Card",
    "CardPoint",
    "CardRamp",
    "Datum",
    "DischargePoint",
    "Engine",
    "Failure",
    "FlowPoint",
    "Limits",
    "Model",
    "PairingRule",
    "Precaution",
    "Price",
    "RiskFactor",
    "RunInLine",
    "Shop",
    "Spec",
    "SpeedBand",
    "Springs",
    "Use",
    "Valvetrain",
    "Vehicle",
    "key_of",
    "replaced",
    "risk_data",
    "run_in_facts",
    "spec_of",
]

# Precautions (precautions.csv) that change the candidate itself: run in without the inner springs; new lifters.
LIGHT_SPRINGS = "light-springs"
NEW_LIFTERS = ("new-lifters", "new-rollers")
# Factors (factors.csv) that say the same as lifter_state = "used".
USED_LIFTERS = ("used-lifters", "used-rollers")
# Upkeep that is done every so many hours -> the price without which it cannot be reckoned.
UPKEEP_PRICES = {
    "lifter_service_every_h": "lifter_service_price_money",
    "spring_change_every_h": "spring_set_price_money",
}
ORIGINS = ("given", "measured", "card", "computed", "handbook", "common practice", "assumed")

_INCH = 0.0254
_DEG = math.pi / 180.0


@dataclass(frozen=True)
class Spec:
    """What a field holds.

    kind: "quantity" (text with a unit), "number" (bare ratio or count), "choice", "flag", "text",
    "part" (a table of its own) or "parts" (an array of tables).
    unit: the SI unit (pint spelling) of a quantity; `money` stands for the sheet's currency.
    low, high: least and greatest value allowed, in `unit`.
    """

    kind: str
    doc: str
    unit: str = ""
    example: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    whole: bool = False
    optional: bool = False


# TOML keys are field names without their unit; longest suffix first.
_SUFFIXES = (
    "_money_per_h",
    "_money_per_m3",
    "_n_per_m",
    "_m3_per_s",
    "_m_per_s",
    "_m_per_rad",
    "_kg_m2",
    "_kg_per_m3",
    "_n_s_per_m",
    "_j_per_kg",
    "_money",
    "_rpm",
    "_rad",
    "_kg",
    "_pa",
    "_h",
    "_k",
    "_m",
    "_n",
    "_s",
)


@functools.cache
def key_of(name: str) -> str:
    """The build sheet's key for a field: its name without the unit.

    >>> key_of("bore_m"), key_of("rate_n_per_m"), key_of("years")
    ('bore', 'rate', 'years')
    """
    for suffix in _SUFFIXES:
        if name.endswith(suffix) and len(name) > len(suffix):
            return name[: -len(suffix)]
    return name


def _field(spec: Spec, default: Any) -> Any:
    return field(default=default, metadata={"spec": spec})


def _quantity(unit: str, example: str, doc: str, low: float, high: float, *, optional: bool = False) -> Any:
    spec = Spec("quantity", doc, unit=unit, example=example, low=low, high=high, optional=optional)
    return _field(spec, None if optional else dataclasses.MISSING)


def _number(
    doc: str, low: float, high: float, *, whole: bool = False, example: str = "", optional: bool = False
) -> Any:
    spec = Spec("number", doc, low=low, high=high, whole=whole, example=example, optional=optional)
    return _field(spec, None if optional else dataclasses.MISSING)


def _choice(doc: str, *choices: str, optional: bool = False) -> Any:
    spec = Spec("choice", doc, choices=choices, example=f'"{choices[0]}"', optional=optional)
    return _field(spec, None if optional else dataclasses.MISSING)


def _flag(doc: str, *, optional: bool = False) -> Any:
    spec = Spec("flag", doc, example="true", optional=optional)
    return _field(spec, None if optional else dataclasses.MISSING)


def _text(doc: str, *, default: str | None = None) -> Any:
    spec = Spec("text", doc, example='"..."', optional=default is not None)
    return _field(spec, dataclasses.MISSING if default is None else default)


def _part(doc: str) -> Any:
    return field(metadata={"spec": Spec("part", doc)})


def _parts(doc: str, *, least: int = 1) -> Any:
    spec = Spec("parts", doc, low=least, optional=least == 0)
    return _field(spec, () if least == 0 else dataclasses.MISSING)


def spec_of(part: type[Any], name: str) -> Spec:
    """The Spec of one field of a part."""
    for each in dataclasses.fields(part):
        if each.name == name:
            spec: Spec = each.metadata["spec"]
            return spec
    raise KeyError(name)


class _Part:
    """Base: every value is checked against its field's Spec when the part is made."""

    def __post_init__(self) -> None:
        for each in dataclasses.fields(self):  # type: ignore[arg-type]
            spec: Spec = each.metadata["spec"]
            value = getattr(self, each.name)
            if value is None and spec.optional:
                continue
            if spec.kind in ("quantity", "number"):
                _check_number(type(self).__name__, each.name, value, spec)
            elif spec.kind == "choice" and value not in spec.choices:
                near = difflib.get_close_matches(str(value), spec.choices, n=1)
                hint = f"; did you mean '{near[0]}'?" if near else ""
                raise OutOfRange(
                    f"{key_of(each.name)} is '{value}', which is not one of {', '.join(spec.choices)}{hint}"
                )
            elif spec.kind == "parts" and len(value) < spec.low:
                raise OutOfRange(f"{key_of(each.name)} needs at least {spec.low:.0f} entry")


def _check_number(part: str, name: str, value: Any, spec: Spec) -> None:
    where = f"{key_of(name)}"
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise OutOfRange(f"{where} is {value!r}, which is not a finite number")
    if spec.whole and value != int(value):
        raise OutOfRange(f"{where} is {value:g}; it is a count and must be a whole number")
    slack = 1e-9 * max(abs(spec.low), abs(spec.high)) if math.isfinite(spec.low + spec.high) else 0.0
    if not spec.low - slack <= value <= spec.high + slack:
        unit = f" {spec.unit}" if spec.unit else ""
        raise OutOfRange(f"{where} is {value:.5g}{unit}, outside {spec.low:.4g} to {spec.high:.4g}{unit} ({spec.doc})")


@dataclass(frozen=True, kw_only=True)
class FlowPoint(_Part):
    """One line of a flow table, measured at the depression the table names."""

    lift_m: float = _quantity("m", '"0.300 in"', "valve lift", 0.0, 0.03)
    intake_m3_per_s: float = _quantity("m**3/s", '"180 ft**3/min"', "intake port flow", 0.0, 0.5)
    exhaust_m3_per_s: float = _quantity("m**3/s", '"140 ft**3/min"', "exhaust port flow", 0.0, 0.5)


@dataclass(frozen=True, kw_only=True)
class Engine(_Part):
    """The long block and its heads."""

    cylinders: int = _number("number of cylinders", 1, 16, whole=True, example="8")
    bore_m: float = _quantity("m", '"4.030 in"', "cylinder bore", 0.03, 0.2)
    stroke_m: float = _quantity("m", '"3.480 in"', "crank stroke", 0.03, 0.25)
    rod_m: float = _quantity("m", '"5.700 in"', "connecting rod, centre to centre", 0.05, 0.4)
    compression: float = _number("static compression ratio", 5.0, 18.0, example="9.5")
    intake_valve_m: float = _quantity("m", '"1.94 in"', "intake valve head diameter", 0.015, 0.08)
    exhaust_valve_m: float = _quantity("m", '"1.50 in"', "exhaust valve head diameter", 0.012, 0.07)
    throat_share: float = _number("port throat diameter over valve diameter", 0.7, 1.0, example="0.88")
    runner_length_m: float = _quantity("m", '"13 in"', "intake runner, plenum to valve", 0.05, 1.5)
    runner_area_share: float = _number(
        "mean cross-section of the intake runner over the area of the intake throat", 0.3, 2.5, example="0.85"
    )
    head_material: str = _choice("cylinder head material", "iron", "aluminium")
    rocker_studs: str = _choice("how the rockers are held", "unknown", "pressed", "screw-in", "shaft")
    flow_test_pa: float = _quantity("Pa", '"28 inH2O"', "depression of the flow table", 500.0, 20000.0)
    flow: tuple[FlowPoint, ...] = _parts("flow table, if it has been measured", least=0)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.rod_m <= self.stroke_m / 2 * 1.1:
            raise OutOfRange(
                f"rod is {self.rod_m / _INCH:.3f} in, too short for a stroke of {self.stroke_m / _INCH:.3f} in; "
                "a rod is longer than 0.55 of the stroke"
            )
        if self.intake_valve_m + self.exhaust_valve_m > 1.25 * self.bore_m:
            raise OutOfRange(
                "intake_valve and exhaust_valve together are wider than 1.25 times the bore; one of the three is wrong"
            )
        lifts = [p.lift_m for p in self.flow]
        if any(b <= a for a, b in zip(lifts, lifts[1:], strict=False)):
            raise OutOfRange("flow must list its lines by rising lift, each lift once")


@dataclass(frozen=True, kw_only=True)
class Block(_Part):
    """What the block offers to lifters, cam and drives."""

    lifter_provision: str = _choice(
        "what the block has for roller lifters", "none", "link-bar retrofit", "factory guides"
    )
    cam_retention: str = _choice("what stops the cam from walking", "none", "plate", "button")
    lifter_bore_m: float = _quantity("m", '"0.842 in"', "lifter bore", 0.015, 0.035)
    oil_band_m: float | None = _quantity(
        "m",
        '"0.75 in"',
        "height of the lifter's oil band above the bore's lower edge, on the base circle of the cam now fitted",
        0.0,
        0.08,
        optional=True,
    )
    lifter_bore_height_m: float | None = _quantity(
        "m", '"1.90 in"', "height of the lifter bore, lower to upper edge", 0.01, 0.15, optional=True
    )
    fitted_lifter: str = _choice("kind of lifter now fitted", "unknown", "flat", "roller")
    fitted_base_circle_radius_m: float | None = _quantity(
        "m", '"0.550 in"', "base circle radius of the cam now fitted", 0.005, 0.04, optional=True
    )
    fuel_pump_eccentric: bool = _flag("a mechanical fuel pump runs off the cam")
    distributor_gear: str = _choice("material of the distributor gear now fitted", "iron", "steel", "bronze", "polymer")


@dataclass(frozen=True, kw_only=True)
class Vehicle(_Part):
    """What the engine moves and what it must leave alone."""

    weight_kg: float = _quantity("kg", '"3600 lb"', "vehicle with its driver", 200.0, 20000.0)
    transmission: str = _choice("gearbox", "automatic", "manual")
    converter_stall_rpm: float | None = _quantity(
        "rpm", '"2000 rpm"', "torque converter stall speed", 800.0, 8000.0, optional=True
    )
    axle_ratio: float = _number("final drive ratio", 1.5, 8.0, example="3.42")
    top_gear_ratio: float = _number("top gear ratio", 0.4, 2.0, example="1.0")
    tyre_diameter_m: float = _quantity("m", '"26.5 in"', "tyre diameter", 0.3, 1.5)
    brake_booster: bool = _flag("the brakes rely on engine vacuum")
    booster_vacuum_pa: float = _quantity("Pa", '"15 inHg"', "vacuum the booster needs at idle", 0.0, 90000.0)
    fuel_system: str = _choice("how the fuel is metered", "carburettor", "injection")
    idle_speed_rpm: float = _quantity("rpm", '"750 rpm"', "idle speed", 400.0, 2000.0)
    cruise_speed_m_per_s: float = _quantity("m/s", '"65 mph"', "usual cruising speed", 1.0, 120.0)
    octane: float = _number("anti-knock index of the fuel, (R+M)/2", 80.0, 120.0, example="91")


@dataclass(frozen=True, kw_only=True)
class Springs(_Part):
    """One valve spring assembly; the outer spring, and the inner if there is one."""

    installed_height_m: float = _quantity("m", '"1.80 in"', "installed height", 0.02, 0.08)
    seat_load_n: float = _quantity("N", '"115 lbf"', "outer spring load, valve closed", 50.0, 3000.0)
    rate_n_per_m: float = _quantity("N/m", '"310 lbf/in"', "outer spring rate", 5e3, 4e5)
    inner_seat_load_n: float = _quantity("N", '"0 lbf"', "inner spring load, valve closed; 0 if none", 0.0, 2000.0)
    inner_rate_n_per_m: float = _quantity("N/m", '"0 lbf/in"', "inner spring rate; 0 if none", 0.0, 3e5)
    coil_bind_m: float = _quantity("m", '"1.15 in"', "height at coil bind", 0.01, 0.07)
    retainer_to_seal_m: float = _quantity("m", '"0.550 in"', "retainer to seal or guide, valve closed", 0.003, 0.05)
    spring_mass_kg: float = _quantity("kg", '"95 g"', "mass of the whole spring assembly", 0.01, 0.6)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.coil_bind_m >= self.installed_height_m:
            raise OutOfRange(
                f"coil_bind is {self.coil_bind_m / _INCH:.3f} in, not below the installed height of "
                f"{self.installed_height_m / _INCH:.3f} in"
            )

    @property
    def has_inner(self) -> bool:
        """Whether there is an inner spring."""
        return self.inner_rate_n_per_m > 0.0 or self.inner_seat_load_n > 0.0

    @property
    def total_seat_load_n(self) -> float:
        """Outer and inner together."""
        return self.seat_load_n + self.inner_seat_load_n

    @property
    def total_rate_n_per_m(self) -> float:
        """Outer and inner together."""
        return self.rate_n_per_m + self.inner_rate_n_per_m


@dataclass(frozen=True, kw_only=True)
class Valvetrain(_Part):
    """Everything between lobe and valve but the lifter and the springs."""

    rocker_ratio: float = _number("rocker ratio", 1.0, 2.2, example="1.5")
    rocker_inertia_kg_m2: float = _quantity("kg*m**2", '"3.0e-5 kg*m**2"', "rocker inertia about its pivot", 1e-6, 1e-3)
    rocker_pushrod_radius_m: float = _quantity("m", '"24 mm"', "rocker pivot to pushrod seat", 0.01, 0.06)
    pushrod_mass_kg: float = _quantity("kg", '"58 g"', "one pushrod", 0.01, 0.4)
    intake_valve_mass_kg: float = _quantity("kg", '"120 g"', "intake valve", 0.02, 0.5)
    exhaust_valve_mass_kg: float = _quantity("kg", '"104 g"', "exhaust valve", 0.02, 0.5)
    retainer_mass_kg: float = _quantity("kg", '"27 g"', "retainer", 0.003, 0.2)
    locks_mass_kg: float = _quantity("kg", '"6 g"', "a pair of locks", 0.001, 0.05)
    base_circle_radius_m: float = _quantity("m", '"0.550 in"', "cam base circle radius", 0.005, 0.04)
    lobe_width_m: float = _quantity("m", '"0.48 in"', "lobe width", 0.004, 0.03)


@dataclass(frozen=True, kw_only=True)
class CardPoint(_Part):
    """One quoted duration; `at` is a lobe lift (a card in valve lift is converted when it is read)."""

    at_m: float = _quantity("m", '"0.050 in"', "lift at which the duration is quoted", 1e-5, 0.02)
    duration_rad: float = _quantity("rad", '"214 deg"', "duration there, crank degrees", 40 * _DEG, 420 * _DEG)
    opening_rad: float | None = _quantity(
        "rad",
        '"105 deg"',
        "crank degrees from that lift, opening, to the greatest lift; the rest of the duration is the closing side",
        15 * _DEG,
        300 * _DEG,
        optional=True,
    )


@dataclass(frozen=True, kw_only=True)
class CardRamp:
    """A ramp's velocity as a card gives it, per radian of cam angle at the lobe, and how well it is known."""

    velocity_m_per_rad: float
    low_m_per_rad: float
    high_m_per_rad: float

    def __post_init__(self) -> None:
        if not 0.0 < self.low_m_per_rad <= self.velocity_m_per_rad <= self.high_m_per_rad:
            raise OutOfRange("a ramp's velocity must lie above zero, and between its own low and high")


@dataclass(frozen=True, kw_only=True)
class Card:
    """A cam card's figures for one lobe, all in lobe lift; `quoted_at` keeps the card's own word.

    A card is of a lobe with equal flanks unless it says how a duration divides about the greatest lift
    (`CardPoint.opening_rad`) or gives the two ramps apart. ramp_lift_m: lift at which both ramps end.
    A centreline is the angle of greatest lift; with unlike flanks the middle between equal lifts lies beside it.
    """

    lobe_lift_m: float
    points: tuple[CardPoint, ...]
    quoted_at: str = "lobe"
    ramp_lift_m: float | None = None
    opening_ramp: CardRamp | None = None
    closing_ramp: CardRamp | None = None

    def __post_init__(self) -> None:
        if not 0.001 <= self.lobe_lift_m <= 0.02:
            raise OutOfRange(f"lobe lift is {self.lobe_lift_m / _INCH:.3f} in; a lobe lifts between 0.040 and 0.790 in")
        if not self.points:
            raise OutOfRange("durations needs at least one entry")
        ordered = sorted(self.points, key=lambda p: p.at_m)
        for low, high in zip(ordered, ordered[1:], strict=False):
            if high.at_m == low.at_m:
                raise OutOfRange(f"two durations are quoted at {high.at_m / _INCH:.3f} in; keep one")
            if high.duration_rad >= low.duration_rad:
                raise OutOfRange(
                    f"the duration at {high.at_m / _INCH:.3f} in ({high.duration_rad / _DEG:.0f} deg) is not below "
                    f"that at {low.at_m / _INCH:.3f} in ({low.duration_rad / _DEG:.0f} deg)"
                )
        if ordered[-1].at_m >= self.lobe_lift_m:
            raise OutOfRange(
                f"a duration is quoted at {ordered[-1].at_m / _INCH:.3f} in, not below the lobe lift of "
                f"{self.lobe_lift_m / _INCH:.3f} in"
            )
        object.__setattr__(self, "points", tuple(ordered))
        for p in ordered:
            share = 0.5 if p.opening_rad is None else p.opening_rad / p.duration_rad
            if not 0.3 <= share <= 0.7:
                raise OutOfRange(
                    f"the opening side at {p.at_m / _INCH:.3f} in is {share:.2f} of its duration, outside 0.3 to 0.7; "
                    "opening and closing are crank degrees either side of the greatest lift, not of a dead centre"
                )
        for side in ("opening", "closing"):
            flank = self.flank_crank_rad(side)
            for (low_m, low_rad), (high_m, high_rad) in zip(flank, flank[1:], strict=False):
                if high_rad >= low_rad:
                    raise OutOfRange(
                        f"on the {side} side {high_m / _INCH:.3f} in lies {high_rad / _DEG:.1f} deg from the greatest "
                        f"lift, not less than {low_m / _INCH:.3f} in ({low_rad / _DEG:.1f} deg)"
                    )
        if self.ramp_lift_m is not None:
            first = self.lowest.at_m
            if not 0.0 < self.ramp_lift_m <= first * (1.0 + 1e-9):
                raise OutOfRange(
                    f"the ramp ends at {self.ramp_lift_m / _INCH:.4f} in; it must end above zero and not above the "
                    f"lowest quoted lift ({first / _INCH:.3f} in)"
                )
            if self.ramp_lift_m < first * 0.999 and len(self.points) < 2:
                raise OutOfRange(
                    "a ramp that ends below the lowest quoted lift needs durations at two lifts, to find its angle"
                )

    @property
    def lowest(self) -> CardPoint:
        """The quoted point of least lift: the top of the ramp or above it."""
        return self.points[0]

    @property
    def is_symmetric(self) -> bool:
        """Whether both flanks are alike, as far as the card says."""
        return self.opening_ramp == self.closing_ramp and all(
            p.opening_rad is None or p.opening_rad == p.duration_rad / 2.0 for p in self.points
        )

    def flank_crank_rad(self, side: str) -> tuple[tuple[float, float], ...]:
        """(lobe lift, crank angle from the greatest lift) of every quoted point on one side, by rising lift.

        side: "opening" or "closing". Where a lift's duration is not divided, it is divided in the share of its
        neighbours: linear in lift between two that are, constant beyond (assumed: it leaves the flanks alike in
        shape, drawn out differently). A card that divides none is symmetric.

        >>> deg = math.pi / 180.0
        >>> points = (CardPoint(at_m=0.001, duration_rad=200 * deg, opening_rad=96 * deg),
        ...           CardPoint(at_m=0.005, duration_rad=100 * deg))
        >>> card = Card(lobe_lift_m=0.007, points=points)
        >>> [round(angle / deg, 6) for _, angle in card.flank_crank_rad("closing")]
        [104.0, 52.0]
        """
        if side not in ("opening", "closing"):
            raise OutOfRange(f"side is '{side}'; it must be opening or closing")
        known = [(p.at_m, p.opening_rad / p.duration_rad) for p in self.points if p.opening_rad is not None]
        found = []
        for p in self.points:
            opening = p.opening_rad if p.opening_rad is not None else p.duration_rad * _between(known, p.at_m)
            found.append((p.at_m, opening if side == "opening" else p.duration_rad - opening))
        return tuple(found)


def _between(known: list[tuple[float, float]], x: float) -> float:
    """Linear between the known (x, share) pairs, constant beyond them; a half where none is known."""
    if not known:
        return 0.5
    if x <= known[0][0]:
        return known[0][1]
    for (x0, y0), (x1, y1) in zip(known, known[1:], strict=False):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return known[-1][1]


@dataclass(frozen=True, kw_only=True)
class Price(_Part):
    """One thing that must be bought or paid for."""

    item: str = _text("what it is")
    price_money: float = _quantity("money", '"320 USD"', "price of one", 0.0, 1e7)
    quantity: float = _number("how many", 0.0, 1e4, example="1")
    group: str = _choice("what kind of line it is", "parts", "machining", "consumables")
    core_charge_money: float = _quantity("money", '"0 USD"', "deposit paid and given back with the old part", 0.0, 1e6)
    serves: str | None = _text("needs this line serves, by name, with spaces between", default="")

    @property
    def serve_names(self) -> tuple[str, ...]:
        """The needs listed, as names."""
        return tuple((self.serves or "").split())


@dataclass(frozen=True, kw_only=True)
class Failure(_Part):
    """How this choice can be lost: an opinion 'about 1 in n builds', and what it costs when it happens."""

    what: str = _text("what fails")
    one_in: float = _number("about 1 build in this many is lost", 1.0, 1e6, example="60")
    worth_builds: float = _number("how many builds' experience that opinion is worth", 1.0, 1e6, example="40")
    cost_money: float = _quantity("money", '"3600 USD"', "cost of one loss", 0.0, 1e7)
    factors: str | None = _text("risk factors present, by id, with spaces between", default="")
    factors_off: str | None = _text(
        "risk factors that the figures would switch on and that are not there, by id, with spaces between", default=""
    )
    precautions: str | None = _text("precautions taken, by id, with spaces between", default="")
    seen_losses: int | None = _number(
        "losses in the shop's own record of such builds", 0, 1_000_000, whole=True, example="1", optional=True
    )
    seen_builds: int | None = _number(
        "builds in the shop's own record", 0, 1_000_000, whole=True, example="25", optional=True
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        if (self.seen_losses is None) != (self.seen_builds is None):
            raise OutOfRange("seen_losses and seen_builds go together; give both or neither")
        if self.seen_losses is not None and self.seen_builds is not None and self.seen_losses > self.seen_builds:
            raise OutOfRange(
                f"seen_losses is {self.seen_losses}, more than the {self.seen_builds} of seen_builds; "
                "a build is lost once at most"
            )
        named = (("factors", self.factor_ids), ("factors_off", self.off_ids), ("precautions", self.precaution_ids))
        for key, ids in named:
            if len(set(ids)) < len(ids):
                raise OutOfRange(f"{key} names an id twice; name each once")
        for name in self.factor_ids:
            if name in self.off_ids:
                raise OutOfRange(f"'{name}' stands in factors and in factors_off; keep it in one of them")

    @property
    def factor_ids(self) -> tuple[str, ...]:
        """The factors listed, as ids."""
        return tuple((self.factors or "").split())

    @property
    def off_ids(self) -> tuple[str, ...]:
        """The factors said not to be there, as ids."""
        return tuple((self.factors_off or "").split())

    @property
    def precaution_ids(self) -> tuple[str, ...]:
        """The precautions listed, as ids."""
        return tuple((self.precautions or "").split())


@dataclass(frozen=True, kw_only=True)
class Candidate(_Part):
    """One choice of camshaft and lifters with everything that must change with it."""

    id: str = _text("short name, unique in the sheet")
    name: str = _text("name shown to the customer")
    follower: str = _choice("follower kind", "flat", "roller")
    lifter: str = _choice("lifter kind", "hydraulic", "solid")
    core: str = _choice("camshaft core", "iron", "steel")
    intake: Card = _part("intake lobe's card")
    exhaust: Card = _part("exhaust lobe's card")
    lobe_separation_rad: float = _quantity("rad", '"112 deg"', "lobe separation, cam degrees", 85 * _DEG, 135 * _DEG)
    intake_centreline_rad: float = _quantity(
        "rad", '"108 deg"', "intake centreline as installed, crank degrees ATDC", 80 * _DEG, 140 * _DEG
    )
    intake_lash_m: float = _quantity("m", '"0.022 in"', "intake lash, hot, at the valve; 0 if hydraulic", 0.0, 0.002)
    exhaust_lash_m: float = _quantity("m", '"0.022 in"', "exhaust lash, hot, at the valve; 0 if hydraulic", 0.0, 0.002)
    lifter_state: str = _choice("whether the lifters are new", "new", "used")
    lifter_seat_change_m: float | None = _quantity(
        "m", '"0.40 in"', "pushrod seat of this lifter above that of the lifter now fitted", -0.06, 0.06, optional=True
    )
    lifter_mass_kg: float = _quantity("kg", '"108 g"', "one lifter, with its share of a link bar", 0.02, 0.5)
    face_diameter_m: float | None = _quantity("m", '"0.842 in"', "flat lifter face diameter", 0.01, 0.05, optional=True)
    crown_radius_m: float | None = _quantity("m", '"45 in"', "flat lifter crown radius", 0.05, 1e4, optional=True)
    lobe_taper_m: float | None = _quantity("m", '"0.0012 in"', "taper across the lobe, flat", 0.0, 2e-4, optional=True)
    wheel_diameter_m: float | None = _quantity("m", '"0.750 in"', "roller wheel diameter", 0.01, 0.04, optional=True)
    wheel_width_m: float | None = _quantity("m", '"0.42 in"', "roller wheel width", 0.003, 0.03, optional=True)
    lobe_modulus_pa: float = _quantity("Pa", '"207 GPa"', "Young's modulus of the lobe", 5e10, 4e11)
    follower_modulus_pa: float = _quantity("Pa", '"207 GPa"', "Young's modulus of the lifter face or wheel", 5e10, 4e11)
    stress_caution_pa: float = _quantity("Pa", '"200 kpsi"', "nose stress above which to be careful", 1e8, 1e10)
    seat_load_low_n: float = _quantity("N", '"100 lbf"', "usual seat load, low end", 0.0, 5e3)
    seat_load_high_n: float = _quantity("N", '"130 lbf"', "usual seat load, high end", 0.0, 9e3)
    open_load_low_n: float = _quantity("N", '"0 lbf"', "usual open load, low end", 0.0, 9e3)
    open_load_high_n: float = _quantity("N", '"330 lbf"', "usual open load, high end", 0.0, 2e4)
    fitting_time_h: float = _quantity("h", '"8 h"', "labour to fit it", 0.0, 1000.0)
    dyno_time_h: float = _quantity("h", '"2 h"', "dyno time with operator, run-in included", 0.0, 200.0)
    run_in_school: str | None = _choice(
        "how a flat cam is run in: at varied speed, or held at one speed", "varied", "hold", optional=True
    )
    run_in_time_s: float = _quantity("s", '"30 min"', "lobe run-in at speed; 0 for rollers", 0.0, 4 * 3600.0)
    run_in_speed_rpm: float = _quantity("rpm", '"2300 rpm"', "mean speed of the run-in", 500.0, 6000.0)
    run_in_lowest_speed_rpm: float | None = _quantity(
        "rpm", '"2000 rpm"', "slowest speed of a varied run-in, where the maker names one", 500.0, 6000.0, optional=True
    )
    run_in_highest_speed_rpm: float | None = _quantity(
        "rpm", '"3000 rpm"', "fastest speed of a varied run-in, where the maker names one", 500.0, 6000.0, optional=True
    )
    run_in_rocker_ratio: float | None = _number(
        "rocker ratio for the run-in of a flat cam, if it is lower", 1.0, 2.2, example="1.2", optional=True
    )
    run_in_rocker_labour_h: float | None = _quantity(
        "h", '"1 h"', "labour to change the rockers once; they are changed twice", 0.0, 100.0, optional=True
    )
    maker_instruction: str | None = _text("the part maker's own run-in instruction, word for word", default="")
    lash_check_every_h: float = _quantity("h", '"50 h"', "running hours between lash checks; 0 for never", 0.0, 1e5)
    lash_check_labour_h: float = _quantity("h", '"1.5 h"', "labour of one lash check", 0.0, 100.0)
    spring_change_every_h: float = _quantity(
        "h", '"600 h"', "running hours a set of springs is kept; 0 for all of them", 0.0, 1e5
    )
    spring_set_price_money: float | None = _quantity(
        "money", '"260 USD"', "price of a set of springs", 0.0, 1e6, optional=True
    )
    spring_labour_h: float = _quantity("h", '"5 h"', "labour to change a set of springs", 0.0, 100.0)
    lifter_service_every_h: float = _quantity(
        "h", '"400 h"', "running hours between lifter services; 0 for never", 0.0, 1e5
    )
    lifter_service_price_money: float | None = _quantity(
        "money", '"300 USD"', "price of one lifter service", 0.0, 1e6, optional=True
    )
    lifter_labour_h: float = _quantity("h", '"6 h"', "labour of one lifter service", 0.0, 100.0)
    valvetrain: Valvetrain = _part("what this candidate has between lobe and valve")
    springs: Springs = _part("the valve springs it runs")
    failure: Failure = _part("how it can be lost")
    parts: tuple[Price, ...] = _parts("everything that must be bought or machined for it")

    def __post_init__(self) -> None:
        super().__post_init__()
        ratio = self.run_in_rocker_ratio
        if self.follower == "roller" and ratio is not None:
            raise OutOfRange(
                "run_in_rocker_ratio lightens the run-in of flat tappets; a roller needs its full springs, so remove it"
            )
        if LIGHT_SPRINGS in self.failure.precaution_ids and not self.springs.has_inner:
            raise OutOfRange(
                f"its precautions name {LIGHT_SPRINGS}, but the springs have no inner (inner_rate) to take out; remove "
                "it, write the inner's own load and rate, or lower the load with run_in_rocker_ratio"
            )
        for every, price in UPKEEP_PRICES.items():
            if getattr(self, every) > 0.0 and getattr(self, price) is None:
                raise OutOfRange(
                    f"{key_of(every)} is above 0 and {key_of(price)} is missing; write that price, or 0 h for never"
                )
        if ratio is not None and ratio >= self.valvetrain.rocker_ratio:
            raise OutOfRange(
                f"run_in_rocker_ratio is {ratio:g}, not below the rocker ratio of {self.valvetrain.rocker_ratio:g}; "
                "rockers for the run-in have a lower one"
            )
        slowest, fastest = self.run_in_lowest_speed_rpm, self.run_in_highest_speed_rpm
        if not (slowest or 0.0) <= self.run_in_speed_rpm <= (fastest or math.inf):
            raise OutOfRange(
                f"run_in_speed is {self.run_in_speed_rpm:.0f} rpm, not between run_in_lowest_speed and "
                "run_in_highest_speed; it is the mean of the run-in"
            )
        if (ratio is None) != (self.run_in_rocker_labour_h is None):
            raise OutOfRange("run_in_rocker_ratio and run_in_rocker_labour go together; give both or neither")

    @property
    def is_run_in_without_inner(self) -> bool:
        """Whether the inner springs stay out for the run-in: the precaution `light-springs`."""
        return LIGHT_SPRINGS in self.failure.precaution_ids

    @property
    def has_used_lifters(self) -> bool:
        """Whether it would run on used lifters: the sheet or its factors say so, and no precaution replaces them."""
        said, off, taken = (
            set(ids) for ids in (self.failure.factor_ids, self.failure.off_ids, self.failure.precaution_ids)
        )
        is_used = bool(said & set(USED_LIFTERS)) or (self.lifter_state == "used" and not off & set(USED_LIFTERS))
        return is_used and not taken & set(NEW_LIFTERS)

    @property
    def as_run_in(self) -> Candidate:
        """The candidate as it is run in: inner springs out, rockers of the lower ratio; itself if nothing differs.

        The mass of an inner spring that is out is not taken off: the sheet knows only the mass of both.
        """
        if not self.is_run_in_without_inner and self.run_in_rocker_ratio is None:
            return self
        springs, valvetrain, failure = self.springs, self.valvetrain, self.failure
        if self.is_run_in_without_inner:
            springs = dataclasses.replace(springs, inner_seat_load_n=0.0, inner_rate_n_per_m=0.0)
            left = " ".join(name for name in failure.precaution_ids if name != LIGHT_SPRINGS)
            failure = dataclasses.replace(failure, precautions=left)
        if self.run_in_rocker_ratio is not None:
            valvetrain = dataclasses.replace(valvetrain, rocker_ratio=self.run_in_rocker_ratio)
        return dataclasses.replace(
            self,
            springs=springs,
            valvetrain=valvetrain,
            failure=failure,
            run_in_rocker_ratio=None,
            run_in_rocker_labour_h=None,
        )

    def greatest_lift_at_m(self, rocker_ratio: float) -> float:
        """The greater of the two valve lifts at a rocker ratio, net of lash, gross of what a hydraulic lifter takes up.

        For loads and clearances: springs and seals must bear a lifter that has not leaked.
        """
        return max(
            rocker_ratio * card.lobe_lift_m - lash
            for card, lash in ((self.intake, self.intake_lash_m), (self.exhaust, self.exhaust_lash_m))
        )

    @property
    def greatest_valve_lift_m(self) -> float:
        """`greatest_lift_at_m` with its own rockers."""
        return self.greatest_lift_at_m(self.valvetrain.rocker_ratio)

    @property
    def greatest_open_load_n(self) -> float:
        """Spring load at the greater of the two valve lifts, net of lash."""
        return self.springs.total_seat_load_n + self.springs.total_rate_n_per_m * self.greatest_valve_lift_m


@dataclass(frozen=True, kw_only=True)
class SpeedBand(_Part):
    """A band of engine speed and the share of running time spent in it."""

    from_rpm: float = _quantity("rpm", '"1500 rpm"', "lower end", 300.0, 10000.0)
    to_rpm: float = _quantity("rpm", '"3000 rpm"', "upper end", 300.0, 10000.0)
    share: float = _number("share of the running time", 0.0, 1.0, example="0.6")

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.to_rpm <= self.from_rpm:
            raise OutOfRange(f"to ({self.to_rpm:.0f} rpm) must be above from ({self.from_rpm:.0f} rpm)")


@dataclass(frozen=True, kw_only=True)
class Use(_Part):
    """How the engine will be used."""

    bands: tuple[SpeedBand, ...] = _parts("speeds at which torque matters, with their shares of time")
    highest_speed_rpm: float = _quantity("rpm", '"5200 rpm"', "highest speed it will see", 1000.0, 10000.0)
    hours_a_year_h: float = _quantity("h", '"120 h"', "running hours a year", 0.0, 8766.0)
    years: float = _number("years the costs are counted over", 0.1, 50.0, example="6")

    def __post_init__(self) -> None:
        super().__post_init__()
        total = sum(b.share for b in self.bands)
        if abs(total - 1.0) > 0.005:
            raise OutOfRange(f"bands have shares that add up to {total:.3g}; they must add up to 1")


@dataclass(frozen=True, kw_only=True)
class Shop(_Part):
    """Rates and extras."""

    labour_rate_money_per_h: float = _quantity("money/h", '"115 USD/h"', "shop labour", 0.0, 1e5)
    dyno_rate_money_per_h: float = _quantity("money/h", '"140 USD/h"', "dyno with operator", 0.0, 1e5)
    fuel_price_money_per_m3: float = _quantity("money/m**3", '"3.60 USD/gal"', "fuel", 0.0, 1e6)
    run_in_oil_money: float = _quantity(
        "money", '"130 USD"', "run-in oil, filter, additive and the first service", 0.0, 1e5
    )
    freight: float = _number("freight as a share of parts", 0.0, 1.0, example="0.03")
    tax: float = _number("tax as a share of parts", 0.0, 1.0, example="0.07")
    contingency: float = _number("allowance for surprises as a share of the first cost", 0.0, 1.0, example="0.08")


@dataclass(frozen=True, kw_only=True)
class Limits(_Part):
    """What must not be passed, and what more torque is worth."""

    budget_money: float = _quantity("money", '"2500 USD"', "most that may be spent at the start", 0.0, 1e8)
    speed_margin: float = _number("margin wanted above the highest speed, as a share", 0.0, 1.0, example="0.10")
    coil_bind_clearance_m: float = _quantity("m", '"0.060 in"', "least clearance to coil bind", 0.0, 0.01)
    retainer_clearance_m: float = _quantity("m", '"0.060 in"', "least clearance from retainer to seal", 0.0, 0.01)
    pressure_angle_rad: float = _quantity("rad", '"30 deg"', "greatest roller pressure angle", 10 * _DEG, 50 * _DEG)
    knock_compression_iron: float = _number(
        "dynamic compression above which iron heads need care at 91 octane", 5.0, 14.0, example="8.3"
    )
    knock_compression_aluminium: float = _number("the same for aluminium heads", 5.0, 14.0, example="8.8")
    torque_worth_money: float = _quantity(
        "money", '"60 USD"', "what 1 % more torque over the speeds used is worth to the owner, once", 0.0, 1e6
    )


@dataclass(frozen=True, kw_only=True)
class Model(_Part):
    """Constants the physics assumes; a build sheet may set any of them."""

    ramp_velocity_m_per_rad: float = _quantity(
        "m/rad", '"0.0005 in/deg"', "ramp velocity of a solid lobe, per cam angle", 1e-5, 5e-3
    )
    jerk_allowance: float = _number(
        "admissible peak jerk over the least possible, from ramp top to the second quoted lift",
        1.0,
        3.0,
        example="1.2",
    )
    ramp_velocity_low_m_per_rad: float = _quantity(
        "m/rad", '"0.0003 in/deg"', "slowest ramp a card may hide", 1e-5, 5e-3
    )
    ramp_velocity_high_m_per_rad: float = _quantity(
        "m/rad", '"0.0009 in/deg"', "fastest ramp a card may hide", 1e-5, 5e-3
    )
    hydraulic_ramp_velocity_m_per_rad: float = _quantity(
        "m/rad", '"0.0012 in/deg"', "lobe velocity at a hydraulic card's lowest quoted lift, per cam angle", 1e-5, 5e-3
    )
    hydraulic_ramp_velocity_low_m_per_rad: float = _quantity(
        "m/rad", '"0.0009 in/deg"', "slowest a hydraulic card may hide there", 1e-5, 5e-3
    )
    hydraulic_ramp_velocity_high_m_per_rad: float = _quantity(
        "m/rad", '"0.0018 in/deg"', "fastest a hydraulic card may hide there", 1e-5, 5e-3
    )
    valvetrain_stiffness_n_per_m: float = _quantity(
        "N/m", '"6 MN/m"', "stiffness of the valvetrain seen at the valve, lifter solid", 5e5, 3e7
    )
    valvetrain_damping: float = _number("damping ratio of the valvetrain's first mode", 0.001, 0.25, example="0.05")
    pushrod_share: float = _number("share of the valvetrain's give that is pushrod", 0.05, 0.95, example="0.3")
    spring_damping: float = _number("damping ratio of a valve spring's first mode", 0.001, 0.3, example="0.02")
    spring_active_share: float = _number("share of a spring's mass in its active coils", 0.3, 1.0, example="0.75")
    lobe_contact_stiffness_n_per_m: float = _quantity(
        "N/m", '"200 MN/m"', "stiffness of the contact of lobe and follower", 2e7, 1e9
    )
    seat_contact_stiffness_n_per_m: float = _quantity("N/m", '"100 MN/m"', "stiffness of valve and seat", 2e7, 5e8)
    plunger_share: float = _number("share of a hydraulic lifter's mass in its plunger", 0.05, 0.8, example="0.3")
    plunger_diameter_m: float = _quantity("m", '"16 mm"', "diameter of a hydraulic lifter's plunger", 0.008, 0.03)
    oil_chamber_height_m: float = _quantity("m", '"4 mm"', "height of the oil under the plunger", 0.0005, 0.02)
    oil_bulk_modulus_pa: float = _quantity("Pa", '"0.8 GPa"', "bulk modulus of oil with some air in it", 5e7, 2.5e9)
    plunger_spring_n: float = _quantity("N", '"30 N"', "load of the plunger's spring", 0.0, 300.0)
    oil_supply_pa: float = _quantity("Pa", '"300 kPa"', "oil pressure at the lifters", 0.0, 1.5e6)
    leak_down_time_s: float = _quantity(
        "s", '"20 s"', "time of 0.125 in of leak-down under 50 lbf on the bench", 1.0, 300.0
    )
    oil_refill_n_s_per_m: float = _quantity(
        "N*s/m", '"500 N*s/m"', "suction over speed as the plunger draws oil through its check valve", 10.0, 1e5
    )
    preload_m: float = _quantity("m", '"0.030 in"', "how far a hydraulic plunger is set down", 0.0, 0.004)
    shape_allowance: float = _number("the same between the second quoted lift and the nose", 1.0, 20.0, example="3")
    face_edge_m: float = _quantity("m", '"0.5 mm"', "distance contact keeps from the lifter's edge", 0.0, 0.005)
    least_nose_radius_m: float = _quantity("m", '"1.0 mm"', "least cam radius of curvature", 0.0, 0.02)
    hydraulic_seat_m: float = _quantity(
        "m",
        '"0.006 in"',
        "lobe lift taken up by leak-down and give before a hydraulic lifter opens the valve",
        0.0,
        5e-4,
    )
    cranking_speed_rpm: float = _quantity("rpm", '"180 rpm"', "cranking speed", 50.0, 600.0)
    poisson: float = _number("Poisson's ratio of cam and follower", 0.1, 0.45, example="0.29")
    ambient_pressure_pa: float = _quantity("Pa", '"99 kPa"', "air pressure", 5e4, 1.1e5)
    ambient_temperature_k: float = _quantity("K", '"298 kelvin"', "air temperature", 230.0, 330.0)
    charge_heating_k: float = _quantity("K", '"30 kelvin"', "heating of the charge on its way in", 0.0, 120.0)
    exhaust_back_pressure_pa: float = _quantity(
        "Pa", '"12 kPa"', "exhaust pressure above ambient, full load, at the exhaust reference speed", 0.0, 1e5
    )
    exhaust_reference_speed_rpm: float = _quantity(
        "rpm", '"6000 rpm"', "speed of that back pressure, which grows with speed squared", 1000.0, 12000.0
    )
    runner_entry_loss: float = _number(
        "dynamic heads lost on entering the intake runner from the plenum", 0.0, 3.0, example="0.2"
    )
    runner_friction: float = _number("Darcy friction factor of the intake runner", 0.0, 0.2, example="0.03")
    air_fuel: float = _number("air to fuel by mass", 8.0, 22.0, example="13.5")
    fuel_heating_value_j_per_kg: float = _quantity("J/kg", '"43.9 MJ/kg"', "lower heating value of the fuel", 2e7, 6e7)
    fuel_density_kg_per_m3: float = _quantity("kg/m**3", '"745 kg/m**3"', "fuel density", 500.0, 1000.0)
    indicated_efficiency: float = _number("indicated efficiency at full load, gross", 0.15, 0.5, example="0.36")
    idle_efficiency: float = _number("indicated efficiency at idle, gross", 0.08, 0.4, example="0.25")
    torque_trust: float = _number(
        "share by which a computed torque difference may be wrong: one mode of the runner, no exhaust tuning",
        0.0,
        2.0,
        example="0.5",
    )
    idle_accessory_pa: float = _quantity(
        "Pa", '"15 kPa"', "mean pressure that accessories and converter take at idle", 0.0, 2e5
    )
    friction_scale: float = _number("multiplier on the published friction", 0.3, 3.0, example="1")
    mach_index_peak: float = _number("inlet Mach index near the speed of peak power", 0.2, 1.2, example="0.55")
    cranking_polytropic: float = _number("exponent of compression while cranking", 1.0, 1.45, example="1.25")
    run_in_load_pa: float = _quantity("Pa", '"100 kPa"', "mean brake pressure during run-in", 0.0, 1e6)
    run_in_efficiency: float = _number("indicated efficiency at light load", 0.08, 0.45, example="0.28")


@dataclass(frozen=True, kw_only=True)
class DischargePoint(_Part):
    """One line of the discharge table, on the lesser of curtain and throat area."""

    lift_over_diameter: float = _number("valve lift over valve diameter", 0.0, 1.0, example="0.10")
    coefficient: float = _number("discharge coefficient", 0.01, 1.0, example="0.66")
    low: float = _number("the least it may be", 0.01, 1.0, example="0.56")
    high: float = _number("the most it may be", 0.01, 1.0, example="0.76")


@dataclass(frozen=True, kw_only=True)
class RiskFactor(_Part):
    """What makes a loss likelier: it multiplies the odds when it is there."""

    id: str = _text("short name")
    follower: str = _choice("follower it concerns", "flat", "roller")
    low: float = _number("least it may multiply the odds by", 1e-3, 1e3)
    odds: float = _number("what it multiplies the odds by", 1e-3, 1e3)
    high: float = _number("most it may multiply the odds by", 1e-3, 1e3)
    switch: str = _choice(
        "what switches it on: the sheet's list, an open load above the usual, used lifters",
        "off",
        "open load",
        "used lifters",
    )
    text: str = _text("what it is")
    reason: str = _text("why it matters")
    origin: str = _choice("where the size comes from", *ORIGINS)

    def __post_init__(self) -> None:
        super().__post_init__()
        _check_ordered(self.id, self.low, self.odds, self.high)


@dataclass(frozen=True, kw_only=True)
class Precaution(_Part):
    """What can be done against a loss: its price, what it switches off, what it does to the odds besides."""

    id: str = _text("short name")
    follower: str = _choice("follower it concerns", "flat", "roller")
    price_money: float = _quantity("money", '"35 USD"', "what is bought for it", 0.0, 1e6)
    time_h: float = _quantity("h", '"0.5 h"', "shop labour for it", 0.0, 1000.0)
    removes: tuple[str, ...] = field(metadata={"spec": Spec("text", "ids of the factors it switches off")})
    low: float = _number("least it may multiply the odds by", 1e-3, 1e3)
    odds: float = _number("what it multiplies the odds by", 1e-3, 1e3)
    high: float = _number("most it may multiply the odds by", 1e-3, 1e3)
    text: str = _text("what is done")
    origin: str = _choice("where the figures come from", *ORIGINS)

    def __post_init__(self) -> None:
        super().__post_init__()
        _check_ordered(self.id, self.low, self.odds, self.high)


@dataclass(frozen=True, kw_only=True)
class PairingRule(_Part):
    """One rule of what goes with what: when it holds, what to do, why, and what it costs if nothing serves it.

    A price of None: the sheet's currency is not that of the library's prices.
    """

    id: str = _text("short name")
    verb: str = _choice("what to do", "buy", "change", "machine", "measure", "keep", "stop")
    needs: tuple[str, ...] = field(
        metadata={"spec": Spec("text", "what a price line may serve instead; one is enough")}
    )
    when: str = _text("facts that must all hold")
    per: str = _choice("how many are needed: one a build, valve or cylinder", "build", "valve", "cylinder")
    group: str = _choice("group of the cost line", "parts", "machining")
    price_low_money: float | None = _quantity("money", '"50 USD"', "least price of one", 0.0, 1e6, optional=True)
    price_money: float | None = _quantity("money", '"80 USD"', "price of one", 0.0, 1e6, optional=True)
    price_high_money: float | None = _quantity("money", '"120 USD"', "most it may cost", 0.0, 1e6, optional=True)
    time_low_h: float = _quantity("h", '"0.3 h"', "least shop labour for one", 0.0, 1000.0)
    time_h: float = _quantity("h", '"0.5 h"', "shop labour for one", 0.0, 1000.0)
    time_high_h: float = _quantity("h", '"1 h"', "most shop labour for one", 0.0, 1000.0)
    item: str = _text("what it is")
    reason: str = _text("why, in plain words")
    origin: str = _choice("where the rule comes from", *ORIGINS)

    def __post_init__(self) -> None:
        super().__post_init__()
        prices = (self.price_low_money, self.price_money, self.price_high_money)
        for what, ends in (("price", prices), ("time", (self.time_low_h, self.time_h, self.time_high_h))):
            known = [end for end in ends if end is not None]
            if len(known) not in (0, 3) or known != sorted(known):
                raise OutOfRange(f"{self.id} has a {what} outside its own range; write low, middle and high by size")

    @property
    def costs(self) -> bool:
        """Whether it costs something when nothing serves it."""
        return self.verb in ("buy", "change", "machine") and (self.price_money != 0.0 or self.time_h > 0.0)


# What a line of the run-in may ask for: the words each fact may be.
RUN_IN_FACTS: dict[str, tuple[str, ...]] = {
    "follower": ("flat", "roller"),
    "lifter": ("hydraulic", "solid"),
    "school": ("varied", "hold", "none"),
    "lobes": ("run", "none"),
    "fuel": ("carburettor", "injection"),
    "inner": ("out", "in"),
    "rockers": ("low", "own"),
}


@dataclass(frozen=True, kw_only=True)
class RunInLine(_Part):
    """One line of the run-in: an act, a step at speed, a share of the heat, or a usual load.

    share: of the run-in's minutes (stage "step") or of the heat (stage "heat"), with its range. from_speed, to_speed:
    multiples of the mean speed of the run-in. open_load_n: what stage "usual" is about.
    """

    id: str = _text("short name")
    stage: str = _choice(
        "when it is done", "prepare", "prime", "ready", "start", "step", "stop", "restart", "after", "heat", "usual"
    )
    when: str | None = _text("facts that must all hold, fact=word or fact=one|other; empty for always", default="")
    share_low: float | None = _number("least share", 0.0, 1.0, optional=True)
    share: float | None = _number("share of the minutes or of the heat", 0.0, 1.0, optional=True)
    share_high: float | None = _number("greatest share", 0.0, 1.0, optional=True)
    from_speed: float | None = _number("speed at its start over the mean speed", 0.1, 3.0, optional=True)
    to_speed: float | None = _number("speed at its end over the mean speed", 0.1, 3.0, optional=True)
    open_load_n: float | None = _quantity("N", '"260 lbf"', "spring load, valve open", 0.0, 5e3, optional=True)
    where: str = _text("what it is done to")
    text: str = _text("what is done")
    watch: str | None = _text("what to watch meanwhile", default="")
    caution: str | None = _text("how it can hurt, and what to do about it", default="")
    reason: str | None = _text("why", default="")
    origin: str = _choice("where it comes from", *ORIGINS)

    def __post_init__(self) -> None:
        super().__post_init__()
        for word in (self.when or "").split():
            fact, _, rest = word.partition("=")
            if fact not in RUN_IN_FACTS or not set(rest.split("|")) <= set(RUN_IN_FACTS[fact]):
                raise OutOfRange(
                    f"the condition '{word}' is not known; write "
                    + ", ".join(f"{name}={'|'.join(words)}" for name, words in RUN_IN_FACTS.items())
                )
        needed = {"step": (self.share, self.from_speed, self.to_speed), "heat": (self.share,)}
        if None in needed.get(self.stage, ()):
            raise OutOfRange(f"{self.id} is a {self.stage} and lacks its share or its speeds")
        if self.stage == "usual" and self.open_load_n is None:
            raise OutOfRange(f"{self.id} lacks its open_load")

    def holds(self, facts: Mapping[str, str]) -> bool:
        """Whether all its conditions hold."""
        words = (word.partition("=") for word in (self.when or "").split())
        return all(facts[fact] in rest.split("|") for fact, _, rest in words)


def _check_ordered(name: str, low: float, value: float, high: float) -> None:
    if not low <= value <= high:
        raise OutOfRange(f"{name} multiplies the odds by {value:g}, outside its own range of {low:g} to {high:g}")


@dataclass(frozen=True)
class Datum:
    """One value of a build with its history.

    path: as in the sheet, such as "candidates.h-flat.springs.rate". value, low, high: in `unit` (SI, or
    money, or nothing for bare numbers). text: as written. origin: one of ORIGINS. written: whether the sheet,
    not the library's defaults, supplied it.
    """

    path: str
    value: float | str | bool
    low: float | None
    high: float | None
    unit: str
    text: str
    origin: str
    note: str = ""
    written: bool = True


@dataclass(frozen=True, kw_only=True)
class Build:
    """A whole build sheet as parts; `data` says where each value came from."""

    name: str
    currency: str
    note: str
    engine: Engine
    block: Block
    vehicle: Vehicle
    use: Use
    shop: Shop
    limits: Limits
    model: Model
    discharge: tuple[DischargePoint, ...]
    candidates: tuple[Candidate, ...]
    data: Mapping[str, Datum] = field(repr=False)
    source: str = ""
    factors: tuple[RiskFactor, ...] = ()
    precautions: tuple[Precaution, ...] = ()
    pairing: tuple[PairingRule, ...] = ()
    run_in: tuple[RunInLine, ...] = ()

    def __post_init__(self) -> None:
        if not self.candidates:
            raise OutOfRange("the sheet has no candidate; add at least one [[candidate]]")
        seen: set[str] = set()
        for each in self.candidates:
            if each.id in seen:
                raise OutOfRange(f"two candidates have the id '{each.id}'; give each its own")
            seen.add(each.id)
        object.__setattr__(self, "data", types.MappingProxyType(dict(self.data)))

    def candidate(self, candidate_id: str) -> Candidate:
        """The candidate with this id; OutOfRange names the nearest if there is none."""
        for each in self.candidates:
            if each.id == candidate_id:
                return each
        names = [c.id for c in self.candidates]
        near = difflib.get_close_matches(candidate_id, names, n=1)
        hint = f"; did you mean '{near[0]}'?" if near else f"; there are {', '.join(names)}"
        raise OutOfRange(f"no candidate '{candidate_id}'{hint}")

    def precautions_on(self, candidate: Candidate) -> tuple[Precaution, ...]:
        """The precautions a candidate takes, in the table's order."""
        return tuple(p for p in self.precautions if p.id in candidate.failure.precaution_ids)

    def precautions_for(self, candidate: Candidate) -> tuple[Precaution, ...]:
        """The precautions a candidate could take; lighter springs only where there is an inner to take out."""
        return tuple(
            p
            for p in self.precautions
            if p.follower == candidate.follower and (p.id != LIGHT_SPRINGS or candidate.springs.has_inner)
        )

    def usual_run_in_load_n(self, candidate: Candidate) -> float | None:
        """The usual greatest open load for the run-in (runin.csv); None where none is usual, as for rollers."""
        facts = run_in_facts(self, candidate)
        return next((line.open_load_n for line in self.run_in if line.stage == "usual" and line.holds(facts)), None)

    def is_automatic(self, factor: RiskFactor, candidate: Candidate) -> bool:
        """Whether a candidate's own figures switch a factor on.

        An open load: a flat cam's as it is run in, against the usual of a run-in; a roller's as fitted, against the
        candidate's usual range.
        """
        if factor.follower != candidate.follower or factor.switch == "off":
            return False
        if factor.switch == "used lifters":
            return candidate.has_used_lifters
        usual = self.usual_run_in_load_n(candidate)
        if usual is not None:
            return candidate.as_run_in.greatest_open_load_n > usual
        return candidate.greatest_open_load_n > candidate.open_load_high_n

    def factors_on(self, candidate: Candidate) -> tuple[RiskFactor, ...]:
        """The factors at work: listed, or switched on by the figures and not said off, less what precautions remove."""
        taken, failure = self.precautions_on(candidate), candidate.failure
        removed = {name for p in taken if p.id != LIGHT_SPRINGS for name in p.removes}
        # Lighter springs take away only a load that is usual without the inner ones: the figures know.
        lightened = {name for p in taken if p.id == LIGHT_SPRINGS for name in p.removes}
        found = []
        for f in self.factors:
            by_itself = f.id not in failure.off_ids and self.is_automatic(f, candidate)
            by_word = f.id in failure.factor_ids and f.id not in lightened
            if f.id not in removed and (by_itself or by_word):
                found.append(f)
        return tuple(found)

    def spread(self, path: str) -> tuple[float, float]:
        """Low and high of a value as multiples of it; (1, 1) where no range is known."""
        datum = self.data.get(path)
        if datum is None or datum.low is None or datum.high is None or not datum.value:
            return 1.0, 1.0
        value = float(datum.value)
        return datum.low / value, datum.high / value


def run_in_facts(build: Build, candidate: Candidate) -> dict[str, str]:
    """What the lines of the run-in ask for, by name; see `RUN_IN_FACTS`."""
    return {
        "follower": candidate.follower,
        "lifter": candidate.lifter,
        "school": candidate.run_in_school or ("varied" if candidate.follower == "flat" else "none"),
        "lobes": "run" if candidate.run_in_time_s > 0 else "none",
        "fuel": build.vehicle.fuel_system,
        "inner": "out" if candidate.is_run_in_without_inner else "in",
        "rockers": "own" if candidate.run_in_rocker_ratio is None else "low",
    }


def risk_data(build: Build) -> dict[str, Datum]:
    """What the factors and precautions at work assume, so that every sheet lists it."""
    found: dict[str, Datum] = {}

    def put(path: str, value: float, low: float | None, high: float | None, unit: str, origin: str, note: str) -> None:
        text = f"{value:g} {unit}".strip()
        found[path] = Datum(path, value, low, high, unit, text, origin, note, written=False)

    for candidate in build.candidates:
        for f in build.factors_on(candidate):
            put(f"factors.{f.id}.odds", f.odds, f.low, f.high, "", f.origin, f"multiplies the odds of a loss: {f.text}")
        for p in build.precautions_on(candidate):
            note = f"precaution: {p.text}"
            put(f"precautions.{p.id}.odds", p.odds, p.low, p.high, "", p.origin, f"multiplies the odds; {note}")
            put(f"precautions.{p.id}.price", p.price_money, None, None, build.currency, p.origin, note)
            put(f"precautions.{p.id}.time", p.time_h, None, None, "h", p.origin, note)
    return found


_T = TypeVar("_T")


@functools.lru_cache(maxsize=256)
def _field_names(part: Any) -> dict[str, str]:
    return {key_of(f.name): f.name for f in dataclasses.fields(part)}


def replaced(part: _T, path: str | Iterable[str], value: Any) -> _T:
    """A copy of a part with one value changed; `path` as in a build sheet ("use.years").

    Candidates are addressed by id ("candidates.h-flat.fitting"), lines of a list by position
    ("candidates.h-flat.parts.0.price"). Values are in the field's own unit. Raises OutOfRange.
    """
    steps = path.split(".") if isinstance(path, str) else list(path)
    kind: Any = type(part)
    name = _field_names(kind).get(steps[0])
    if name is None:
        near = difflib.get_close_matches(steps[0], _field_names(kind), n=1)
        raise OutOfRange(
            f"there is no '{steps[0]}' in {type(part).__name__}" + (f"; did you mean '{near[0]}'?" if near else "")
        )
    old = getattr(part, name)
    if isinstance(old, tuple) and len(steps) > 1:
        at = next((i for i, each in enumerate(old) if getattr(each, "id", str(i)) == steps[1]), None)
        if at is None:
            raise OutOfRange(f"there is no '{steps[1]}' in {steps[0]}")
        new: Any = (
            *old[:at],
            replaced(old[at], steps[2:], value) if len(steps) > 2 else value,
            *old[at + 1 :],
        )
    elif len(steps) > 1:
        new = replaced(old, steps[1:], value)
    else:
        new = value
    return dataclasses.replace(part, **{name: new})  # type: ignore[type-var]
