"""The engine, its block, what it moves, and how its ports flow.

What is being built?     `Engine`, `FlowPoint`, `Block`
What does it move?       `Vehicle`
How do ports flow that nobody has measured?     `DischargePoint`
"""

from __future__ import annotations

from dataclasses import dataclass

from lobeledger.errors import OutOfRange
from lobeledger.parts.spec import Part, amount, choice, flag, number, tables
from lobeledger.units import both

__all__ = ["Block", "DischargePoint", "Engine", "FlowPoint", "Vehicle"]

# Why some fields take no range of their own.
_NAMES = "it names where something was measured; put the doubt into what was measured there"
_NAMES_FLOW = "it names how the table was measured; put the doubt into its flows"
_OWN = "it is the end of a range itself"
_RULE = "a rule looks at it, no figure follows from it"


@dataclass(frozen=True, kw_only=True)
class FlowPoint(Part):
    """One line of a flow table, measured at the depression the table names."""

    lift_m: float = amount("m", '"0.300 in"', "valve lift", 0.0, 0.03, exact=_NAMES)
    intake_m3_per_s: float = amount("m**3/s", '"180 ft**3/min"', "intake port flow", 0.0, 0.5)
    exhaust_m3_per_s: float = amount("m**3/s", '"140 ft**3/min"', "exhaust port flow", 0.0, 0.5)


@dataclass(frozen=True, kw_only=True)
class Engine(Part):
    """The long block and its heads."""

    cylinders: int = number("number of cylinders", 1, 16, whole=True, example="8")
    bore_m: float = amount("m", '"4.030 in"', "cylinder bore", 0.03, 0.2)
    stroke_m: float = amount("m", '"3.480 in"', "crank stroke", 0.03, 0.25)
    rod_m: float = amount("m", '"5.700 in"', "connecting rod, center to center", 0.05, 0.4)
    compression: float = number("static compression ratio", 5.0, 18.0, example="9.5")
    intake_valve_m: float = amount("m", '"1.94 in"', "intake valve head diameter", 0.015, 0.08)
    exhaust_valve_m: float = amount("m", '"1.50 in"', "exhaust valve head diameter", 0.012, 0.07)
    throat_share: float = number("port throat diameter over valve diameter", 0.7, 1.0, example="0.88")
    runner_length_m: float = amount("m", '"13 in"', "intake runner, plenum to valve", 0.05, 1.5)
    runner_area_share: float = number(
        "mean cross-section of the intake runner over the area of the intake throat", 0.3, 2.5, example="0.85"
    )
    head_material: str = choice("cylinder head material", "iron", "aluminium")
    rocker_studs: str = choice("how the rockers are held", "unknown", "pressed", "screw-in", "shaft")
    flow_test_pa: float = amount("Pa", '"28 inH2O"', "depression of the flow table", 500.0, 20000.0, exact=_NAMES_FLOW)
    flow: tuple[FlowPoint, ...] = tables("flow table, if it has been measured", least=0)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.rod_m <= self.stroke_m / 2 * 1.1:
            raise OutOfRange(
                f"rod is {both(self.rod_m, 'length')}, too short for a stroke of {both(self.stroke_m, 'length')}; "
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
class Block(Part):
    """What the block offers to lifters, cam and drives."""

    lifter_provision: str = choice(
        "what the block has for roller lifters", "none", "link-bar retrofit", "factory guides"
    )
    cam_retention: str = choice("what stops the cam from walking", "none", "plate", "button")
    lifter_bore_m: float = amount("m", '"0.842 in"', "lifter bore", 0.015, 0.035, exact=_RULE)
    oil_band_m: float | None = amount(
        "m",
        '"0.75 in"',
        "height of the lifter's oil band above the bore's lower edge, on the base circle of the cam now fitted",
        0.0,
        0.08,
        optional=True,
        exact=_RULE,
    )
    lifter_bore_height_m: float | None = amount(
        "m", '"1.90 in"', "height of the lifter bore, lower to upper edge", 0.01, 0.15, optional=True, exact=_RULE
    )
    fitted_lifter: str = choice("kind of lifter now fitted", "unknown", "flat", "roller")
    fitted_base_circle_radius_m: float | None = amount(
        "m", '"0.550 in"', "base circle radius of the cam now fitted", 0.005, 0.04, optional=True, exact=_RULE
    )
    fuel_pump_eccentric: bool = flag("a mechanical fuel pump runs off the cam")
    distributor_gear: str = choice("material of the distributor gear now fitted", "iron", "steel", "bronze", "polymer")


@dataclass(frozen=True, kw_only=True)
class Vehicle(Part):
    """What the engine moves and what it must leave alone."""

    transmission: str = choice("gearbox", "automatic", "manual")
    converter_stall_rpm: float | None = amount(
        "rpm", '"2000 rpm"', "torque converter stall speed", 800.0, 8000.0, optional=True
    )
    axle_ratio: float = number("final drive ratio", 1.5, 8.0, example="3.42")
    top_gear_ratio: float = number("top gear ratio", 0.4, 2.0, example="1.0")
    tyre_diameter_m: float = amount("m", '"26.5 in"', "tire diameter", 0.3, 1.5)
    brake_booster: bool = flag("the brakes rely on engine vacuum")
    booster_vacuum_pa: float = amount(
        "Pa", '"15 inHg"', "vacuum the booster needs at idle, as a gauge reads it out of gear", 0.0, 90000.0
    )
    fuel_system: str = choice("how the fuel is metered", "carburettor", "injection")
    idle_speed_rpm: float = amount("rpm", '"750 rpm"', "idle speed", 400.0, 2000.0)
    cruise_speed_m_per_s: float = amount("m/s", '"65 mph"', "usual cruising speed", 1.0, 120.0)
    octane: float = number("anti-knock index of the fuel, (R+M)/2", 80.0, 120.0, example="91", exact=_RULE)


@dataclass(frozen=True, kw_only=True)
class DischargePoint(Part):
    """One line of the discharge table, on the lesser of curtain and throat area."""

    lift_over_diameter: float = number("valve lift over valve diameter", 0.0, 1.0, example="0.10", exact=_NAMES)
    coefficient: float = number("discharge coefficient", 0.01, 1.0, example="0.66", exact=_OWN)
    low: float = number("the least it may be", 0.01, 1.0, example="0.56", exact=_OWN)
    high: float = number("the most it may be", 0.01, 1.0, example="0.76", exact=_OWN)
