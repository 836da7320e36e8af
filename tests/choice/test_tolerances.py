"""What a sheet says of a value's range arrives: it moves a figure's band or the draws, or the reader refuses it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import lobeledger as ll
from lobeledger.choice.decision import decide
from lobeledger.parts.build import Build
from lobeledger.parts.spec import field_at
from lobeledger.sheet.open import starter_sheet

# One sheet that has everything a range may stand on: both followers, both lifters, inner springs, a flow table, upkeep.
SHEET = (
    starter_sheet().partition("[[candidates]]")[0]
    + """
[[candidates]]
id = "s-flat"
name = "Solid flat"
follower = "flat"
lifter = "solid"
lobe_separation = "108 deg"
intake_centreline = "104 deg"
exhaust = "same as intake"
dyno_time = "2 h"
lifter_service_every = "900 h"
[candidates.intake]
lobe_lift = "0.300 in"
durations = [{ at = "0.020 in", duration = "248 deg" }, { at = "0.050 in", opening = "109 deg", closing = "111 deg" },
             { at = "0.200 in", duration = "124 deg" }]
[candidates.springs]
inner_seat_load = "40 lbf"
inner_rate = "90 lbf/in"
[[candidates.parts]]
item = "camshaft and lifters"
price = "320 USD"
core_charge = "40 USD"
serves = "lifters"

[[candidates]]
id = "h-roller"
name = "Hydraulic roller"
follower = "roller"
lifter = "hydraulic"
lobe_separation = "110 deg"
intake_centreline = "106 deg"
exhaust = "same as intake"
[candidates.intake]
lobe_lift = "0.315 in"
durations = [{ at = "0.006 in", duration = "272 deg" }, { at = "0.050 in", duration = "220 deg" },
             { at = "0.200 in", duration = "138 deg" }]
[[candidates.parts]]
item = "camshaft"
price = "420 USD"
[[candidates.parts]]
item = "lifters"
price = "560 USD"
serves = "link-bars"
"""
)
FLOW = """
flow = [{ lift = "0.100 in", intake = "62 ft**3/min", exhaust = "50 ft**3/min" },
        { lift = "0.300 in", intake = "170 ft**3/min", exhaust = "130 ft**3/min" },
        { lift = "0.500 in", intake = "205 ft**3/min", exhaust = "150 ft**3/min" }]
[vehicle]
transmission = "automatic"
"""
EVERY = SHEET.replace("\n[vehicle]\n", FLOW, 1).replace(
    "[limits]\n", '[limits]\nshortfall = "900 USD"\n', 1
).replace('highest_speed = "4800 rpm"', 'highest_speed = "6000 rpm"')  # fmt: skip


def near_its_limits(build: Build) -> Build:
    """The build with the clearances asked for that it has: a range on a limit that is far away moves nothing."""
    has = decide(build, trials=0, details=False).results[0].figures
    least = {f"limits.{key}_clearance": f"{has[key].value!r} m" for key in ("coil_bind", "retainer")}
    return ll.change(build, least)


BUILD = near_its_limits(ll.build_from_text(EVERY))
# Of the library, not of a sheet; and remedies, which are paid only where a limit is short (test_degrees).
OURS = ("factors.", "precautions.", "pairing.", "remedies.")
# What this candidate has none of, though a sheet may write it down: a hydraulic roller is not run in, asks no lobe's
# width, and has neither lash nor wheels that are serviced (their intervals are nought).
_NOT_HAD = ("run_in_speed", "valvetrain.lobe_width", "lash_check_labour", "lifter_service_price", "lifter_labour")
HAS_NOT = {f"candidates.h-roller.{key}" for key in _NOT_HAD}
# A nought says that there is none of it: of lash in a hydraulic, of an inner spring, of a core charge.
PATHS = [
    path
    for path, datum in BUILD.data.items()
    if isinstance(datum.value, (int, float))
    and datum.value
    and not isinstance(datum.value, bool)
    and not path.startswith(OURS)
    and path not in HAS_NOT
]


def spec_at(path: str) -> Any:
    return field_at(BUILD, path.replace(".durations.", ".points."))


def heard(build: Build, trials: int, details: bool) -> list[Any]:
    found = decide(build, trials=trials, details=details)
    results = [
        (
            {key: tuple(figure) for key, figure in r.figures.items()},
            [tuple(each) for each in r.line_ranges],
            r.cost_draws.tolist(),
            r.joint_draws.tolist(),
            [] if r.assessment.torque is None else r.assessment.torque.low.tolist(),
        )
        for r in found.results
    ]
    return [results, [(each.what, each.worth_money) for each in found.measure_next]]


def with_range(path: str, share: float) -> Build | None:
    """The build with a range of so much of the value about it; None where the sheet may hold none that wide."""
    datum = BUILD.data[path]
    half = share * abs(float(datum.value))
    unit = f" {datum.unit}" if datum.unit else ""
    ends = {"value": datum.value, "low": float(datum.value) - half, "high": float(datum.value) + half}
    try:
        return ll.change(BUILD, {path: {key: f"{v!r}{unit}" if unit else v for key, v in ends.items()}})
    except ll.BuildError as trouble:
        assert "takes no pm, low or high" in str(trouble) or "outside" in str(trouble), trouble
        return None


def test_the_walk_has_somewhere_to_go() -> None:
    assert len(PATHS) > 200
    refused = [p for p in PATHS if (spec := spec_at(p)) is not None and spec.exact]
    assert 40 < len(refused) < 120


def deaf(paths: list[str]) -> list[str]:
    found = []
    for path in paths:
        spec = spec_at(path)
        if spec is not None and spec.exact:
            continue
        narrow, wide = with_range(path, 0.002), with_range(path, 0.03)
        if narrow is None or wide is None:
            continue
        # What the quick answer hears need not be asked of the slow one.
        if all(str(heard(narrow, *how)) == str(heard(wide, *how)) for how in ((0, False), (12, True))):
            found.append(path)
    return found


def test_a_few_ranges_arrive() -> None:
    """A few kinds; the slow test takes all."""
    some = [
        "engine.stroke", "vehicle.axle_ratio", "limits.budget", "candidates.s-flat.intake.durations.0.duration",
        "candidates.s-flat.parts.0.core_charge",
    ]  # fmt: skip
    assert set(some) <= set(PATHS)
    assert deaf(some) == []


@pytest.mark.slow
@pytest.mark.parametrize("part", range(8))
def test_every_range_arrives_or_is_refused(part: int) -> None:
    assert deaf(PATHS[part::8]) == []


def test_a_range_of_a_shared_line_is_one_draw() -> None:
    wide = ll.build_from_text(EVERY.replace("rocker_ratio = 1.5", "rocker_ratio = { value = 1.5, pm = 0.03 }", 1))
    lines = {wide.data[f"candidates.{c}.valvetrain.rocker_ratio"].line for c in ("s-flat", "h-roller")}
    assert lines == {"valvetrain.rocker_ratio"}
    assert np.isfinite(wide.engine.bore_m)
