"""From a candidate of the sheet to its train: that no input is missing from the list, and that moving one is heard."""

from __future__ import annotations

import dataclasses
import functools
from pathlib import Path

import pytest

from lobeledger import read_build
from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Build
from lobeledger.parts.spec import key_of
from lobeledger.train.of_candidate import inputs_of, moved, train_of

PARTS = {"springs": "springs", "valvetrain": "valvetrain", "": None}


@functools.cache
def build() -> Build:
    return read_build(Path(__file__).parents[2] / "data" / "builds" / "weekend-racer.toml")


def numbers_of(part: object, table: str) -> dict[str, float]:
    """Every plain number of a part by its path."""
    return {
        f"{table}.{key_of(f.name)}".lstrip("."): getattr(part, f.name)
        for f in dataclasses.fields(part)
        if isinstance(getattr(part, f.name), float)
    }


@pytest.mark.parametrize("which", ["intake", "exhaust"])
@pytest.mark.parametrize("candidate", ["s-roller", "h-flat"])
def test_inputs_are_all_that_the_train_hears_and_nothing_else(candidate, which):
    """Every plain number of candidate, springs, valvetrain and model is moved by 1 %: the train changes for those
    listed, and for no other."""
    b = build()
    c = b.candidate(candidate).cam_and_train
    every = {
        **numbers_of(c, ""),
        **numbers_of(c.springs, "springs"),
        **numbers_of(c.valvetrain, "valvetrain"),
        **numbers_of(b.model, "model"),
    }
    plain = train_of(c, which, b.model, b.engine.exhaust_valve_m)
    heard = set()
    for path, value in every.items():
        try:
            parts, model = moved(c, b.model, {path: value * 1.01 if value else 1e-4})
        except OutOfRange:
            parts, model = moved(c, b.model, {path: value * 0.99})
        if train_of(parts, which, model, b.engine.exhaust_valve_m) != plain:
            heard.add(path)
    listed = set(inputs_of(c, which))
    # an inner spring that is not there moves nothing until it has a rate
    if not c.springs.has_inner:
        listed.discard("springs.inner_seat_load")
    assert heard == listed


def test_several_moved_at_once_and_nothing_else():
    b = build()
    c = b.candidate("s-flat").cam_and_train
    parts, model = moved(c, b.model, {"springs.rate": 7e4, "lifter_mass": 0.1, "model.valvetrain_damping": 0.06})
    assert (parts.springs.rate_n_per_m, parts.lifter_mass_kg, model.valvetrain_damping) == (7e4, 0.1, 0.06)
    back = dataclasses.replace(parts, springs=c.springs, lifter_mass_kg=c.lifter_mass_kg)
    assert back == c and dataclasses.replace(model, valvetrain_damping=b.model.valvetrain_damping) == b.model
    assert moved(c, b.model, {}) == (c, b.model)


def test_a_path_that_is_none_is_refused():
    b = build()
    c = b.candidate("s-flat").cam_and_train
    for path, words in (
        ("springs.colour", "no 'colour'"),
        ("engine.bore", "not made of 'engine'"),
        ("noise", "no 'noise'"),
    ):
        with pytest.raises(OutOfRange, match=words):
            moved(c, b.model, {path: 1.0})


def test_gas_lies_on_the_exhaust_valve_alone():
    """400 kPa on a head of 1.60 in: 519 N, by hand."""
    b = build()
    c = b.candidate("s-flat")
    assert train_of(c, "intake", b.model, b.engine.exhaust_valve_m).gas_n == 0.0
    assert train_of(c, "exhaust", b.model, b.engine.exhaust_valve_m).gas_n == pytest.approx(518.9, abs=0.1)
