"""A cam of the list as the form of a cam shows it, and what of an answer is new.

What stands in the form          `card_shown`
What does an answer change?      `only_changed`
"""

from __future__ import annotations

import dataclasses
import math
import tomllib
from collections.abc import Mapping
from typing import Any

from lobeledger import units
from lobeledger.page.words.forms import number_text
from lobeledger.parts.build import Build
from lobeledger.parts.card import Card, CardPoint
from lobeledger.sheet.change import change, sheet_text
from lobeledger.sheet.fields import SAME_AS_INTAKE

__all__ = ["card_shown", "only_changed"]

_MID_M = 0.00127
_SIDES = ("intake", "exhaust")


def card_shown(build: Build, candidate_id: str, system: str) -> dict[str, str]:
    """What stands in the form of a cam that is on the list, by key; nothing where its card holds more than the form.

    Lifts are those of the lobe, whatever the card quotes. More: four durations, durations that are divided about the
    nose, ramps of its own, or lobes quoted at unlike lifts.
    """
    c = build.candidate(candidate_id)
    places = [_places(card) for card in (c.intake, c.exhaust)]
    if None in places:
        return {}
    shown: dict[str, str] = {}
    for side, card, found in zip(_SIDES, (c.intake, c.exhaust), places, strict=True):
        shown[f"{side}_lift"] = _number(card.lobe_lift_m, "lift", system)
        for which, point in (found or {}).items():
            at = _number(point.at_m, "lift", system)
            if shown.setdefault(f"at_{which}", at) != at:
                return {}
            shown[f"{side}_{which}"] = _number(point.duration_rad, "angle", system)
    shown["lsa"] = _number(c.lobe_separation_rad, "angle", system)
    shown["icl"] = _number(c.intake_centreline_rad, "angle", system)
    if c.lifter == "solid":
        shown |= {f"{s}_lash": _number(getattr(c, f"{s}_lash_m"), "lift", system) for s in _SIDES}
    shown["same"] = "yes" if _raw(build, c.id).get("exhaust") == SAME_AS_INTAKE else ""
    return shown


def _places(card: Card) -> dict[str, CardPoint] | None:
    """Which of a card's points is the lower, the usual and the higher one; None where the form cannot hold them."""
    is_more = card.ramp_lift_m is not None or card.opening_ramp is not None or card.closing_ramp is not None
    if is_more or len(card.points) > 3 or any(p.opening_rad is not None for p in card.points):
        return None
    mid = min(range(len(card.points)), key=lambda i: abs(card.points[i].at_m - _MID_M))
    if mid > 1 or len(card.points) - mid > 2:
        return None
    names = ("low", "mid", "high")[1 - mid :]
    return dict(zip(names, card.points, strict=False))


def _number(value: float, kind: str, system: str) -> str:
    return number_text(float(f"{units.from_si(value, kind, system):.6g}"))


def _raw(build: Build, candidate_id: str) -> Mapping[str, Any]:
    tables = tomllib.loads(sheet_text(build))["candidates"]
    found: Mapping[str, Any] = next(each for each in tables if each["id"] == candidate_id)
    return found


def only_changed(build: Build, candidate_id: str, changes: Mapping[str, Any]) -> dict[str, Any]:
    """Those of the changes below a candidate that move one of its values: what is known of the others stays.

    A card is changed line by line where its table has no other lines. Raises BuildError.
    """
    raw, before = _raw(build, candidate_id), build.candidate(candidate_id)
    single: dict[str, Any] = {}
    for path, value in changes.items():
        old = raw.get(path)
        if path in _SIDES and isinstance(value, Mapping) and isinstance(old, Mapping):
            lines = {"lobe_lift", "valve_lift", "durations", "quoted_at"}
            is_like = set(old) <= lines and ("quoted_at" in old) == ("quoted_at" in value)
            single |= {f"{path}.{key}": each for key, each in value.items()} if is_like else {path: value}
        else:
            single[path] = value
    if raw.get("exhaust") == SAME_AS_INTAKE and any(
        path.startswith("exhaust.") or path == "exhaust" for path in single
    ):
        # What followed the intake does so no more, whether or not it differs now.
        kept = {path: value for path, value in single.items() if path.startswith("exhaust") and value != SAME_AS_INTAKE}
    else:
        kept = {}
    stem = f"candidates.{candidate_id}"
    for path, value in single.items():
        if path not in kept and not _alike(change(build, {f"{stem}.{path}": value}).candidate(candidate_id), before):
            kept[path] = value
    return kept


def _alike(one: Any, other: Any) -> bool:
    """Whether two parts are the same to the digits a form shows."""
    if isinstance(one, float) and isinstance(other, (int, float)):
        return math.isclose(one, other, rel_tol=1e-5, abs_tol=1e-12)
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(_alike(*pair) for pair in zip(one, other, strict=True))
    if dataclasses.is_dataclass(one) and type(one) is type(other):
        return all(_alike(getattr(one, f.name), getattr(other, f.name)) for f in dataclasses.fields(one))
    return bool(one == other)
