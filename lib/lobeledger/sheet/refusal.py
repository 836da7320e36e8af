"""How a sheet is refused: one sentence that names the sheet and the place, and says what would be right.

Refuse it                          `refuse`
Show what was written              `quoted`, `kind_of`
Which word was meant?              `nearest`
"""

from __future__ import annotations

import datetime
import difflib
from collections.abc import Mapping
from typing import Any, NoReturn

from lobeledger.errors import BuildError
from lobeledger.sheet.files import on_one_line

__all__ = ["kind_of", "nearest", "quoted", "refuse"]


def refuse(where: str, path: str, why: str) -> NoReturn:
    """Raise BuildError: "sheet: path: why", each bounded and on one line."""
    shown = on_one_line(where, longest=120)
    place = f"{shown}: {on_one_line(path, longest=120)}: " if path else f"{shown}: "
    raise BuildError(place + on_one_line(why, longest=600)) from None


def quoted(value: Any) -> str:
    """A value as it should appear in a message: as written, bounded, on one line."""
    if isinstance(value, str):
        return f"'{on_one_line(value)}'"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**15:
        return "a very long number"
    return on_one_line(repr(value))


def kind_of(value: Any) -> str:
    """What TOML calls a value."""
    for kind, word in (
        (bool, "true or false"),
        (str, "text"),
        (int, "a bare number"),
        (float, "a bare number"),
        (list, "a list"),
        (Mapping, "a table"),
        ((datetime.date, datetime.time), "a date or time"),
    ):
        if isinstance(value, kind):
            return word
    return "something else"


def nearest(word: str, known: tuple[str, ...]) -> str:
    found = difflib.get_close_matches(on_one_line(word), known, n=1, cutoff=0.5)
    if not found:
        # A field name with its unit ("bore_m") or a longer word around the key.
        found = [k for k in known if len(k) > 2 and (word.startswith(k) or k.startswith(word) and len(word) > 2)][:1]
    return f"; did you mean '{found[0]}'?" if found else f"; known here: {', '.join(known)}"
