"""Plain values as a person would write them in a sheet: short things on one line, lists of lines one below another.

A value as an item of a document with comments      `item`
A candidate as a block of its own                   `candidate_block`
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

__all__ = ["candidate_block", "item"]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def _key(name: str) -> str:
    return name if _BARE_KEY.fullmatch(name) else json.dumps(name, ensure_ascii=False)


def _is_value(value: Any) -> bool:
    """Whether it stands behind an equals sign: all but the tables a sheet heads with [...]."""
    return not isinstance(value, Mapping) or "value" in value or not value


def inline(value: Any) -> str:
    """A value on one line, a list of tables over several.

    >>> inline({"value": "9 h", "low": "7 h", "high": "12 h"})
    '{ value = "9 h", low = "7 h", high = "12 h" }'
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # TOML's basic strings escape as JSON's do, but for DEL, which no sheet may hold.
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(str(k))} = {inline(v)}" for k, v in value.items()) + " }" if value else "{}"
    if isinstance(value, (list, tuple)):
        each = [inline(one) for one in value]
        if any(isinstance(one, Mapping) for one in value):
            return "[\n" + "".join(f"  {one},\n" for one in each) + "]"
        return f"[{', '.join(each)}]"
    return repr(value)


def item(value: Any, key: str = "") -> Any:
    """A value as tomlkit holds it, written like the shipped sheets; a heading's table keeps its own lines.

    key: of the line it is for; price lines have a heading each.
    """
    import tomlkit

    if key == "parts" and isinstance(value, list) and value and all(isinstance(each, Mapping) for each in value):
        lines = tomlkit.aot()
        for each in value:
            lines.append(item({**each, "item": each.get("item", "")}))
        return lines
    if isinstance(value, Mapping) and not _is_value(value):
        table = tomlkit.table()
        for key, each in value.items():
            table.add(str(key), item(each))
        return table
    if isinstance(value, (Mapping, list, tuple)):
        return tomlkit.value(inline(value))
    return tomlkit.item(value)


def candidate_block(candidate: Mapping[str, Any]) -> str:
    """The text of one [[candidates]] block, without remarks; it reads back to the same tables.

    >>> print(candidate_block({"id": "one", "intake": {"lobe_lift": "0.28 in"}, "parts": [{"item": "cam"}]}))
    [[candidates]]
    id = "one"
    <BLANKLINE>
    [candidates.intake]
    lobe_lift = "0.28 in"
    <BLANKLINE>
    [[candidates.parts]]
    item = "cam"
    <BLANKLINE>
    """
    later: list[str] = []
    lines = ["[[candidates]]"]
    for key, value in candidate.items():
        if isinstance(value, Mapping) and not _is_value(value):
            later += ["", f"[candidates.{_key(key)}]", *(f"{_key(k)} = {inline(v)}" for k, v in value.items())]
        elif key != "parts" or not isinstance(value, list) or not value:
            lines.append(f"{_key(key)} = {inline(value)}")
    parts = candidate.get("parts")
    if isinstance(parts, list) and parts:
        later.append("")
        for each in parts:
            later += ["[[candidates.parts]]", *(f"{_key(k)} = {inline(v)}" for k, v in each.items())]
    return "\n".join([*lines, *later]) + "\n"
