"""The form of a cam: from its card, from the events in a factory book, or from the little that is known.

What is asked?                          `cam_form`
What do the answers say?                `cam_said` -> `CamEntry`
The build with it                       `cam_applied`

Events to duration and centerline are `engine.crank`'s, exact only for lobes with equal flanks. A separation or an
installed centerline that nobody gives is guessed with a range (common practice, no source), and said so.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from lobeledger import units
from lobeledger.engine.crank import exhaust_from_events, intake_from_events, lobe_separation_cam_deg
from lobeledger.errors import BuildError, OutOfRange
from lobeledger.page.words.cam_card import card_shown, only_changed
from lobeledger.page.words.forms import (
    Field,
    FieldTrouble,
    Form,
    Group,
    Understood,
    number_text,
    trouble_by_key,
    written,
)
from lobeledger.page.words.sheet_forms import changed_prices, price_lines
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate, Price, Valvetrain
from lobeledger.parts.card import CardPoint
from lobeledger.parts.spec import Spec, spec_of
from lobeledger.sheet.card import LOBE_LIFT, VALVE_LIFT
from lobeledger.sheet.change import change
from lobeledger.sheet.edit import add_candidate
from lobeledger.sheet.fields import SAME_AS_INTAKE

__all__ = ["CamEntry", "cam_applied", "cam_form", "cam_said"]

# Guessed where nobody says, in crank and cam degrees: common practice of street cams, no published source.
_GUESSED_SEPARATION, _SEPARATION_PM = 110.0, 4.0
_GUESSED_ADVANCE, _ADVANCE_PM = 4.0, 4.0
_KINDS = tuple(
    (f"new {follower} {lifter}", f"none: {lifter} {'flat tappet' if follower == 'flat' else 'roller'}, our figures")
    for follower in ("flat", "roller")
    for lifter in ("hydraulic", "solid")
)
_DO = (("new", "a new cam"), ("change", "a cam on the list"))
_WAYS = (("card", "a cam card"), ("events", "opening and closing events"), ("known", "one duration and lift"))
_SIDES = ("intake", "exhaust")
_POINTS = ("low", "mid", "high")
_DURATION = spec_of(CardPoint, "duration_rad")
_AT = spec_of(CardPoint, "at_m")
_EVENT = Spec("quantity", "event", unit="rad", low=math.radians(-60.0), high=math.radians(140.0))
_CARD, _EVENTS = ("way", ("card",)), ("way", ("events",))
_NOT_EVENTS = ("way", ("card", "known"))
_LASH_SIDES = {"intake": "intake_lash_m", "exhaust": "exhaust_lash_m"}


@dataclass(frozen=True)
class CamEntry:
    """A cam as the form's answers say it.

    target: id of the cam to be changed; empty: a new one. copy_of: whose springs, lifters and prices a new one has,
    None for the library's. changes: by path below the candidate. understood: as `Understood`, its changes left empty.
    """

    target: str = ""
    copy_of: str | None = None
    name: str = ""
    changes: Mapping[str, Any] = field(default_factory=dict)
    understood: Understood = Understood()


# -- what is asked -----------------------------------------------------------------------------------------------


def cam_form(build: Build, system: str, *, changing: str = "") -> Form:
    """The form of a cam: empty, or with the card of the cam on the list that is to be changed, by its id."""
    length, us = units.sheet_unit("lift", system), system == "us"
    first = build.candidate(changing) if changing else build.candidates[0]
    names = tuple((c.id, c.name) for c in build.candidates)
    new, old = (("do", ("new",)),), (("do", ("change",)),)
    head = (
        Field("way", "What do you have?", kind="radio", value="card", options=_WAYS),
        Field("do", "This is", kind="radio", value="change" if changing else "new", options=_DO, asks=True),
        Field("name", "Its name", kind="text", when=new),
        Field("like", "Springs, lifters, prices as", "choice", value=first.id, options=(*names, *_KINDS), when=new),
        Field("target", "Which one", "choice", value=first.id, options=names, when=old, asks=True),
    )
    lobe_or_valve = (("lobe", "lobe"), ("valve", "valve"))
    often = "0.006 on most hydraulic cards" if us else "0.15 on most hydraulic cards"
    events = "factory books: often at lash" if us else "factory books: often at lash, or 1 mm"
    quoted = (
        Field("lift_of", "Lift is at the", kind="radio", value="lobe", options=lobe_or_valve),
        Field("at_of", "Durations at lifts of the", kind="radio", value="lobe", options=lobe_or_valve),
        Field("card_ratio", "Card's rocker ratio", hint="empty: your engine's"),
        Field("at_low", "Advertised, at lift", unit=length, hint=often, when=(_CARD,)),
        Field("at_mid", "Duration, at lift", unit=length, value="0.050" if us else "1.27", when=(_NOT_EVENTS,)),
        Field("at_high", "Higher one, at lift", unit=length, value="0.200" if us else "5.08", when=(_CARD,)),
        Field("at_events", "Events, at lift", unit=length, hint=events, when=(_EVENTS,)),
    )
    separation = f"not known: we guess {_GUESSED_SEPARATION:g}"
    centre = f"as installed; empty: {_GUESSED_ADVANCE:g}° less"
    position = (
        Field("lsa", "Lobe separation", unit="°", when=(_NOT_EVENTS,), hint=separation),
        Field("icl", "Intake centerline", unit="°", when=(_NOT_EVENTS,), hint=centre),
        Field("intake_lash", "Intake lash, hot", unit=length, hint="solid lifters only"),
        Field("exhaust_lash", "Exhaust lash, hot", unit=length, hint="solid lifters only"),
        Field("price", "Price of the cam", unit=build.currency, hint="with lifters, if one price"),
        Field("lifter_price", "Price of its lifters", unit=build.currency, hint="empty: as now"),
    )
    same = Field("same", "Same as intake", kind="tick", when=(_NOT_EVENTS,))
    shown = card_shown(build, changing, system) if changing else {}
    note = (
        ""
        if shown or not changing
        else "Its card holds more than fits here; what you enter takes the place of all of it."
    )
    groups = (
        Group("Cam", head, note=note),
        Group("How it is quoted", quoted),
        Group("Intake lobe", _lobe("intake", length), half=True),
        Group("Exhaust lobe", (*_lobe("exhaust", length), same), half=True),
        Group("Position and price", position),
    )
    filled = tuple(
        dataclasses.replace(
            group,
            fields=tuple(dataclasses.replace(each, value=shown.get(each.key, each.value)) for each in group.fields),
        )
        for group in groups
    )
    return Form("Enter a cam", filled, button="Compare this cam")


def _lobe(side: str, length: str) -> tuple[Field, ...]:
    differs = (_NOT_EVENTS, ("same", ("",))) if side == "exhaust" else (_NOT_EVENTS,)
    card = (_CARD, ("same", ("",))) if side == "exhaust" else (_CARD,)
    opens, closes = ("TDC", "BDC") if side == "intake" else ("BDC", "TDC")
    first = (
        Field(f"{side}_low", "Advertised", unit="°", when=card),
        Field(f"{side}_mid", "Duration", unit="°", when=differs),
        Field(f"{side}_high", "Higher duration", unit="°", when=card, hint="if the card has it"),
        Field(f"{side}_open", f"Opens before {opens}", unit="°", when=(_EVENTS,), hint=f"after {opens}: a minus"),
        Field(f"{side}_close", f"Closes after {closes}", unit="°", when=(_EVENTS,), hint=f"before {closes}: a minus"),
    )
    lift = Field(f"{side}_lift", "Lift", unit=length, when=() if side == "intake" else (("same", ("",)),))
    return (*first, lift)


# -- what the answers say ----------------------------------------------------------------------------------------


class _Answers:
    """The answers, read one at a time; what is wrong is noted beside its field."""

    def __init__(self, build: Build, answers: Mapping[str, str], system: str) -> None:
        self.build, self.system = build, system
        self.form = cam_form(build, system)
        self.fields = self.form.fields
        self.answers = answers
        self.wrong: dict[str, str] = {}
        self.said: list[str] = []

    def text(self, key: str) -> str:
        return self.answers.get(key, self.fields[key].value).strip()

    def value(self, key: str, spec: Spec, *, needed: bool = True) -> str | None:
        """An answer as a sheet writes it; None where it is empty or wrong."""
        text = self.text(key)
        label = self.label(key)
        if not text:
            if needed:
                self.wrong.setdefault(key, f"{self.fields[key].label} is missing.")
            return None
        unit = "deg" if self.fields[key].unit == "°" else self.fields[key].unit
        try:
            return str(written(spec, text, label, unit=unit, currency=self.build.currency))
        except FieldTrouble as trouble:
            self.wrong.setdefault(key, str(trouble))
            return None

    def label(self, key: str) -> str:
        side = key.partition("_")[0]
        label = self.fields[key].label
        return (
            f"{side.capitalize()} {label[0].lower()}{label[1:]}"
            if side in _SIDES and not label.lower().startswith(side)
            else label
        )

    def si(self, text: str, unit: str) -> float:
        return units.quantity(text, unit, currency=self.build.currency)


def cam_said(build: Build, answers: Mapping[str, str], system: str) -> CamEntry:
    """What the answers to `cam_form` say."""
    a = _Answers(build, answers, system)
    is_new = a.text("do") != "change"
    cam = a.text("like" if is_new else "target")
    base = next((c for c in build.candidates if c.id == cam), None)
    is_kind = is_new and cam in dict(_KINDS)
    if base is None and not is_kind:
        a.wrong["like" if is_new else "target"] = "Choose one of the cams on the list."
    name = " ".join(a.text("name").split()) if is_new else (base.name if base else "")
    if is_new and not name:
        a.wrong["name"] = "Give it a name, such as the number on its card."
    changes: dict[str, Any] = {}
    if is_kind:
        _, follower, lifter = cam.split()
        changes |= {"follower": follower, "lifter": lifter}
    ratio = a.value("card_ratio", spec_of(Valvetrain, "rocker_ratio"), needed=False)
    sides = _SIDES if a.text("way") == "events" or a.text("same") != "yes" else _SIDES[:1]
    lobes = {side: _lobe_said(a, side, float(ratio) if ratio else None) for side in sides}
    changes |= {side: lobe for side, lobe in lobes.items() if lobe}
    if len(sides) == 1:
        changes["exhaust"] = SAME_AS_INTAKE
    changes |= _position(a)
    is_solid = (changes.get("lifter") or (base.lifter if base else "")) == "solid"
    for side, key in _LASH_SIDES.items():
        lash = a.value(f"{side}_lash", spec_of(Candidate, key), needed=False)
        if lash and not is_solid:
            a.wrong[f"{side}_lash"] = "Hydraulic lifters take up their lash; leave this empty."
        elif lash:
            changes[f"{side}_lash"] = {"value": lash, "origin": "card"}
    changes |= _prices(a, base)
    entry = CamEntry(
        target="" if is_new else cam,
        copy_of=cam if base else None,
        name=name,
        changes=changes,
        understood=Understood(wrong=a.wrong, said=" ".join(a.said)),
    )
    return entry


def _lobe_said(a: _Answers, side: str, ratio: float | None) -> dict[str, Any]:
    """One lobe's card as a sheet writes it."""
    of_valve, at_valve = a.text("lift_of") == "valve", a.text("at_of") == "valve"
    lift = a.value(f"{side}_lift", VALVE_LIFT if of_valve else LOBE_LIFT)
    points = _from_events(a, side) if a.text("way") == "events" else _points(a, side)
    if lift is None or not points:
        return {}
    highest = max(a.si(at, "m") for at, _ in points)
    if of_valve == at_valve and highest >= a.si(lift, "m"):
        a.wrong.setdefault(f"{side}_lift", "The lift must be above the lifts at which durations are quoted.")
    card: dict[str, Any] = {}
    if of_valve and ratio:
        # The card's own rockers: the lobe's lift is theirs, whatever the engine has.
        card["lobe_lift"] = {
            "value": _divided(lift, ratio),
            "origin": "card",
            "note": f"{lift} at the valve, over {ratio:g}",
        }
    else:
        card["valve_lift" if of_valve else "lobe_lift"] = lift
    divide = ratio if at_valve and ratio else None
    card["durations"] = [{"at": _divided(at, divide) if divide else at, "duration": d} for at, d in points]
    if at_valve and not ratio:
        card["quoted_at"] = "valve"
    return card


def _divided(text: str, ratio: float) -> str:
    number, _, unit = text.partition(" ")
    return f"{number_text(float(f'{float(number) / ratio:.6g}'))} {unit}"


def _points(a: _Answers, side: str) -> list[tuple[str, str]]:
    """(lift, duration) of the quoted points, by rising lift."""
    asked = ("mid",) if a.text("way") == "known" else _POINTS
    found: list[tuple[str, str, str]] = []
    for which in asked:
        key, at_key = f"{side}_{which}", f"at_{which}"
        duration = a.value(key, _DURATION, needed=which == "mid")
        if duration is None:
            continue
        if which == "low" and not a.text(at_key):
            a.wrong.setdefault(
                at_key,
                "At which lift? Makers differ; without it the number says little. Or clear the duration.",
            )
            continue
        at = a.value(at_key, _AT)
        if at is not None:
            found.append((key, at, duration))
    found.sort(key=lambda each: a.si(each[1], "m"))
    for (_, at, duration), (other, higher_at, higher) in zip(found, found[1:], strict=False):
        if a.si(at, "m") == a.si(higher_at, "m"):
            a.wrong.setdefault(f"at_{other.rpartition('_')[2]}", "Two durations are quoted at this lift; keep one.")
        elif a.si(higher, "rad") >= a.si(duration, "rad"):
            a.wrong.setdefault(other, f"Higher up the lobe it must be shorter: {higher} is not below {duration}.")
    return [(at, duration) for _, at, duration in found]


def _from_events(a: _Answers, side: str) -> list[tuple[str, str]]:
    at = a.value("at_events", _AT)
    timing = _timing(a, side)
    return [(at, f"{number_text(timing)} deg")] if at is not None and timing is not None else []


def _event(a: _Answers, key: str) -> float | None:
    text = a.value(key, _EVENT)
    return None if text is None else round(math.degrees(a.si(text, "rad")), 6)


def _timing(a: _Answers, side: str) -> float | None:
    """Duration between the two events of a side, crank degrees."""
    opens, closes = _event(a, f"{side}_open"), _event(a, f"{side}_close")
    if opens is None or closes is None:
        return None
    duration = 180.0 + opens + closes
    low, high = (math.degrees(end) for end in (_DURATION.low, _DURATION.high))
    if not low <= duration <= high:
        a.wrong.setdefault(
            f"{side}_close",
            f"That makes a duration of {duration:g} degrees, outside {low:g} to {high:g}; check the signs.",
        )
        return None
    return duration


def _position(a: _Answers) -> dict[str, Any]:
    """Separation and installed centerline, as given, worked out or guessed."""
    if a.text("way") == "events":
        return _position_of_events(a)
    found: dict[str, Any] = {}
    separation = a.value("lsa", spec_of(Candidate, "lobe_separation_rad"), needed=a.text("way") == "card")
    centre = a.value("icl", spec_of(Candidate, "intake_centreline_rad"), needed=False)
    if separation:
        found["lobe_separation"] = {"value": separation, "origin": "card"}
    elif a.text("way") == "known" and "lsa" not in a.wrong:
        separation = f"{_GUESSED_SEPARATION:g} deg"
        found["lobe_separation"] = _guess(separation, _SEPARATION_PM, "not given: usual for street cams")
        a.said.append(f"We guessed a lobe separation of {_GUESSED_SEPARATION:g}°, {_SEPARATION_PM:g} either way.")
    if centre:
        found["intake_centreline"] = {"value": centre, "origin": "card"}
    elif separation and "icl" not in a.wrong:
        degrees = round(math.degrees(a.si(separation, "rad")) - _GUESSED_ADVANCE, 4)
        note = f"not given: {_GUESSED_ADVANCE:g} degrees ahead of the separation"
        found["intake_centreline"] = _guess(f"{degrees:g} deg", _ADVANCE_PM, note)
        a.said.append(
            f"We guessed an intake centerline of {degrees:g}°, {_ADVANCE_PM:g} either way: {_GUESSED_ADVANCE:g}° ahead "
            "of the separation, as many are ground."
        )
    return found


def _guess(value: str, pm: float, note: str) -> dict[str, str]:
    return {"value": value, "pm": f"{pm:g} deg", "origin": "assumed", "note": note}


def _position_of_events(a: _Answers) -> dict[str, Any]:
    """From the middles of the two events."""
    events = [_event(a, key) for key in ("intake_open", "intake_close", "exhaust_open", "exhaust_close")]
    if None in events or any(f"{side}_close" in a.wrong for side in _SIDES):
        return {}
    ivo, ivc, evo, evc = (float(each) for each in events if each is not None)
    intake = intake_from_events(ivo_crank_deg_btdc=ivo, ivc_crank_deg_abdc=ivc)
    exhaust = exhaust_from_events(evo_crank_deg_bbdc=evo, evc_crank_deg_atdc=evc)
    try:
        separation = lobe_separation_cam_deg(
            intake_centreline_crank_deg_atdc=intake.centreline_crank_deg,
            exhaust_centreline_crank_deg_btdc=exhaust.centreline_crank_deg,
        )
    except OutOfRange as trouble:
        a.wrong["intake_open"] = f"{trouble}"
        return {}
    found = {"intake_centreline": intake.centreline_crank_deg, "lobe_separation": separation}
    names = {"intake_centreline": "an intake centerline", "lobe_separation": "a lobe separation"}
    for key, degrees in found.items():
        spec = spec_of(Candidate, f"{key}_rad")
        low, high = (math.degrees(end) for end in (spec.low, spec.high))
        if not low <= degrees <= high:
            a.wrong["intake_open" if key == "intake_centreline" else "exhaust_open"] = (
                f"These events make {names[key]} of {degrees:g}°, outside {low:g} to {high:g}; check their signs."
            )
    if a.wrong:
        return {}
    a.said.append(
        f"Duration {number_text(intake.duration_crank_deg)}° intake, {number_text(exhaust.duration_crank_deg)}° "
        f"exhaust; intake centerline {number_text(intake.centreline_crank_deg)}°, lobe separation "
        f"{number_text(separation)}°. Exact only where both sides of a lobe are alike."
    )
    note = "middle of the events; exact for equal flanks only"
    return {k: {"value": f"{number_text(v)} deg", "origin": "computed", "note": note} for k, v in found.items()}


# -- its price ---------------------------------------------------------------------------------------------------

_LIFTERS = ("lifters", "link-bars")


def _prices(a: _Answers, base: Candidate | None) -> dict[str, Any]:
    """Changes of its price lines by the cam's and the lifters' own prices; none where they stay as they are.

    The lifters' line is the one that serves them; the cam's is the one that serves nothing and says so, or the same.
    """
    spec = spec_of(Price, "price_money")
    cam = a.value("price", spec, needed=base is None)
    lifters = a.value("lifter_price", spec, needed=False)
    if cam is None and lifters is None:
        return {}
    before = price_lines(a.build, base.id) if base else []
    lines = [dict(each) for each in before]
    of_lifters = next((x for x in lines if set(str(x.get("serves", "")).split()) & set(_LIFTERS)), None)
    is_cam = [x for x in lines if not x.get("serves") and "cam" in str(x.get("item", "")).lower().split("button")[0]]
    of_cam = next((x for x in is_cam if x.get("group", "parts") == "parts"), None)
    together = of_cam is None and of_lifters is not None and "cam" in str(of_lifters.get("item", "")).lower()
    if cam is not None:
        line = of_cam or (of_lifters if together else None)
        if line is None:
            lines.insert(0, {"item": "camshaft", "price": cam})
        else:
            line["price"] = cam
            if together and lifters is not None:
                # Sold apart now: one line becomes two.
                line["item"], serves = "camshaft", line.pop("serves")
                lines.insert(1, {"item": "lifters", "price": lifters, "serves": serves})
    if lifters is not None and not (together and cam is not None):
        if together:
            a.wrong["price"] = "They are one price on your list: give the cam's own price as well."
        elif of_lifters is not None:
            of_lifters["price"] = lifters
        else:
            follower = base.follower if base else a.text("like").split()[1]
            has_guides = follower == "flat" or a.build.block.lifter_provision == "factory guides"
            serves = "lifters" if has_guides else "link-bars"
            lines.append({"item": "lifters", "price": lifters, "serves": serves})
    return changed_prices(before, lines)


# -- the build with it -------------------------------------------------------------------------------------------


def cam_applied(build: Build, answers: Mapping[str, str], system: str) -> tuple[Build, CamEntry]:
    """The build with the cam added or changed; the same build, and what was wrong by field, where it cannot be."""
    entry = cam_said(build, answers, system)
    if entry.understood.wrong:
        return build, entry
    keys = {f"{side}.{part}": f"{side}_{key}" for side in _SIDES for part, key in _WHERE.items()}
    keys |= {"lobe_separation": "lsa", "intake_centreline": "icl", "parts": "price", "name": "name"}
    keys |= {f"{side}_lash": f"{side}_lash" for side in _SIDES}
    try:
        if entry.target:
            stem, changes = f"candidates.{entry.target}", only_changed(build, entry.target, entry.changes)
            after = change(build, {f"{stem}.{path}": value for path, value in changes.items()}) if changes else build
            did = f"Changed {entry.name}." if changes else "Nothing was changed."
        else:
            after = add_candidate(build, name=entry.name, copy_of=entry.copy_of, changes=entry.changes)
            did = f"Added {entry.name}."
    except BuildError as trouble:
        wrong = _beside(str(trouble), build, entry, keys)
        return build, dataclasses.replace(entry, understood=dataclasses.replace(entry.understood, wrong=wrong))
    said = f"{did} {entry.understood.said}".strip()
    return after, dataclasses.replace(entry, understood=dataclasses.replace(entry.understood, said=said))


_WHERE = {"lobe_lift": "lift", "valve_lift": "lift", "durations": "mid", "durations.0": "low"}


def _beside(message: str, build: Build, entry: CamEntry, keys: Mapping[str, str]) -> dict[str, str]:
    """A refusal of the sheet beside the field it is about; about a name where it names no cam."""
    found = trouble_by_key(message, build.name, {})
    text = next(iter(found.values()))
    path, _, why = text.partition(": ")
    steps = path.split(".")
    why = f"{why[:1].upper()}{why[1:]}"
    if path == "candidates":
        return {"name": why}
    if len(steps) < 3 or steps[0] != "candidates":
        return {"form": text}
    rest = steps[2:]
    while rest:
        key = keys.get(".".join(rest))
        if key is not None:
            return {key: why}
        if len(rest) == 1 and rest[0] in _SIDES:
            return {f"{rest[0]}_mid": why}
        rest = rest[:-1]
    return {"form": f"{'.'.join(steps[2:])}: {why}"}
