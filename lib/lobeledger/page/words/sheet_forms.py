"""Forms for what a sheet already has: the build, the list of cams, springs, lifters, prices.

The build: what a builder knows, the rest folded    `build_form`, `KNOWN_OFFHAND`
The list of cams, and which is fitted               `cams_form`, `cams_applied`, `cam_act`
Springs, lifters of one cam                         `springs_form`, `lifters_form`
What a form of lines says                           `lines_said`, `lines_applied`
Prices of one cam, by what they serve               `prices_form`, `prices_applied`
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any

from lobeledger.errors import BuildError
from lobeledger.page.words.figures import ORIGIN_WORDS
from lobeledger.page.words.forms import (
    Field,
    FieldTrouble,
    Form,
    Group,
    Understood,
    applied,
    field_at,
    number_text,
    trouble_by_key,
    unlike,
    written,
)
from lobeledger.parts.build import Build, Datum
from lobeledger.parts.candidate import NOT_FOR_FITTED, Candidate, Price, Springs, Valvetrain
from lobeledger.parts.pairing import added_lines
from lobeledger.parts.spec import Spec, spec_of
from lobeledger.sheet.change import sheet_text
from lobeledger.sheet.edit import add_candidate, remove_candidate, rename_candidate, set_fitted, without_lines
from lobeledger.sheet.fields import FIELDS, ONLY, SHARED, SHEET_PARTS

__all__ = [
    "KNOWN_OFFHAND", "build_form", "cam_act", "cam_specs", "cams_applied", "cams_form", "changed_prices",
    "lifters_form", "lines_applied", "lines_said", "price_lines", "prices_applied", "prices_form", "specs",
    "springs_form",
]  # fmt: skip

# What a builder knows without looking it up (judgement, no source); the others are folded.
KNOWN_OFFHAND = (
    "engine.bore", "engine.stroke", "engine.compression", "engine.intake_valve", "vehicle.transmission",
    "vehicle.converter_stall", "vehicle.axle_ratio", "vehicle.brake_booster", "vehicle.idle_speed",
    "use.highest_speed", "limits.budget", "valvetrain.rocker_ratio",
)  # fmt: skip
_FOLDS = {
    "engine": "Engine",
    "block": "Block",
    "vehicle": "Car and driving",
    "use": "Use",
    "shop": "Shop",
    "limits": "Limits and worth",
    "valvetrain": "Valvetrain of all cams",
    "springs": "Springs of all cams",
}
_COST_TIMES = ("fitting_time_h", "dyno_time_h", "spring_set_price_money", "lifter_service_price_money")


def specs() -> dict[str, Spec]:
    """The Spec of every line above the candidates that is one value, by its path in a sheet."""
    found = {
        f"{table}.{key}": spec
        for table, part in {**SHEET_PARTS, **SHARED}.items()
        for key, _, spec in FIELDS[part]
        if spec.kind not in ("part", "parts")
    }
    return found


def _datum(build: Build, path: str) -> Datum | None:
    """What is known of a line; of a line shared by all cams what its own table says, or what all take alike."""
    table, _, key = path.partition(".")
    if table not in SHARED:
        return build.data.get(path)
    found = [build.data.get(f"candidates.{c.id}.{path}") for c in build.candidates]
    known = [each for each in found if each is not None]
    said = [each for each in known if each.written and each.line == path]
    if said:
        return said[0]
    free = [each for each in known if not each.written]
    return free[0] if free and len({each.text for each in free}) == 1 else None


def build_form(build: Build, system: str) -> Form:
    """The build: twelve inputs first, then every other line of its tables, folded, with what was assumed."""
    every = specs()

    def made(path: str) -> Field:
        shared = path.partition(".")[0] in SHARED
        label = every[path].doc if shared else ""
        stall = (("vehicle.transmission", ("automatic", "")),) if path == "vehicle.converter_stall" else ()
        return field_at(build, path, every[path], _datum(build, path), system, label=label, when=stall)

    groups = [Group("What you know", tuple(made(path) for path in KNOWN_OFFHAND))]
    for table, title in _FOLDS.items():
        paths = [path for path in every if path.startswith(f"{table}.") and path not in KNOWN_OFFHAND]
        fields = tuple(made(path) for path in paths)
        open_ = sum(1 for each in fields if not each.value)
        note = f"{open_} of {len(fields)} not on your sheet: the gray numbers are what we filled in." if open_ else ""
        groups.append(Group(title, fields, folded=True, note=note))
    return Form("Your build", tuple(groups))


def lines_said(build: Build, form: Form, answers: Mapping[str, str], known: Mapping[str, Spec]) -> Understood:
    """What the answers to a form of lines say: changed lines, emptied lines to take out. known: Spec by path."""
    changes: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    gone: list[str] = []
    for key, asked in form.fields.items():
        if not asked.path or key not in answers or not unlike(asked, answers[key]):
            continue
        text = answers[key].strip()
        if not text:
            gone.append(asked.path)
            continue
        unit = "deg" if asked.unit == "°" else asked.unit
        try:
            changes[asked.path] = written(known[asked.path], text, asked.label, unit=unit, currency=build.currency)
        except FieldTrouble as trouble:
            wrong[key] = str(trouble)
    count = len(changes) + len(gone)
    said = f"{count} {'line' if count == 1 else 'lines'} changed." if count else "Nothing was changed."
    return Understood(changes, tuple(gone), wrong, said)


def lines_applied(
    build: Build, form: Form, answers: Mapping[str, str], known: Mapping[str, Spec]
) -> tuple[Build, Understood]:
    """The build after the answers to a form of lines, or the build as it was and what was wrong by field."""
    said = lines_said(build, form, answers, known)
    return applied(build, said, {each.path: key for key, each in form.fields.items() if each.path})


# -- one cam's springs and lifters -------------------------------------------------------------------------------


def _cam_field(build: Build, candidate: Candidate) -> Field:
    options = tuple((c.id, c.name) for c in build.candidates)
    return Field("cam", "Cam", kind="choice", options=options, value=candidate.id, asks=True)


def springs_form(build: Build, candidate_id: str, system: str) -> Form:
    """The springs of one cam."""
    c = build.candidate(candidate_id)
    fields = [_cam_field(build, c)]
    for key, _, spec in FIELDS[Springs]:
        path = f"candidates.{c.id}.springs.{key}"
        fields.append(field_at(build, path, spec, build.data.get(path), system, label=spec.doc))
    return Form("Springs", (Group("Springs", tuple(fields)),))


def lifters_form(build: Build, candidate_id: str, system: str) -> Form:
    """The lifters of one cam: sizes, mass, lash where they are solid."""
    c = build.candidate(candidate_id)
    keys = ["lifter_state", "lifter_mass", "lifter_seat_change", *ONLY[c.follower]]
    if c.lifter == "solid":
        keys += ["intake_lash", "exhaust_lash"]
    fields = [_cam_field(build, c)]
    for key, _, spec in FIELDS[Candidate]:
        if key in keys:
            path = f"candidates.{c.id}.{key}"
            fields.append(field_at(build, path, spec, build.data.get(path), system, label=spec.doc))
    return Form("Lifters", (Group("Lifters", tuple(fields)),))


def cam_specs(build: Build, candidate_id: str) -> dict[str, Spec]:
    """The Spec of every line of one cam's block that is one value, by path."""
    stem = f"candidates.{candidate_id}"
    found = {f"{stem}.{key}": spec for key, _, spec in FIELDS[Candidate]}
    for table, part in (("springs", Springs), ("valvetrain", Valvetrain)):
        found |= {f"{stem}.{table}.{key}": spec for key, _, spec in FIELDS[part]}
    return {path: spec for path, spec in found.items() if spec.kind not in ("part", "parts")}


# -- one cam's prices --------------------------------------------------------------------------------------------

_PRICE = spec_of(Price, "price_money")


def price_lines(build: Build, candidate_id: str) -> list[dict[str, Any]]:
    """The price lines of a cam as its sheet has them, also of one that is fitted."""
    tables = tomllib.loads(sheet_text(build))["candidates"]
    found = next(each for each in tables if each["id"] == candidate_id)
    return list(found.get("parts", []))


def _price_key(line: dict[str, Any], lines: list[dict[str, Any]]) -> str:
    """The key of a line's field: what it serves, or else what it is; by place only where two are alike."""
    name = f"serves {line['serves']}" if line.get("serves") else f"item {line.get('item', '')}"
    alike = [
        each for each in lines if each.get("serves") == line.get("serves") and each.get("item") == line.get("item")
    ]
    same = [
        each for each in lines if (each.get("serves") or each.get("item")) == (line.get("serves") or line.get("item"))
    ]
    return name if len(same) == 1 else f"{name}, {line.get('item', '')} {alike.index(line) + 1}"


def changed_prices(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> dict[str, Any]:
    """Changes by path below a candidate that turn its price lines into others: prices alone where nothing else differs.

    >>> changed_prices([{"item": "cam", "price": "300 USD"}], [{"item": "cam", "price": "320 USD"}])
    {'parts.0.price': '320 USD'}
    """
    pairs = list(zip(before, after, strict=False))
    if len(before) == len(after) and all({**one, "price": ""} == {**other, "price": ""} for one, other in pairs):
        return {f"parts.{i}.price": new["price"] for i, (old, new) in enumerate(pairs) if old["price"] != new["price"]}
    return {"parts": after}


def prices_form(build: Build, candidate_id: str, system: str) -> Form:
    """What must be bought for one cam and for how much, what nobody priced, and its hours."""
    c = build.candidate(candidate_id)
    lines = price_lines(build, c.id)
    fields = [_cam_field(build, c)]
    for line in lines:
        raw = line.get("price", "")
        text = str(raw.get("value", "") if isinstance(raw, Mapping) else raw).removesuffix(build.currency).strip()
        many = line.get("quantity", 1)
        hint = f"each, {many} of them" if many != 1 else ""
        label = str(line.get("item", ""))
        fields.append(
            Field(
                _price_key(line, lines), f"{label[:1].upper()}{label[1:]}", unit=build.currency, value=text, hint=hint
            )
        )
    needed = []
    for rule in added_lines(build, c):
        if rule.needs:
            known = rule.price_money is not None
            ghost = number_text(rule.price_money) if rule.price_money is not None else ""
            hint = f"empty: {ORIGIN_WORDS['assumed']}" if known else "no price yet"
            label = f"{rule.what[:1].upper()}{rule.what[1:]}"
            needed.append(Field(f"need {rule.needs[0]}", label, unit=build.currency, ghost=ghost, hint=hint))
    more = (
        Field("new_item", "Something else: what", kind="text"),
        Field("new_price", "Its price", unit=build.currency),
    )
    times = []
    for key, name, spec in FIELDS[Candidate]:
        if name in _COST_TIMES and not (c.is_fitted and name in NOT_FOR_FITTED):
            path = f"candidates.{c.id}.{key}"
            times.append(field_at(build, path, spec, build.data.get(path), system))
    note = "Marked as fitted: these prices stay in the sheet and count for nothing." if c.is_fitted else ""
    groups = [Group("Prices", tuple(fields), note=note)]
    if needed:
        groups.append(Group("Needed as well", tuple(needed), note="No price on your sheet for these yet."))
    groups += [Group("More", more), Group("Hours and services", tuple(times))]
    return Form("Prices", tuple(groups))


def prices_applied(
    build: Build, candidate_id: str, answers: Mapping[str, str], system: str
) -> tuple[Build, Understood]:
    """The build with the prices that were answered; an emptied line is taken out."""
    form = prices_form(build, candidate_id, system)
    rest = lines_said(build, form, answers, cam_specs(build, candidate_id))
    wrong, lines, fields = dict(rest.wrong), price_lines(build, candidate_id), form.fields
    kept: list[dict[str, Any]] = []

    def price(key: str, text: str) -> str:
        try:
            return str(written(_PRICE, text, fields[key].label, unit=build.currency, currency=build.currency))
        except FieldTrouble as trouble:
            wrong[key] = str(trouble)
            return ""

    for line in lines:
        key = _price_key(line, lines)
        text = answers.get(key, fields[key].value).strip()
        if text == fields[key].value:
            kept.append(line)
        elif text:
            kept.append({**line, "price": price(key, text)})
    for rule in added_lines(build, build.candidate(candidate_id)):
        key = f"need {rule.needs[0]}" if rule.needs else ""
        if key and answers.get(key, "").strip():
            kept.append({"item": rule.what, "price": price(key, answers[key]), "serves": rule.needs[0]})
    item, cost = answers.get("new_item", "").strip(), answers.get("new_price", "").strip()
    if item and cost:
        kept.append({"item": item, "price": price("new_price", cost)})
    elif item or cost:
        wrong["new_price" if item else "new_item"] = "Say both, what it is and its price."
    if not kept and "form" not in wrong:
        wrong["form"] = "Keep at least one price line."
    changes = dict(rest.changes)
    changes |= {f"candidates.{candidate_id}.{path}": value for path, value in changed_prices(lines, kept).items()}
    keys = {each.path: key for key, each in fields.items() if each.path}
    is_any = bool(changes or rest.gone)
    said = Understood(changes, rest.gone, wrong, "Prices changed." if is_any else "Nothing was changed.")
    return applied(build, said, keys)


# -- the list of cams --------------------------------------------------------------------------------------------


def cams_form(build: Build, system: str) -> Form:
    """The cams of a build: their names, what can be done with each, and which is in the engine now."""
    names = tuple(
        Field(
            f"name {c.id}",
            f"Cam {i}",
            kind="text",
            value=c.name,
            hint="fitted now" if c.is_fitted else "",
            acts=(("copy", "Copy"), ("remove", "Remove")) if len(build.candidates) > 1 else (("copy", "Copy"),),
        )
        for i, c in enumerate(build.candidates, 1)
    )
    fitted = build.fitted
    which = Field(
        "fitted",
        "In the engine now",
        kind="choice",
        value=fitted.id if fitted else "",
        options=(("", "none of these"), *((c.id, c.name) for c in build.candidates)),
        hint="nothing is bought for it; gains are told against it",
    )
    known = []
    for key in ("hours_run", "lobe_wear"):
        spec = next(s for k, _, s in FIELDS[Candidate] if k == key)
        path = f"candidates.{fitted.id}.{key}" if fitted else ""
        datum = build.data.get(path)
        asked = field_at(
            build, path or key, spec, datum, system, label=spec.doc, key=key,
            when=(("fitted", tuple(c.id for c in build.candidates)),),
        )  # fmt: skip
        known.append(asked)
    return Form("Cams", (Group("Cams", names), Group("The cam you run now", (which, *known))))


def cams_applied(build: Build, answers: Mapping[str, str], system: str) -> tuple[Build, Understood]:
    """The build with its cams renamed and the fitted one marked, with what is known of it."""
    form, after, said = cams_form(build, system), build, []
    wrong: dict[str, str] = {}
    for c in build.candidates:
        key = f"name {c.id}"
        if key in answers and unlike(form.fields[key], answers[key]):
            try:
                after = rename_candidate(after, c.id, answers[key])
                said.append(f"{c.name} is now {after.candidate(c.id).name}.")
            except BuildError as trouble:
                wrong[key] = _sentence(trouble, build.name)
    chosen = answers.get("fitted", form.fields["fitted"].value)
    before = build.fitted.id if build.fitted else ""
    changes: dict[str, Any] = {}
    gone: list[str] = []
    if not wrong:
        try:
            after = _fitted_moved(after, chosen, before)
        except BuildError as trouble:
            wrong["fitted"] = _sentence(trouble, build.name)
        if chosen != before:
            name = next((c.name for c in after.candidates if c.id == chosen), "")
            said.append(f"{name} is the cam you run now." if name else "No cam is marked as fitted.")
    for key in ("hours_run", "lobe_wear") if chosen and not wrong else ():
        asked, text = form.fields[key], answers.get(key, "").strip()
        if chosen == before and (key not in answers or not unlike(asked, text)):
            continue
        path = f"candidates.{chosen}.{key}"
        if not text:
            gone.append(path)
            continue
        spec = next(s for k, _, s in FIELDS[Candidate] if k == key)
        try:
            changes[path] = written(spec, text, asked.label, unit=asked.unit, currency=build.currency)
        except FieldTrouble as trouble:
            wrong[key] = str(trouble)
    if changes and not said:
        said.append("What is known of the fitted cam was changed.")
    understood = Understood(changes, tuple(gone), wrong, " ".join(said) or "Nothing was changed.")
    if wrong:
        return build, understood
    keys = {f"candidates.{chosen}.{key}": key for key in ("hours_run", "lobe_wear")}
    final, understood = applied(after, understood, keys)
    return (build if understood.wrong else final), understood


def _fitted_moved(build: Build, chosen: str, before: str) -> Build:
    """The fitted mark moved; hours and wear were of the cam that had it."""
    if chosen == before:
        return build
    if before:
        build = without_lines(build, [f"candidates.{before}.{key}" for key in ("hours_run", "lobe_wear")])
    return set_fitted(build, chosen or None)


def cam_act(build: Build, act: str, candidate_id: str) -> tuple[Build, str]:
    """The build with a cam copied or removed, and what was done. act: "copy" or "remove". Raises LedgerError."""
    c = build.candidate(candidate_id)
    if act == "remove":
        return remove_candidate(build, c.id), f"Removed {c.name}."
    names, name, count = {each.name.casefold() for each in build.candidates}, f"{c.name}, copy", 2
    while name.casefold() in names:
        name, count = f"{c.name}, copy {count}", count + 1
    return add_candidate(build, name=name[:80], copy_of=c.id), f"Copied {c.name}."


def _sentence(trouble: BuildError, where: str) -> str:
    return next(iter(trouble_by_key(str(trouble), where, {}).values())).removeprefix("candidates: ")
