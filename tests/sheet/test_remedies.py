"""Remedies: the library's prices with their origin, and the sheet's own before them."""

from __future__ import annotations

import pytest

import lobeledger as ll
from lobeledger.parts.rules import REMEDIED_LIMITS
from lobeledger.sheet.open import starter_sheet
from lobeledger.sheet.tables import read_remedies

SHEET = starter_sheet()


def test_every_limit_that_money_mends_has_a_remedy_with_a_range() -> None:
    assert {remedy.limit for remedy, _ in read_remedies()} == set(REMEDIED_LIMITS)
    for remedy, ranges in read_remedies():
        assert ranges["price"][0] < ranges["price"][1] < ranges["price"][2]
        datum = ll.build_from_text(SHEET).data[f"remedies.{remedy.id}.price"]
        assert (datum.low, datum.value, datum.high) == ranges["price"]
        assert datum.origin == remedy.origin and not datum.written


def test_the_sheets_own_price_comes_first() -> None:
    own = '\n[remedies.vacuum-pump]\nprice = { value = "250 USD", pm = "20 USD" }\n'
    build = ll.build_from_text(SHEET + own)
    pump = next(r for r in build.remedies if r.id == "vacuum-pump")
    datum = build.data["remedies.vacuum-pump.price"]
    assert (pump.price_money, pump.time_h) == (250.0, 2.0)
    assert (datum.low, datum.high, datum.written, datum.origin) == (230.0, 270.0, True, "given")
    assert ll.change(build, {"remedies.vacuum-pump.time": "1 h"}).data["remedies.vacuum-pump.time"].value == 1.0


def test_in_another_currency_there_is_no_price_until_the_sheet_gives_one() -> None:
    euros = SHEET.replace("USD", "EUR").replace('serves = "springs"', 'serves = "springs"', 1)
    euros = euros.replace(
        "[limits]", '[shop]\nlabour_rate = "90 EUR/h"\ndyno_rate = "100 EUR/h"\nfuel_price = "1.8 EUR/L"\n'
        'run_in_oil = "120 EUR"\n[limits]\ntorque_worth = "50 EUR"'
    ).replace('lifter = "hydraulic"', 'lifter = "hydraulic"\nspring_set_price = "200 EUR"')  # fmt: skip
    euros = euros.replace("[[candidates.parts]]", '[candidates.failure]\ncost = "3000 EUR"\n\n[[candidates.parts]]', 1)
    halves = euros.split('id = "h-roller"')
    halves[1] = halves[1].replace(
        "[[candidates.parts]]", '[candidates.failure]\ncost = "3000 EUR"\n\n[[candidates.parts]]', 1
    )
    build = ll.build_from_text('id = "h-roller"'.join(halves))
    assert all(r.price_money is None for r in build.remedies) and "remedies.vacuum-pump.price" not in build.data
    own = ll.change(build, {"remedies.vacuum-pump.price": "200 EUR"})
    assert own.data["remedies.vacuum-pump.price"].value == 200.0


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[remedies.vacum-pump]\nprice = '1 USD'", "remedies.vacum-pump: there is no such key; did you mean"),
        ("[remedies.vacuum-pump]\nprise = '1 USD'", "remedies.vacuum-pump.prise: there is no such key"),
        ("[remedies.vacuum-pump]\nprice = '1 h'", "remedies.vacuum-pump.price: "),
        ("remedies = 3", "remedies"),
    ],
)
def test_a_slip_is_told(text: str, told: str) -> None:
    sheet = f"{text}\n{SHEET}" if text.startswith("remedies") else f"{SHEET}\n{text}\n"
    with pytest.raises(ll.BuildError) as trouble:
        ll.build_from_text(sheet)
    assert told in str(trouble.value) and "\n" not in str(trouble.value)
