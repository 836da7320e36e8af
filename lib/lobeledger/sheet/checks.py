"""What two lines of a sheet may not say together.

One candidate's lines against each other       `check_candidate`
Keys of the other follower                     `check_follower_keys`
Factors and precautions, by id                 `check_risk_ids`
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lobeledger.parts.candidate import UPKEEP_PRICES, Candidate, Failure, Price
from lobeledger.parts.car import Block
from lobeledger.parts.spec import key_of, spec_of
from lobeledger.sheet.fields import ONLY
from lobeledger.sheet.files import on_one_line
from lobeledger.sheet.reader import Reader
from lobeledger.sheet.refusal import nearest
from lobeledger.sheet.tables import LIBRARY_CURRENCY, read_factors, read_pairing, read_precautions

__all__ = ["check_candidate", "check_follower_keys", "check_risk_ids"]

_PAIRS = (
    (("seat_load_low", "seat_load_high"), "seat_load_low_n", "seat_load_high_n"),
    (("open_load_low", "open_load_high"), "open_load_low_n", "open_load_high_n"),
)


def check_follower_keys(reader: Reader, table: Mapping[str, Any], path: str) -> None:
    """Refuse keys that only the other kind of follower has."""
    follower = table.get("follower")
    if isinstance(follower, str) and follower in ONLY:
        for other, keys in ONLY.items():
            for key in keys:
                if other != follower and key in table:
                    reader.fail(
                        f"{path}.{key}",
                        f"belongs to a {other} follower, but this candidate's follower is {follower}; "
                        "remove one or the other",
                    )


def check_candidate(reader: Reader, values: Mapping[str, Any], path: str, block: Block) -> None:
    """Refuse what a candidate's lines may not say together; `values` by field names."""
    if values["lifter"] == "hydraulic":
        for side in ("intake", "exhaust"):
            if values[f"{side}_lash_m"] > 0.0:
                reader.fail(
                    f"{path}.{side}_lash",
                    "is above zero, but a hydraulic lifter takes up its lash; remove it or write solid",
                )
    if not values["parts"] and not values["fitted"]:
        reader.fail(f"{path}.parts", f"is missing; it is the list of {spec_of(Candidate, 'parts').doc}")
    _check_serves(reader, values["parts"], path)
    for every, price in UPKEEP_PRICES.items():
        if values[every] > 0.0 and values[price] is None:
            reader.fail_for_price(f"{path}.{key_of(price)}", spec_of(Candidate, price))
    for (low_key, high_key), low, high in _PAIRS:
        if values[low] > values[high]:
            reader.fail(f"{path}.{low_key}", f"lies above {high_key}; swap them or fix one")
    face = values["face_diameter_m"]
    if face is not None and face > block.lifter_bore_m * (1.0 + 1e-9):
        reader.fail(
            f"{path}.face_diameter",
            f"is {reader.data[f'{path}.face_diameter'].text}, wider than block.lifter_bore "
            f"({reader.data['block.lifter_bore'].text}); the lifter would not go in",
        )


def check_risk_ids(reader: Reader, failure: Failure, follower: str, path: str, *, is_fitted: bool) -> None:
    """Refuse factors and precautions nobody knows, those of the other follower, or those of the fitted cam alone."""
    for factor in read_factors():
        if factor.is_of_fitted and factor.id in failure.factor_ids and not is_fitted:
            reader.fail(f"{path}.factors", f"'{factor.id}' is of the cam that is in the engine now (fitted = true)")
    for key, ids, rows in (
        ("factors", failure.factor_ids, read_factors()),
        ("factors_off", failure.off_ids, read_factors()),
        ("precautions", failure.precaution_ids, read_precautions()),
    ):
        known = tuple(row.id for row in rows if row.follower == follower)
        for name in ids:
            if name not in known:
                reader.fail(f"{path}.{key}", f"there is no '{name}' for a {follower} follower{nearest(name, known)}")
    for each in read_precautions():
        if each.id in failure.precaution_ids and each.price_money and not reader.is_ours:
            reader.fail(
                f"{path}.precautions",
                f"the library's price of '{each.id}' is in {LIBRARY_CURRENCY} and this sheet is in "
                f"{reader.currency}; put what it costs among the parts and say the odds in one_in",
            )


def _check_serves(reader: Reader, lines: tuple[Price, ...], path: str) -> None:
    """Refuse a need that no rule of pairing.csv knows."""
    known = tuple(dict.fromkeys(need for rule in read_pairing() for need in rule.needs))
    for i, line in enumerate(lines):
        for name in line.serve_names:
            if name not in known:
                reader.fail(
                    f"{path}.parts.{i}.serves", f"names an unknown need, '{on_one_line(name)}'{nearest(name, known)}"
                )
