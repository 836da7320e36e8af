"""Figures with bands and how they are written; the palette in grey and to colour-blind eyes."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lobeledger import units
from lobeledger.assess.figures import COLUMNS, NOT_FOR_THIS, Figure, column, spread
from lobeledger.page.palette import GROUP_SHADES, style_of
from lobeledger.page.words.figures import band_text, value_text

# -- bands -------------------------------------------------------------------------------------------------


def test_moves_of_single_inputs_join_as_root_of_squares():
    # A sum of inputs with half-widths 3 and 4 has the half-width 5 (root-sum-square: GUM, JCGM 100, 5.1.2, from
    # memory).
    found = spread(lambda a, b: a + b, {"a": 10.0, "b": 20.0}, {"a": (7.0, 13.0), "b": (16.0, 24.0)})
    assert found == Figure(30.0, 25.0, 35.0)
    uneven = spread(lambda a, b: a + b, {"a": 10.0, "b": 20.0}, {"a": (7.0, 11.0), "b": (16.0, 20.0)})
    assert uneven == Figure(30.0, 25.0, 31.0)


def test_a_family_is_added_as_it_is():
    found = spread(lambda a: a * np.array([1.0, 0.9, 1.2]), {"a": 10.0}, {"a": (9.0, 12.0)})
    assert found == pytest.approx(Figure(10.0, 9.0 - 1.0, 12.0 + 2.0))


def test_a_measure_that_falls_as_its_input_rises_has_its_band_the_right_way_round():
    found = spread(lambda a: 1.0 / a, {"a": 2.0}, {"a": (1.0, 4.0)})
    assert found == Figure(0.5, 0.25, 1.0)


@given(st.floats(-1e3, 1e3), st.floats(0, 1e3), st.floats(0, 1e3), st.floats(-5, 5))
def test_the_value_lies_in_its_band_and_no_range_leaves_no_band(value, below, above, slope):
    found = spread(lambda x: slope * x, {"x": value}, {"x": (value - below, value + above)})
    assert found.low <= found.value <= found.high
    assert spread(lambda x: slope * x, {"x": value}, {}) == Figure.exact(slope * value)


# -- columns -----------------------------------------------------------------------------------------------


def test_columns_are_told_apart_and_name_their_units():
    assert len({c.key for c in COLUMNS}) == len({c.name for c in COLUMNS}) == len(COLUMNS)
    endings = (
        "_mm", "_deg", "_deg_abdc", "_ratio", "_kpa", "_mpa", "_share", "_rpm", "_g", "_n", "_n_m", "_money",
        "_minutes",
        "_per_m", "_at_highest_speed",  # the Mach index is a bare ratio
    )  # fmt: skip
    assert all(c.name.endswith(endings) for c in COLUMNS)
    assert all(c.heading and c.meaning for c in COLUMNS)
    assert all(column(c.key) is c for c in COLUMNS)


# What each ending of a column's name promises, from the definitions of the units.
_FACTORS = {
    "_mm": 1e3, "_kpa": 1e-3, "_mpa": 1e-6, "_g": 1e3, "_deg": 180 / math.pi, "_deg_abdc": 180 / math.pi,
    "_minutes": 1 / 60,
}  # fmt: skip


@pytest.mark.parametrize("c", COLUMNS, ids=lambda c: c.key)
def test_the_scale_of_a_column_is_that_of_the_unit_in_its_name(c):
    ending = next((e for e in sorted(_FACTORS, key=len, reverse=True) if c.name.endswith(e)), None)
    assert c.scale == pytest.approx(_FACTORS[ending] if ending else 1.0, rel=1e-12)


def test_a_figure_that_does_not_exist_is_a_dash():
    for c in COLUMNS:
        for value in (math.nan, math.inf, -math.inf):
            assert value_text(c, value, "us", "USD") == "-"
        assert band_text(c, NOT_FOR_THIS, "us", "USD") == ""


def test_figures_are_written_as_people_write_them():
    # Exact by definition: 1 in = 25.4 mm; 1 lbf = 4.4482216152605 N.
    assert value_text(column("intake_lift"), 0.0127, "us", "USD") == "0.500 in"
    assert value_text(column("intake_lift"), 0.0127, "metric", "USD") == "12.70 mm"
    assert value_text(column("open_load"), 300 * 4.4482216152605, "us", "USD") == "300 lbf"
    assert value_text(column("first_cost"), 1234.4, "us", "EUR") == "1,234 EUR"
    assert value_text(column("run_in_time"), 1800.0, "us", "USD") == "30"
    assert value_text(column("chance"), 0.025, "us", "USD") == "2.5%"
    assert band_text(column("first_cost"), Figure(2.0, 1000.0, 3000.0), "us", "USD") == "1,000 to 3,000"
    assert band_text(column("first_cost"), Figure(2.0, 1000.1, 1000.2), "us", "USD") == ""


@pytest.mark.parametrize("system", units.SYSTEMS)
def test_every_column_can_be_written_in_both_systems(system):
    for c in COLUMNS:
        text = value_text(c, 1.0 / c.scale, system, "USD")
        assert text[0].isdigit() and "nan" not in text


# -- palette -----------------------------------------------------------------------------------------------


def _linear(colour: str) -> np.ndarray:
    """sRGB to linear light (IEC 61966-2-1, as restated in WCAG 2.1 under 'relative luminance')."""
    c = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def _luminance(colour: str) -> float:
    return float(_linear(colour) @ [0.2126, 0.7152, 0.0722])  # ITU-R BT.709 weights


def _lightness(colour: str) -> float:
    """CIE 1976 L*: 116 Y^(1/3) - 16 above 0.008856 (CIE 15, from memory)."""
    y = _luminance(colour)
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


def test_styles_of_one_follower_differ_in_grey_print():
    for follower in ("flat", "roller"):
        shades = sorted(_lightness(style_of(follower, i).colour) for i in range(4))
        assert min(b - a for a, b in itertools.pairwise(shades)) > 5.0


def test_styles_differ_by_more_than_colour():
    first_two = [style_of(f, i) for f in ("flat", "roller") for i in range(2)]
    assert len({s.dash for s in first_two}) == 4 and len({s.svg_dash for s in first_two}) == 4
    every = [style_of(f, i) for f in ("flat", "roller") for i in range(4)]
    assert len({s.marker for s in every}) == 8 and len({s.colour for s in every}) == 8
    assert style_of("flat", 5) == style_of("flat", 1)


def test_groups_of_cost_that_touch_differ_in_grey():
    shades = [_lightness(c) for c in GROUP_SHADES.values()]
    assert min(abs(b - a) for a, b in itertools.pairwise(shades)) > 10.0


def test_every_group_of_cost_has_a_shade_in_the_same_order():
    from lobeledger.choice.cost import GROUPS

    assert list(GROUP_SHADES) == list(GROUPS)
