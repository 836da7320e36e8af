"""Lines of the library's tables: what goes with what, what moves a risk, how a cam is run in.

What goes with what?      `PairingRule`
What moves a risk?        `RiskFactor`, `Precaution`
How is it run in?         `RunInLine`
What mends a limit?       `Remedy`
What can be measured?     `Measure`
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from lobeledger.errors import OutOfRange
from lobeledger.parts.conditions import Conditions, parse
from lobeledger.parts.spec import ORIGINS, Part, Spec, amount, check_ordered, choice, number, words

__all__ = ["Measure", "REMEDIED_LIMITS", "PairingRule", "Precaution", "Remedy", "RiskFactor", "RunInLine"]

# Limits that something with a price can mend.
REMEDIED_LIMITS = ("vacuum", "speed", "coil_bind", "retainer")


def _when() -> Any:
    return field(default=parse(""), metadata={"spec": Spec("text", "facts that must all hold; none for always")})


@dataclass(frozen=True, kw_only=True)
class RiskFactor(Part):
    """What makes a loss likelier than in a build done with good practice: it multiplies the odds when it is there.

    kind: "left out" is something of good practice that was not done, "given" a circumstance.
    """

    id: str = words("short name")
    follower: str = choice("follower it concerns", "flat", "roller")
    kind: str = choice("good practice left out, or a circumstance", "left out", "given")
    low: float = number("least it may multiply the odds by", 1e-3, 1e3)
    odds: float = number("what it multiplies the odds by", 1e-3, 1e3)
    high: float = number("most it may multiply the odds by", 1e-3, 1e3)
    switch: Conditions | None = field(
        metadata={"spec": Spec("text", "facts that switch it on by themselves; None: only a sheet's list does")}
    )
    text: str = words("what it is")
    reason: str = words("why it matters")
    origin: str = choice("where the size comes from", *ORIGINS)

    def __post_init__(self) -> None:
        super().__post_init__()
        check_ordered(self.id, self.low, self.odds, self.high)

    @property
    def is_of_fitted(self) -> bool:
        """Whether only the cam that is in the engine now can have it."""
        return self.switch is not None and not self.switch.asked.isdisjoint(("fitted", "proven"))


@dataclass(frozen=True, kw_only=True)
class Precaution(Part):
    """What can be done against a loss: its price, what it switches off, what it does to the odds besides.

    practice: "good" is counted on in the opinion of the chance and in the labour to fit, and so lowers no odds and
    costs nothing unless it takes off a factor that is at work; "further" goes beyond it.
    """

    id: str = words("short name")
    follower: str = choice("follower it concerns", "flat", "roller")
    practice: str = choice("good practice that is counted on, or further than that", "good", "further")
    price_money: float = amount("money", '"35 USD"', "what is bought for it", 0.0, 1e6)
    time_h: float = amount("h", '"0.5 h"', "shop labor for it", 0.0, 1000.0)
    removes: tuple[str, ...] = field(metadata={"spec": Spec("text", "ids of the factors it switches off")})
    low: float = number("least it may multiply the odds by", 1e-3, 1e3)
    odds: float = number("what it multiplies the odds by", 1e-3, 1e3)
    high: float = number("most it may multiply the odds by", 1e-3, 1e3)
    text: str = words("what is done")
    origin: str = choice("where the figures come from", *ORIGINS)

    def __post_init__(self) -> None:
        super().__post_init__()
        check_ordered(self.id, self.low, self.odds, self.high)
        if self.practice == "good" and self.odds != 1.0:
            raise OutOfRange(f"{self.id} is good practice, which the odds count on: its odds must be 1")


@dataclass(frozen=True, kw_only=True)
class PairingRule(Part):
    """One rule of what goes with what: when it holds, what to do, why, and what it costs if nothing serves it.

    A price of None: the sheet's currency is not that of the library's prices.
    """

    id: str = words("short name")
    verb: str = choice("what to do", "buy", "change", "machine", "measure", "keep", "stop")
    needs: tuple[str, ...] = field(
        metadata={"spec": Spec("text", "what a price line may serve instead; one is enough")}
    )
    when: Conditions = _when()
    per: str = choice("how many are needed: one a build, valve or cylinder", "build", "valve", "cylinder")
    group: str = choice("group of the cost line", "parts", "machining")
    price_low_money: float | None = amount("money", '"50 USD"', "least price of one", 0.0, 1e6, optional=True)
    price_money: float | None = amount("money", '"80 USD"', "price of one", 0.0, 1e6, optional=True)
    price_high_money: float | None = amount("money", '"120 USD"', "most it may cost", 0.0, 1e6, optional=True)
    time_low_h: float = amount("h", '"0.3 h"', "least shop labor for one", 0.0, 1000.0)
    time_h: float = amount("h", '"0.5 h"', "shop labor for one", 0.0, 1000.0)
    time_high_h: float = amount("h", '"1 h"', "most shop labor for one", 0.0, 1000.0)
    item: str = words("what it is")
    reason: str = words("why, in plain words")
    remedy: str = words("what to do about it", default="")
    caution: str = words("what else it asks, or how it can go wrong", default="")
    tells: str = words("a fact whose number is told beside it", default="")
    origin: str = choice("where the rule comes from", *ORIGINS)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.verb == "stop" and not self.remedy:
            raise OutOfRange(f"{self.id} stops a build and has no remedy; say what would do instead")
        if self.tells not in ("", "pushrod_change"):
            raise OutOfRange(f"{self.id} tells '{self.tells}'; it may tell pushrod_change or nothing")
        prices = (self.price_low_money, self.price_money, self.price_high_money)
        for what, ends in (("price", prices), ("time", (self.time_low_h, self.time_h, self.time_high_h))):
            known = [end for end in ends if end is not None]
            if len(known) not in (0, 3) or known != sorted(known):
                raise OutOfRange(f"{self.id} has a {what} outside its own range; write low, middle and high by size")

    @property
    def costs(self) -> bool:
        """Whether it costs something when nothing serves it."""
        return self.verb in ("buy", "change", "machine") and (self.price_money != 0.0 or self.time_h > 0.0)


@dataclass(frozen=True, kw_only=True)
class Remedy(Part):
    """What mends a limit that is not met, and its price; a price of None: the sheet's currency is not the library's.

    also: what of the candidate's own comes on top; "springs" is a set of springs and the labour to change it. reach_m:
    of a clearance, how much of it can be won; None where it is not about one.
    """

    id: str = words("short name")
    limit: str = choice("limit it fixes", *REMEDIED_LIMITS)
    reach_m: float | None = amount("m", '"0.060 in"', "most clearance that it wins", 0.0, 0.02, optional=True)
    when: Conditions = _when()
    also: str | None = words("what of the candidate's own prices comes on top", default="")
    price_money: float | None = amount("money", '"300 USD"', "what is bought for it", 0.0, 1e6, optional=True)
    time_h: float = amount("h", '"2 h"', "shop labor for it", 0.0, 1000.0)
    text: str = words("what is done")
    caution: str | None = words("how it can hurt, and what to do about it", default="")
    origin: str = choice("where the figures come from", *ORIGINS)


@dataclass(frozen=True, kw_only=True)
class Measure(Part):
    """Something that can be measured or asked before parts are bought, and how long it takes."""

    id: str = words("short name")
    per: str = choice("once for the build, or for each candidate", "build", "candidate")
    minutes: float = number("minutes of a mechanic's time", 0.0, 1e4)
    text: str = words("what is done")
    origin: str = choice("where the minutes come from", *ORIGINS)


@dataclass(frozen=True, kw_only=True)
class RunInLine(Part):
    """One line of the run-in: an act, a step at speed, a share of the heat, or a usual load.

    share: of the run-in's minutes (stage "step") or of the heat (stage "heat"), with its range. from_speed, to_speed:
    multiples of the mean speed of the run-in. open_load_n, time_s: what stage "usual" is about, one of the two.
    """

    id: str = words("short name")
    stage: str = choice(
        "when it is done", "prepare", "prime", "ready", "start", "step", "stop", "restart", "after", "heat", "usual"
    )
    when: Conditions = _when()
    share_low: float | None = number("least share", 0.0, 1.0, optional=True)
    share: float | None = number("share of the minutes or of the heat", 0.0, 1.0, optional=True)
    share_high: float | None = number("greatest share", 0.0, 1.0, optional=True)
    from_speed: float | None = number("speed at its start over the mean speed", 0.1, 3.0, optional=True)
    to_speed: float | None = number("speed at its end over the mean speed", 0.1, 3.0, optional=True)
    open_load_n: float | None = amount("N", '"260 lbf"', "spring load, valve open", 0.0, 5e3, optional=True)
    time_s: float | None = amount("s", '"20 min"', "minutes of a whole break-in", 1.0, 4 * 3600.0, optional=True)
    where: str = words("what it is done to")
    text: str = words("what is done")
    watch: str | None = words("what to watch meanwhile", default="")
    caution: str | None = words("how it can hurt, and what to do about it", default="")
    reason: str | None = words("why", default="")
    origin: str = choice("where it comes from", *ORIGINS)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.stage == "usual" and {"run_in_load", "run_in_length"} & set(self.when.asked):
            raise OutOfRange(f"{self.id} says what is usual, so it cannot ask for run_in_load or run_in_length")
        needed = {"step": (self.share, self.from_speed, self.to_speed), "heat": (self.share,)}
        if None in needed.get(self.stage, ()):
            raise OutOfRange(f"{self.id} is a {self.stage} and lacks its share or its speeds")
        if self.stage == "usual" and (self.open_load_n is None) == (self.time_s is None):
            raise OutOfRange(f"{self.id} needs its open_load or its time, one of the two")
