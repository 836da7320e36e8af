"""One choice of camshaft and lifters, with everything that must change with it.

What opens the valves?               `Candidate`, `CamAndTrain`, `Valvetrain`, `Springs`
What must be paid for it?            `Price`, `UPKEEP_PRICES`
How can it be lost?                  `Failure`, `LIGHT_SPRINGS`, `NEW_LIFTERS`, `USED_LIFTERS`
Is it in the engine already?         `FITTED_ALONE`, `NOT_FOR_FITTED`, `PROVEN_H`
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, replace

from lobeledger.errors import OutOfRange
from lobeledger.parts.card import Card
from lobeledger.parts.spec import Part, amount, choice, flag, key_of, number, table, tables, words
from lobeledger.units import DEG_RAD, both

__all__ = [
    "FITTED_ALONE",
    "LIGHT_SPRINGS",
    "NEW_LIFTERS",
    "NOT_FOR_FITTED",
    "PROVEN_H",
    "UPKEEP_PRICES",
    "USED_LIFTERS",
    "CamAndTrain",
    "Candidate",
    "Failure",
    "Price",
    "Springs",
    "Valvetrain",
]

# Why some fields take no range of their own.
_CAUTION = "it is the edge of a caution"
_COUNT = "it is a count"
_DOUBT = "it is a doubt itself"
_FITS = "it tells which lobes fit, and one that hardly fits is told as it is"
_MAKER = "it is an instruction"
_ONEIN = "how sure the estimate is stands in worth_builds: the fewer builds, the wider"
_RULE = "a rule looks at it, no figure follows from it"

# Precautions (precautions.csv) that change the candidate itself: run in without the inner springs; new lifters.
LIGHT_SPRINGS = "light-springs"
NEW_LIFTERS = ("new-lifters", "new-rollers")
# Factors (factors.csv) that say the same as lifter_state = "used".
USED_LIFTERS = ("used-lifters", "used-rollers")
# Most flat lobes that are wiped go in the first hours (common practice, no source); after this many a cam is taken to
# have outlived them (assumed).
PROVEN_H = 20.0
# Fields that only the fitted cam has, and fields that are nothing for it, whatever its block of the sheet says.
FITTED_ALONE = ("hours_run_h", "lobe_wear_m")
NOT_FOR_FITTED = ("fitting_time_h", "dyno_time_h", "run_in_time_s", "run_in_rocker_ratio", "run_in_rocker_labour_h")
# Upkeep that is done every so many hours -> the price without which it cannot be reckoned.
UPKEEP_PRICES = {
    "lifter_service_every_h": "lifter_service_price_money",
    "spring_change_every_h": "spring_set_price_money",
}


@dataclass(frozen=True, kw_only=True)
class Springs(Part):
    """One valve spring assembly; the outer spring, and the inner if there is one."""

    installed_height_m: float = amount("m", '"1.80 in"', "installed height", 0.02, 0.08)
    seat_load_n: float = amount("N", '"115 lbf"', "outer spring seat load", 50.0, 3000.0)
    rate_n_per_m: float = amount("N/m", '"310 lbf/in"', "outer spring rate", 5e3, 4e5)
    inner_seat_load_n: float = amount("N", '"0 lbf"', "inner spring seat load; 0 if none", 0.0, 2000.0)
    inner_rate_n_per_m: float = amount("N/m", '"0 lbf/in"', "inner spring rate; 0 if none", 0.0, 3e5)
    coil_bind_m: float = amount("m", '"1.15 in"', "height at coil bind", 0.01, 0.07)
    retainer_to_seal_m: float = amount("m", '"0.550 in"', "retainer to seal or guide, valve closed", 0.003, 0.05)
    spring_mass_kg: float = amount("kg", '"95 g"', "mass of the whole spring assembly", 0.01, 0.6)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.coil_bind_m >= self.installed_height_m:
            raise OutOfRange(
                f"coil_bind is {both(self.coil_bind_m, 'lift')}, not below the installed height of "
                f"{both(self.installed_height_m, 'lift')}"
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

    def scaled(self, *, load: float = 1.0, rate: float = 1.0) -> Springs:
        """The assembly with the seat loads and the rates of both springs multiplied, the rest as it is."""
        return replace(
            self,
            seat_load_n=self.seat_load_n * load,
            inner_seat_load_n=self.inner_seat_load_n * load,
            rate_n_per_m=self.rate_n_per_m * rate,
            inner_rate_n_per_m=self.inner_rate_n_per_m * rate,
        )


@dataclass(frozen=True, kw_only=True)
class Valvetrain(Part):
    """Everything between lobe and valve but the lifter and the springs."""

    rocker_ratio: float = number("rocker ratio", 1.0, 2.2, example="1.5")
    rocker_inertia_kg_m2: float = amount("kg*m**2", '"3.0e-5 kg*m**2"', "rocker inertia about its pivot", 1e-6, 1e-3)
    rocker_pushrod_radius_m: float = amount("m", '"24 mm"', "rocker pivot to pushrod seat", 0.01, 0.06)
    pushrod_mass_kg: float = amount("kg", '"58 g"', "one pushrod", 0.01, 0.4)
    intake_valve_mass_kg: float = amount("kg", '"120 g"', "intake valve", 0.02, 0.5)
    exhaust_valve_mass_kg: float = amount("kg", '"104 g"', "exhaust valve", 0.02, 0.5)
    retainer_mass_kg: float = amount("kg", '"27 g"', "retainer", 0.003, 0.2)
    locks_mass_kg: float = amount("kg", '"6 g"', "a pair of locks", 0.001, 0.05)
    base_circle_radius_m: float = amount("m", '"0.550 in"', "cam base circle radius", 0.005, 0.04)
    lobe_width_m: float = amount("m", '"0.48 in"', "lobe width", 0.004, 0.03)


@dataclass(frozen=True, kw_only=True)
class Price(Part):
    """One thing that must be bought or paid for."""

    item: str = words("what it is")
    price_money: float = amount("money", '"320 USD"', "price of one", 0.0, 1e7)
    quantity: float = number("how many", 0.0, 1e4, example="1", exact=_COUNT)
    group: str = choice("what kind of line it is", "parts", "machining", "consumables")
    core_charge_money: float = amount("money", '"0 USD"', "core charge, refunded for the old part", 0.0, 1e6)
    serves: str | None = words("needs this line serves, by name, with spaces between", default="")
    part_number: str | None = words("the supplier's number for it", default="")
    supplier: str | None = words("who sells it or does it", default="")

    @property
    def serve_names(self) -> tuple[str, ...]:
        """The needs listed, as names."""
        return tuple((self.serves or "").split())


@dataclass(frozen=True, kw_only=True)
class Failure(Part):
    """How this choice can fail: an opinion 'about 1 in n builds', and what it costs when it happens."""

    what: str = words("what fails")
    one_in: float = number("about 1 build in this many fails", 1.0, 1e6, example="60", exact=_ONEIN)
    worth_builds: float = number(
        "how many builds' experience that estimate is worth", 1.0, 1e6, example="40", exact=_DOUBT
    )
    cost_money: float = amount("money", '"3600 USD"', "cost if it fails", 0.0, 1e7)
    factors: str | None = words("what raises the odds of failure here, by id, with spaces between", default="")
    factors_off: str | None = words(
        "what the figures would count as raising the odds and that is not there, by id, with spaces between", default=""
    )
    precautions: str | None = words("precautions taken, by id, with spaces between", default="")
    seen_losses: int | None = number(
        "failures in the shop's own record of such builds", 0, 1_000_000, whole=True, example="1", optional=True
    )
    seen_builds: int | None = number(
        "builds in the shop's own record", 0, 1_000_000, whole=True, example="25", optional=True
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        if (self.seen_losses is None) != (self.seen_builds is None):
            raise OutOfRange("seen_losses and seen_builds go together; give both or neither")
        if self.seen_losses is not None and self.seen_builds is not None and self.seen_losses > self.seen_builds:
            raise OutOfRange(
                f"seen_losses is {self.seen_losses}, more than the {self.seen_builds} of seen_builds; "
                "a build fails once at most"
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
class CamAndTrain(Part):
    """What physics may know of a candidate: its cam, lifters, valvetrain and springs, and nothing of names or money.

    The mechanics are handed this and keep their results by it, so that what they depend on is what they can see.
    """

    follower: str = choice("follower kind", "flat", "roller")
    lifter: str = choice("lifter kind", "hydraulic", "solid")
    core: str = choice("camshaft core", "iron", "steel")
    intake: Card = table("intake lobe's card")
    exhaust: Card = table("exhaust lobe's card")
    lobe_separation_rad: float = amount("rad", '"112 deg"', "lobe separation, cam degrees", 85 * DEG_RAD, 135 * DEG_RAD)
    intake_centreline_rad: float = amount(
        "rad", '"108 deg"', "intake centerline as installed, crank degrees ATDC", 80 * DEG_RAD, 140 * DEG_RAD
    )
    intake_lash_m: float = amount("m", '"0.022 in"', "intake lash, hot, at the valve; 0 if hydraulic", 0.0, 0.002)
    exhaust_lash_m: float = amount("m", '"0.022 in"', "exhaust lash, hot, at the valve; 0 if hydraulic", 0.0, 0.002)
    lifter_mass_kg: float = amount("kg", '"108 g"', "one lifter, with its share of a link bar", 0.02, 0.5)
    face_diameter_m: float | None = amount(
        "m", '"0.842 in"', "flat lifter face diameter", 0.01, 0.05, optional=True, exact=_FITS
    )
    crown_radius_m: float | None = amount("m", '"45 in"', "flat lifter crown radius", 0.05, 1e4, optional=True)
    lobe_taper_m: float | None = amount("m", '"0.0012 in"', "taper across the lobe, flat", 0.0, 2e-4, optional=True)
    wheel_diameter_m: float | None = amount("m", '"0.750 in"', "roller wheel diameter", 0.01, 0.04, optional=True)
    wheel_width_m: float | None = amount("m", '"0.42 in"', "roller wheel width", 0.003, 0.03, optional=True)
    lobe_modulus_pa: float = amount("Pa", '"207 GPa"', "Young's modulus of the lobe", 5e10, 4e11)
    follower_modulus_pa: float = amount("Pa", '"207 GPa"', "Young's modulus of the lifter face or wheel", 5e10, 4e11)
    valvetrain: Valvetrain = table("what this candidate has between lobe and valve")
    springs: Springs = table("the valve springs it runs")

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
class Candidate(CamAndTrain):
    """One choice of camshaft and lifters with everything that must change with it."""

    id: str = words("short name, unique in the sheet")
    name: str = words("name shown to the customer")
    fitted: bool | None = flag(
        "this cam is in the engine now: nothing is bought, fitted or run in for it", optional=True
    )
    hours_run_h: float | None = amount(
        "h", '"900 h"', "hours the cam that is fitted has run", 0.0, 1e5, optional=True, exact=_RULE
    )
    lobe_wear_m: float | None = amount(
        "m",
        '"0.001 in"',
        "lift that the most worn lobe of the fitted cam has lost",
        0.0,
        0.01,
        optional=True,
        exact=_RULE,
    )
    lifter_state: str = choice("whether the lifters are new", "new", "used")
    lifter_seat_change_m: float | None = amount(
        "m",
        '"0.40 in"',
        "pushrod seat of this lifter above that of the lifter now fitted",
        -0.06,
        0.06,
        optional=True,
        exact=_RULE,
    )
    stress_caution_pa: float = amount(
        "Pa", '"200 kpsi"', "nose stress above which to be careful", 1e8, 1e10, exact=_CAUTION
    )
    seat_load_low_n: float = amount("N", '"100 lbf"', "usual seat load, low end", 0.0, 5e3, exact=_CAUTION)
    seat_load_high_n: float = amount("N", '"130 lbf"', "usual seat load, high end", 0.0, 9e3, exact=_CAUTION)
    open_load_low_n: float = amount("N", '"0 lbf"', "usual open load, low end", 0.0, 9e3, exact=_CAUTION)
    open_load_high_n: float = amount("N", '"330 lbf"', "usual open load, high end", 0.0, 2e4, exact=_CAUTION)
    fitting_time_h: float = amount("h", '"8 h"', "labor to install it", 0.0, 1000.0)
    dyno_time_h: float = amount("h", '"2 h"', "dyno time with operator, break-in included", 0.0, 200.0)
    run_in_school: str | None = choice(
        "how a flat cam is broken in: at varied speed, or held at one speed", "varied", "hold", optional=True
    )
    run_in_time_s: float = amount("s", '"30 min"', "lobe break-in at speed; 0 for rollers", 0.0, 4 * 3600.0)
    run_in_speed_rpm: float = amount("rpm", '"2300 rpm"', "mean speed of the break-in", 500.0, 6000.0)
    run_in_lowest_speed_rpm: float | None = amount(
        "rpm",
        '"2000 rpm"',
        "slowest speed of a varied break-in, where the maker names one",
        500.0,
        6000.0,
        optional=True,
        exact=_MAKER,
    )
    run_in_highest_speed_rpm: float | None = amount(
        "rpm",
        '"3000 rpm"',
        "fastest speed of a varied break-in, where the maker names one",
        500.0,
        6000.0,
        optional=True,
        exact=_MAKER,
    )
    run_in_rocker_ratio: float | None = number(
        "rocker ratio for the break-in of a flat cam, if it is lower",
        1.0,
        2.2,
        example="1.2",
        optional=True,
        exact=_MAKER,
    )
    run_in_rocker_labour_h: float | None = amount(
        "h", '"1 h"', "labor to change the rockers once; they are changed twice", 0.0, 100.0, optional=True
    )
    maker_instruction: str | None = words("the part maker's own break-in instruction, word for word", default="")
    lash_check_every_h: float = amount("h", '"50 h"', "running hours between lash checks; 0 for never", 0.0, 1e5)
    lash_check_labour_h: float = amount("h", '"1.5 h"', "labor of one lash check", 0.0, 100.0)
    spring_change_every_h: float = amount(
        "h", '"600 h"', "running hours a set of springs is kept; 0 for all of them", 0.0, 1e5
    )
    spring_set_price_money: float | None = amount(
        "money", '"260 USD"', "price of a set of springs", 0.0, 1e6, optional=True
    )
    spring_labour_h: float = amount("h", '"5 h"', "labor to change a set of springs", 0.0, 100.0)
    lifter_service_every_h: float = amount(
        "h", '"400 h"', "running hours between lifter services; 0 for never", 0.0, 1e5
    )
    lifter_service_price_money: float | None = amount(
        "money", '"300 USD"', "price of one lifter service", 0.0, 1e6, optional=True
    )
    lifter_labour_h: float = amount("h", '"6 h"', "labor of one lifter service", 0.0, 100.0)
    failure: Failure = table("how it can fail")
    parts: tuple[Price, ...] = tables("everything that must be bought or machined for it", least=0)

    def __post_init__(self) -> None:
        super().__post_init__()
        self._check_fitted()
        ratio = self.run_in_rocker_ratio
        if self.follower == "roller" and ratio is not None:
            raise OutOfRange(
                "run_in_rocker_ratio lightens the break-in of flat tappets; a roller needs its full springs, so "
                "remove it"
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
                "rockers for the break-in have a lower one"
            )
        slowest, fastest = self.run_in_lowest_speed_rpm, self.run_in_highest_speed_rpm
        if not (slowest or 0.0) <= self.run_in_speed_rpm <= (fastest or math.inf):
            raise OutOfRange(
                f"run_in_speed is {self.run_in_speed_rpm:.0f} rpm, not between run_in_lowest_speed and "
                "run_in_highest_speed; it is the mean of the break-in"
            )
        if (ratio is None) != (self.run_in_rocker_labour_h is None):
            raise OutOfRange("run_in_rocker_ratio and run_in_rocker_labour go together; give both or neither")

    def _check_fitted(self) -> None:
        """A cam that is fitted costs nothing to have; any other needs at least one thing bought."""
        known = [key for key in FITTED_ALONE if getattr(self, key) is not None]
        if not self.fitted and known:
            raise OutOfRange(
                f"{key_of(known[0])} is of the cam that is in the engine now; write fitted = true or remove it"
            )
        if not self.fitted and not self.parts:
            raise OutOfRange("parts needs at least one entry, unless fitted = true says that it is in the engine now")
        if self.fitted and (self.parts or any(getattr(self, key) for key in NOT_FOR_FITTED)):
            raise OutOfRange("a cam that is fitted has no parts to buy and no hours of install, dyno or break-in")

    @property
    def is_fitted(self) -> bool:
        """Whether this is the cam that is in the engine now."""
        return bool(self.fitted)

    @property
    def is_proven(self) -> bool:
        """Whether it is fitted and has outlived its first hours; one of which no hours are said is taken to have."""
        return self.is_fitted and (self.hours_run_h is None or self.hours_run_h >= PROVEN_H)

    @property
    def has_maker_instruction(self) -> bool:
        """Whether the sheet quotes the part maker's own words on the run-in, which come before every table."""
        return bool((self.maker_instruction or "").strip())

    @property
    def is_run_in_without_inner(self) -> bool:
        """Whether the inner springs stay out for the run-in: the precaution `light-springs`."""
        return LIGHT_SPRINGS in self.failure.precaution_ids

    @property
    def has_used_lifters(self) -> bool:
        """Whether it would run on used lifters: the sheet or its factors say so, and no precaution replaces them.

        Flat lifters of the fitted cam have worn to its own lobes, and count as its own; its rollers are used ones where
        nobody says how long they have run.
        """
        if self.is_fitted:
            return self.follower == "roller" and self.hours_run_h is None
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

    @property
    def cam_and_train(self) -> CamAndTrain:
        """What physics may know of it."""
        return CamAndTrain(**{each.name: getattr(self, each.name) for each in dataclasses.fields(CamAndTrain)})
