"""What the mechanics of a candidate are handed, and so all that they can depend on.

What do the mechanics see?                `MechanicalInputs`, `mechanical_inputs`
Which of its values have a range?         `ranges_of`, `band_of`

Results are kept by these inputs as a whole: a value that is not among them cannot move a result, and one that is makes
a new one. Nobody keeps a list of what matters.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from lobeledger.engine import breathing
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import CamAndTrain, Candidate, Springs, Valvetrain
from lobeledger.parts.car import DischargePoint, Engine
from lobeledger.parts.spec import key_of
from lobeledger.parts.use import Model

__all__ = ["MechanicalInputs", "Range", "band_of", "mechanical_inputs", "ranges_of"]


class Range(NamedTuple):
    """The range of one value: its key in the sheet, its ends in SI, and the line that it is drawn by (`Datum.line`)."""

    key: str
    low: float
    high: float
    line: str


@dataclass(frozen=True)
class MechanicalInputs:
    """Everything the mechanics of one candidate see, with the ranges of what has one.

    A range goes by its key in the sheet ("rocker_ratio", "compression"): no two of the parts below share one. Those of
    a card go by their path below the candidate ("intake.lobe_lift", "exhaust.durations.0.duration").
    """

    candidate: CamAndTrain
    engine: Engine
    idle_speed_rpm: float
    transmission: str
    converter_stall_rpm: float | None
    pressure_angle_rad: float
    model: Model
    discharge: tuple[DischargePoint, ...]
    ranges: tuple[Range, ...]


def mechanical_inputs(build: Build, candidate: Candidate) -> MechanicalInputs:
    """The slice of a build that the mechanics of one of its candidates are made from."""
    return MechanicalInputs(
        candidate.cam_and_train,
        build.engine,
        build.vehicle.idle_speed_rpm,
        build.vehicle.transmission,
        build.vehicle.converter_stall_rpm,
        build.limits.pressure_angle_rad,
        build.model,
        build.discharge,
        tuple(_ranges(build, candidate)),
    )


def _ranges(build: Build, candidate: Candidate) -> Iterator[Range]:
    found = [(path.format(id=candidate.id), key) for path, key in _ranged_paths()]
    for side, card in (("intake", candidate.intake), ("exhaust", candidate.exhaust)):
        keys = [f"durations.{i}.{key}" for i in range(len(card.points)) for key in ("duration", "opening", "closing")]
        found += [(f"candidates.{candidate.id}.{side}.{key}", f"{side}.{key}") for key in ("lobe_lift", *keys)]
    for i in range(len(build.engine.flow)):
        found += [(f"engine.flow.{i}.{side}", f"flow.{i}.{side}") for side in ("intake", "exhaust")]
    for path, key in found:
        datum = build.data.get(path)
        if datum is not None and datum.low is not None and datum.high is not None and datum.low < datum.high:
            yield Range(key, datum.low, datum.high, datum.line)


@functools.cache
def _ranged_paths() -> tuple[tuple[str, str], ...]:
    """(path in a sheet, key) of every plain number that `MechanicalInputs` holds."""

    def numbers(part: type[Any]) -> list[str]:
        fields = dataclasses.fields(part)
        return [key_of(f.name) for f in fields if f.metadata["spec"].kind in ("quantity", "number")]

    rooms = (
        ("candidates.{id}", CamAndTrain),
        ("candidates.{id}.valvetrain", Valvetrain),
        ("candidates.{id}.springs", Springs),
        ("engine", Engine),
        ("model", Model),
    )
    found = [(f"{room}.{key}", key) for room, part in rooms for key in numbers(part)]
    found += [(f"vehicle.{key}", key) for key in ("idle_speed", "converter_stall")]
    assert len({key for _, key in found}) == len(found), "two parts share a key; name ranges by their path"
    return tuple(found)


def ranges_of(key: MechanicalInputs, *names: str, **renamed: str) -> dict[str, tuple[float, float]]:
    """The ranges known of these inputs; renamed: what a measure calls an input -> its name among the ranges."""
    wanted = {**dict(zip(names, names, strict=True)), **renamed}
    known = {each.key: (each.low, each.high) for each in key.ranges}
    return {name: known[own] for name, own in wanted.items() if own in known}


def band_of(key: MechanicalInputs, name: str, value: float) -> breathing.Band:
    """A value with the range known of it, or with none."""
    low, high = ranges_of(key, name).get(name, (value, value))
    return breathing.Band(low, value, high)
