"""One place for a number: conversions in `units`, assumptions in defaults.csv, and nothing assumed twice in code."""

from __future__ import annotations

import dataclasses
import inspect
import io
import tokenize
from pathlib import Path

import pytest

import library_defaults
from lobeledger.engine.burn import evo_state
from lobeledger.engine.filling import fill_and_empty
from lobeledger.engine.runner import exhaust_pressure_pa, runner_ring_down
from lobeledger.lobe.card import lobe_from_card, smoothest_lobe
from lobeledger.parts.spec import key_of
from lobeledger.parts.use import Model
from lobeledger.sheet.tables import read_defaults
from lobeledger.train.elastic import ValveSpring, train_from
from lobeledger.train.springs import spring_from_coil, spring_from_loads

ROOMS = Path(__file__).parents[1] / "lib" / "lobeledger"
# An inch, a pound-force, an inch of mercury, a psi, a mile: what a conversion written out would begin with.
CONVERSIONS = ("0.0254", "25.4", "4.448", "3386.", "6894.", "1609.", "180.0 / math.pi", "math.pi / 180")


def code_of(file: Path) -> str:
    """A module's text without its words and comments."""
    kept = []
    for token in tokenize.generate_tokens(io.StringIO(file.read_text(encoding="utf-8")).readline):
        if token.type not in (tokenize.STRING, tokenize.COMMENT):
            kept.append(token.string)
    return " ".join(kept)


FILES = sorted(p for p in ROOMS.rglob("*.py") if p.name != "units.py")


def test_units_alone_converts() -> None:
    assert len(FILES) > 80
    found = [
        (file.relative_to(ROOMS).as_posix(), word)
        for file in FILES
        for word in CONVERSIONS
        if f" {word}" in code_of(file).replace("math . pi", "math.pi")
    ]
    assert not found


@pytest.mark.parametrize(
    ("function", "assumed"),
    [
        (train_from, library_defaults.TRAIN),
        (ValveSpring, library_defaults.SPRING),
        (spring_from_coil, library_defaults.SPRING),
        (spring_from_loads, library_defaults.SPRING_SHARE),
        (lobe_from_card, library_defaults.CARD),
        (smoothest_lobe, library_defaults.CARD),
        (runner_ring_down, library_defaults.RUNNER),
        (fill_and_empty, library_defaults.GAS),
        (evo_state, ("burn", "gamma_burned")),
        (exhaust_pressure_pa, library_defaults.EXHAUST),
    ],
    ids=lambda each: getattr(each, "__name__", ""),
)
def test_what_the_table_assumes_is_asked_for(function, assumed) -> None:
    parameters = inspect.signature(function).parameters
    for name in assumed:
        assert parameters[name].default is inspect.Parameter.empty, name


def test_every_constant_of_the_model_stands_in_the_table() -> None:
    rows = read_defaults()
    for each in dataclasses.fields(Model):
        assert each.default is dataclasses.MISSING, each.name
        assert len(rows[f"model.{key_of(each.name)}"]) == 1, each.name
