"""In which units a sheet is read: as it says, else as it was written."""

from __future__ import annotations

import re

import pytest

import lobeledger as ll
from lobeledger.sheet.open import starter_sheet


def in_millimetres(text: str) -> str:
    return re.sub(r'"([\d.]+) in"', lambda found: f'"{float(found[1]) * 25.4:.4f} mm"', text)


def saying(text: str, system: str) -> str:
    return text.replace("schema = 1", f'schema = 1\nsystem = "{system}"')


@pytest.mark.parametrize(
    ("text", "system"),
    [
        (starter_sheet(), "us"),
        (in_millimetres(starter_sheet()), "metric"),
        (saying(starter_sheet(), "metric"), "metric"),
        (saying(in_millimetres(starter_sheet()), "us"), "us"),
        # One line in other units turns nothing.
        (starter_sheet().replace('stroke = "3.480 in"', 'stroke = "88.4 mm"'), "us"),
    ],
)
def test_the_units_are_those_of_the_sheet(text: str, system: str) -> None:
    assert ll.build_from_text(text).system == system


def test_a_comparison_is_told_in_them_unless_asked_otherwise() -> None:
    build = ll.build_from_text(saying(starter_sheet(), "metric"))
    assert ll.compare(build, trials=0).system == "metric"
    assert ll.compare(build, trials=0, system="us").system == "us"


def test_another_system_is_refused_in_a_sentence() -> None:
    with pytest.raises(ll.BuildError, match="system: is 'SI'; it must be one of us, metric"):
        ll.build_from_text(saying(starter_sheet(), "SI"))
