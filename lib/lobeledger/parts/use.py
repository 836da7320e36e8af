"""What an engine is for, at what price, within which limits, and what the physics assumes.

`Use`, `SpeedBand`, `Shop`, `Limits`, `Model`
"""

from __future__ import annotations

from dataclasses import dataclass

from lobeledger.errors import OutOfRange
from lobeledger.parts.spec import Part, amount, number, tables, words
from lobeledger.units import DEG_RAD

__all__ = ["Limits", "Model", "Shop", "SpeedBand", "Use"]

# Why some fields take no range of their own.
_ALLOWED = "it is what is allowed"
_BAND = "it sets how wide the band of a lobe is"
_SORTS = "it sorts what is worth measuring, at one value"
_CAUTION = "it is the edge of a caution"
_CYCLE = "the doubt about torque has it in it"
_DOUBT = "it is a doubt itself"
_FITS = "it tells which lobes fit, and one that hardly fits is told as it is"
_LATE = "it matters only once the lifter has pumped up, and control is lost by then"
_LITTLE = "the stress at cranking hardly feels it"
_OWN = "it is the end of a range itself"
_RAMP = "its range stands in the two lines beside it, ..._low and ..._high"
_USE = "it says what the engine is for; compare two sheets instead"
_WISH = "it is a wish"


@dataclass(frozen=True, kw_only=True)
class SpeedBand(Part):
    """A band of engine speed and the share of running time spent in it."""

    from_rpm: float = amount("rpm", '"1500 rpm"', "lower end", 300.0, 10000.0, exact=_USE)
    to_rpm: float = amount("rpm", '"3000 rpm"', "upper end", 300.0, 10000.0, exact=_USE)
    share: float = number("share of the running time", 0.0, 1.0, example="0.6", exact=_USE)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.to_rpm <= self.from_rpm:
            raise OutOfRange(f"to ({self.to_rpm:.0f} rpm) must be above from ({self.from_rpm:.0f} rpm)")


@dataclass(frozen=True, kw_only=True)
class Use(Part):
    """How the engine will be used."""

    bands: tuple[SpeedBand, ...] = tables("rpm you use, and how often")
    highest_speed_rpm: float = amount("rpm", '"5200 rpm"', "top rpm: the most it will see", 1000.0, 10000.0)
    hours_a_year_h: float = amount("h", '"120 h"', "engine hours a year", 0.0, 8766.0)
    years: float = number("years you'll own it", 0.1, 50.0, example="6")

    def __post_init__(self) -> None:
        super().__post_init__()
        total = sum(b.share for b in self.bands)
        if abs(total - 1.0) > 0.005:
            raise OutOfRange(f"bands have shares that add up to {total:.3g}; they must add up to 1")


@dataclass(frozen=True, kw_only=True)
class Shop(Part):
    """Rates and extras, and what a quote says of the shop itself."""

    labour_rate_money_per_h: float = amount("money/h", '"115 USD/h"', "shop labor", 0.0, 1e5)
    dyno_rate_money_per_h: float = amount("money/h", '"140 USD/h"', "dyno with operator", 0.0, 1e5)
    fuel_price_money_per_m3: float = amount("money/m**3", '"3.60 USD/gal"', "fuel", 0.0, 1e6)
    run_in_oil_money: float = amount(
        "money", '"130 USD"', "break-in oil, filter, additive and the first service", 0.0, 1e5
    )
    freight: float = number("freight as a share of parts", 0.0, 1.0, example="0.03")
    tax: float = number("tax as a share of parts", 0.0, 1.0, example="0.07")
    tax_labour: float = number("tax as a share of labor, dyno time and machining", 0.0, 1.0, example="0.07")
    contingency: float = number("allowance for surprises as a share of the up-front cost", 0.0, 1.0, example="0.08")
    name: str | None = words("the shop's name, for quotes and order lists", default="")
    address: str | None = words("the shop's address, with a line end where one is printed", default="")
    tax_number: str | None = words("the shop's tax number, as it is printed", default="")
    quote_number: str | None = words("running number of the quote and of the order list that goes with it", default="")


@dataclass(frozen=True, kw_only=True)
class Limits(Part):
    """What must not be passed, and what more torque is worth."""

    budget_money: float = amount("money", '"2500 USD"', "most that may be spent at the start", 0.0, 1e8)
    speed_margin: float = number("margin wanted above top rpm, as a share", 0.0, 1.0, example="0.10", exact=_WISH)
    coil_bind_clearance_m: float = amount("m", '"0.060 in"', "least clearance to coil bind", 0.0, 0.01)
    retainer_clearance_m: float = amount("m", '"0.060 in"', "least clearance from retainer to seal", 0.0, 0.01)
    pressure_angle_rad: float = amount(
        "rad", '"30 deg"', "greatest roller pressure angle", 10 * DEG_RAD, 50 * DEG_RAD, exact=_WISH
    )
    knock_compression_iron: float = number(
        "dynamic compression above which iron heads need care at 91 octane", 5.0, 14.0, example="8.3", exact=_CAUTION
    )
    knock_compression_aluminium: float = number("the same for aluminum heads", 5.0, 14.0, example="8.8", exact=_CAUTION)
    knock_per_octane: float = number(
        "how much more of it a fuel bears for each octane number", 0.0, 1.0, example="0.1", exact=_CAUTION
    )
    torque_worth_money: float = amount(
        "money", '"60 USD"', "what 1% more torque at your rpm is worth to the owner, once", 0.0, 1e6
    )
    remedy_later: float = number(
        "what a fix costs once the engine is together, over what it costs before",
        1.0,
        10.0,
        example="1.5",
        exact=_SORTS,
    )
    shortfall_money: float | None = amount(
        "money",
        '"2000 USD"',
        "what falling short of a limit costs the owner where nothing with a price fixes it",
        0.0,
        1e8,
        optional=True,
    )


@dataclass(frozen=True, kw_only=True)
class Model(Part):
    """Constants the physics assumes; a build sheet may set any of them."""

    ramp_velocity_m_per_rad: float = amount(
        "m/rad", '"0.0005 in/deg"', "ramp velocity of a solid lobe, per cam angle", 1e-5, 5e-3, exact=_RAMP
    )
    jerk_allowance: float = number(
        "admissible peak jerk over the least possible, from ramp top to the second quoted lift",
        1.0,
        3.0,
        example="1.2",
        exact=_BAND,
    )
    ramp_velocity_low_m_per_rad: float = amount(
        "m/rad", '"0.0003 in/deg"', "slowest ramp a card may hide", 1e-5, 5e-3, exact=_OWN
    )
    ramp_velocity_high_m_per_rad: float = amount(
        "m/rad", '"0.0009 in/deg"', "fastest ramp a card may hide", 1e-5, 5e-3, exact=_OWN
    )
    hydraulic_ramp_velocity_m_per_rad: float = amount(
        "m/rad",
        '"0.0012 in/deg"',
        "lobe velocity at a hydraulic card's lowest quoted lift, per cam angle",
        1e-5,
        5e-3,
        exact=_RAMP,
    )
    hydraulic_ramp_velocity_low_m_per_rad: float = amount(
        "m/rad", '"0.0009 in/deg"', "slowest a hydraulic card may hide there", 1e-5, 5e-3, exact=_OWN
    )
    hydraulic_ramp_velocity_high_m_per_rad: float = amount(
        "m/rad", '"0.0018 in/deg"', "fastest a hydraulic card may hide there", 1e-5, 5e-3, exact=_OWN
    )
    ramp_give_m: float = amount(
        "m", '"0.0025 in"', "lobe lift that a solid ramp adds to lash over ratio for the valvetrain's give", 0.0, 3e-4
    )
    valvetrain_stiffness_n_per_m: float = amount(
        "N/m", '"6 MN/m"', "stiffness of the valvetrain seen at the valve, lifter solid", 5e5, 3e7
    )
    valvetrain_damping: float = number("damping ratio of the valvetrain's first mode", 0.001, 0.25, example="0.05")
    pushrod_share: float = number("share of the valvetrain's give that is pushrod", 0.05, 0.95, example="0.3")
    spring_damping: float = number("damping ratio of a valve spring's first mode", 0.001, 0.3, example="0.02")
    spring_active_share: float = number("share of a spring's mass in its active coils", 0.3, 1.0, example="0.75")
    lobe_contact_stiffness_n_per_m: float = amount(
        "N/m", '"200 MN/m"', "stiffness of the contact of lobe and follower", 2e7, 1e9
    )
    seat_contact_stiffness_n_per_m: float = amount("N/m", '"100 MN/m"', "stiffness of valve and seat", 2e7, 5e8)
    stem_friction_n: float = amount("N", '"15 N"', "dry friction of a valve's stem in guide and seal", 0.0, 200.0)
    exhaust_opening_pressure_pa: float = amount(
        "Pa", '"400 kPa"', "cylinder pressure over the port's as the exhaust valve opens, full load", 0.0, 1.5e6
    )
    blowdown_angle_rad: float = amount(
        "rad", '"80 deg"', "crank angle from there over which that pressure goes", 10 * DEG_RAD, 180 * DEG_RAD
    )
    lobe_contact_damping: float = number(
        "damping ratio of the lifter on its contact with the lobe", 0.0, 1.0, example="0.15"
    )
    seat_contact_damping: float = number("damping ratio of the valve on its seat", 0.0, 1.0, example="0.15")
    lifter_incline_rad: float = amount("rad", '"45 deg"', "lifter bore from upright", 0.0, 90.0 * DEG_RAD)
    plunger_share: float = number("share of a hydraulic lifter's mass in its plunger", 0.05, 0.8, example="0.3")
    plunger_diameter_m: float = amount("m", '"16 mm"', "diameter of a hydraulic lifter's plunger", 0.008, 0.03)
    oil_chamber_height_m: float = amount("m", '"4 mm"', "height of the oil under the plunger", 0.0005, 0.02)
    oil_bulk_modulus_pa: float = amount("Pa", '"0.8 GPa"', "bulk modulus of oil with some air in it", 5e7, 2.5e9)
    plunger_spring_n: float = amount("N", '"30 N"', "load of the plunger's spring", 0.0, 300.0)
    oil_supply_pa: float = amount("Pa", '"300 kPa"', "oil pressure at the lifters", 0.0, 1.5e6)
    leak_down_time_s: float = amount(
        "s", '"20 s"', "time of 0.125 in of leak-down under 50 lbf on the bench", 1.0, 300.0
    )
    oil_refill_n_s_per_m: float = amount(
        "N*s/m", '"500 N*s/m"', "suction over speed as the plunger draws oil through its check valve", 10.0, 1e5
    )
    preload_m: float = amount("m", '"0.030 in"', "how far a hydraulic plunger is set down", 0.0, 0.004, exact=_LATE)
    separation_allowed_m: float = amount(
        "m",
        '"0.1 mm"',
        "gap between lifter and lobe, valve open, up to which a solid train is under control",
        1e-6,
        0.002,
        exact=_ALLOWED,
    )
    seat_bounce_allowed_m: float = amount(
        "m",
        '"0.25 mm"',
        "bounce of the valve on its seat up to which a solid train is under control",
        1e-6,
        0.002,
        exact=_ALLOWED,
    )
    pump_up_allowed_m: float = amount(
        "m",
        '"0.25 mm"',
        "rise of a hydraulic plunger up to which its train is under control",
        1e-6,
        0.002,
        exact=_ALLOWED,
    )
    shape_allowance: float = number(
        "the same between the second quoted lift and the nose", 1.0, 20.0, example="3", exact=_BAND
    )
    grinding_radius_m: float = amount(
        "m",
        '"100 mm"',
        "radius of the wheel that grinds a roller's lobe; a hollow flank is no tighter",
        0.02,
        0.5,
        exact=_FITS,
    )
    face_edge_m: float = amount(
        "m", '"0.5 mm"', "distance contact keeps from the lifter's edge", 0.0, 0.005, exact=_FITS
    )
    least_nose_radius_m: float = amount("m", '"1.0 mm"', "least cam radius of curvature", 0.0, 0.02, exact=_FITS)
    hydraulic_seat_m: float = amount(
        "m",
        '"0.006 in"',
        "lobe lift taken up by leak-down and give before a hydraulic lifter opens the valve",
        0.0,
        5e-4,
    )
    cranking_speed_rpm: float = amount("rpm", '"180 rpm"', "cranking speed", 50.0, 600.0, exact=_LITTLE)
    poisson: float = number("Poisson's ratio of cam and follower", 0.1, 0.45, example="0.29")
    ambient_pressure_pa: float = amount("Pa", '"99 kPa"', "air pressure", 5e4, 1.1e5)
    ambient_temperature_k: float = amount("K", '"298 kelvin"', "air temperature", 230.0, 330.0)
    charge_heating_k: float = amount("K", '"30 kelvin"', "heating of the charge on its way in", 0.0, 120.0)
    exhaust_back_pressure_pa: float = amount(
        "Pa", '"12 kPa"', "exhaust pressure above ambient, full load, at the exhaust reference speed", 0.0, 1e5
    )
    exhaust_reference_speed_rpm: float = amount(
        "rpm", '"6000 rpm"', "speed of that back pressure, which grows with speed squared", 1000.0, 12000.0
    )
    runner_entry_loss: float = number(
        "dynamic heads lost on entering the intake runner from the plenum", 0.0, 3.0, example="0.2"
    )
    plenum_exit_loss: float = number(
        "dynamic heads lost by gas that blows back from the intake runner into the plenum",
        0.0,
        2.0,
        example="1",
        exact=_CYCLE,
    )
    runner_friction: float = number("Darcy friction factor of the intake runner", 0.0, 0.2, example="0.03")
    gamma_fresh: float = number("ratio of specific heats of the fresh charge", 1.2, 1.45, example="1.38", exact=_CYCLE)
    gamma_burned: float = number("ratio of specific heats of burned gas", 1.1, 1.4, example="1.30", exact=_CYCLE)
    combustion_efficiency: float = number(
        "share of the fuel's heat that is set free", 0.5, 1.0, example="0.92", exact=_CYCLE
    )
    burn_lost: float = number(
        "share of that heat which walls, dissociation and rising specific heat take until the exhaust opens",
        0.0,
        0.9,
        example="0.30",
        exact=_CYCLE,
    )
    compression_exponent: float = number(
        "polytropic exponent of compression at full load", 1.0, 1.45, example="1.32", exact=_CYCLE
    )
    expansion_exponent: float = number(
        "polytropic exponent of expansion at full load", 1.0, 1.45, example="1.30", exact=_CYCLE
    )
    air_fuel: float = number("air to fuel by mass", 8.0, 22.0, example="13.5")
    fuel_heating_value_j_per_kg: float = amount("J/kg", '"43.9 MJ/kg"', "lower heating value of the fuel", 2e7, 6e7)
    fuel_density_kg_per_m3: float = amount("kg/m**3", '"745 kg/m**3"', "fuel density", 500.0, 1000.0)
    indicated_efficiency: float = number("indicated efficiency at full load, gross", 0.15, 0.5, example="0.36")
    marginal_efficiency: float = number(
        "work of the next drop of fuel over its heat, at one speed (slope of fuel over work)", 0.15, 0.6, example="0.40"
    )
    idle_efficiency: float = number(
        "indicated efficiency at idle, gross, of the fuel that finds air", 0.08, 0.4, example="0.26"
    )
    idle_air_fuel: float = number("air to fuel by mass at idle", 8.0, 22.0, example="14.0")
    idle_backflow: float = number(
        "multiplier on the burned gas that flows back over the overlap at idle", 0.0, 3.0, example="1"
    )
    torque_doubt: float = number(
        "model error of a candidate's torque, as a share, at an overlap where the model is at home",
        0.0,
        0.2,
        example="0.010",
        exact=_DOUBT,
    )
    torque_doubt_overlap_rad: float = amount(
        "rad", '"70 deg"', "overlap at the seat above which that error grows", 0.0, 180 * DEG_RAD, exact=_DOUBT
    )
    torque_doubt_growth: float = number(
        "how fast it grows above, as a share a radian of crank", 0.0, 1.0, example="0.03", exact=_DOUBT
    )
    idle_accessory_pa: float = amount(
        "Pa", '"12 kPa"', "mean pressure that fan, charging and steering pump take at idle", 0.0, 2e5
    )
    idle_stall_mep_pa: float = amount(
        "Pa", '"450 kPa"', "mean brake pressure at the stall speed by which a converter is sold", 0.0, 1.5e6
    )
    idle_stall_speed_rpm: float = amount(
        "rpm", '"1700 rpm"', "stall speed of a converter where the sheet names none", 800.0, 8000.0
    )
    friction_scale: float = number("multiplier on the published friction", 0.3, 3.0, example="1")
    friction_between: float = number(
        "where friction lies between its two published fits, by components 0 and by piston speed 1",
        0.0,
        1.0,
        example="0.5",
    )
    mach_index_peak: float = number("inlet Mach index near the speed of peak power", 0.2, 1.2, example="0.55")
    cranking_polytropic: float = number("exponent of compression while cranking", 1.0, 1.45, example="1.25")
    run_in_load_pa: float = amount("Pa", '"100 kPa"', "mean brake pressure during break-in", 0.0, 1e6)
    run_in_efficiency: float = number("indicated efficiency at light load", 0.08, 0.45, example="0.28")
