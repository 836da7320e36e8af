"""A sheet's text as a tree of tables, and changes by path in it.

What does the text say?            `tree_of`, `split`
How is one place set?              `put`
How is a change written down?      `lines_of`, `MARK`
"""

from __future__ import annotations

import functools
import json
import re
import tomllib
from collections.abc import Mapping, MutableMapping
from typing import Any

from lobeledger.sheet.fields import DEEPEST, SAME_AS_INTAKE
from lobeledger.sheet.files import on_one_line
from lobeledger.sheet.refusal import quoted, refuse

__all__ = ["MARK", "lines_of", "put", "split", "tree_of"]

_LONGEST_LINE = 4000
# Changes made by `change` follow the sheet's own text after this line, as TOML of their own.
MARK = "\n# ---- changed afterwards, by path ----\n"


@functools.lru_cache(maxsize=8)
def _parsed(text: str, where: str) -> dict[str, Any]:
    """The TOML of a sheet; never changed by its callers, who copy first."""
    if not text.strip():
        refuse(where, "", "the sheet is empty; copy one of the shipped builds and change it")
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE:
            refuse(where, "", f"line {number} has {len(line)} characters; at most {_LONGEST_LINE} are read")
    try:
        tree = tomllib.loads(text)
        deepest = _depth(tree)
    except tomllib.TOMLDecodeError as trouble:
        refuse(where, "", _toml_trouble(str(trouble), text))
    except RecursionError:
        refuse(where, "", f"tables or lists lie in one another too deeply; {DEEPEST} levels are read")
    except ValueError as trouble:
        refuse(where, "", f"the sheet is not valid TOML ({on_one_line(str(trouble))})")
    if deepest > DEEPEST:
        refuse(where, "", f"tables or lists lie {deepest} levels deep in one another; {DEEPEST} are read")
    return tree


def _toml_trouble(message: str, text: str) -> str:
    """What the TOML reader said, with the line shown and, where it is plain, what to do about it."""
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    what = on_one_line(re.sub(r"\s*\(at .*\)$", "", message), longest=120)
    lines = text.split("\n")
    number = int(found.group(1)) if found else len(lines)
    line = on_one_line(lines[number - 1]) if number <= len(lines) else ""
    if re.search("overwrite|twice|[Dd]uplicate", what):
        return f"line {number} writes a key or table a second time ({line}); keep one"
    if not found:
        return f"the sheet is not valid TOML at its end ({what}); close what is left open"
    unquoted = re.search(r"=\s*[-+.\d]", line)
    advice = '; a quantity needs quotes, such as bore = "4.030 in"' if unquoted else ""
    return f"line {number}, column {found.group(2)}, is not valid TOML ({what}): {line}{advice}"


def _depth(tree: Any) -> int:
    """How deeply tables and lists lie in one another; RecursionError is the caller's."""
    inner = tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else ()
    return 1 + max((_depth(each) for each in inner), default=0) if isinstance(tree, (dict, list)) else 0


def _copy(tree: Any) -> Any:
    if isinstance(tree, dict):
        return {key: _copy(each) for key, each in tree.items()}
    if isinstance(tree, list):
        return [_copy(each) for each in tree]
    return tree


def split(source: str, where: str) -> tuple[str, dict[str, Any]]:
    """A sheet's own text, and the changes that follow it."""
    base, mark, tail = source.partition(MARK)
    return base, dict(_parsed(tail, where)) if mark and tail.strip() else {}


def tree_of(base: str, changes: Mapping[str, Any], where: str) -> dict[str, Any]:
    tree: dict[str, Any] = _copy(_parsed(base, where))
    for path, value in changes.items():
        put(tree, path, value, where)
    return tree


def put(tree: MutableMapping[str, Any], path: str, value: Any, where: str) -> None:
    """Set one value by path in a tree of tables and lists, making tables on the way."""
    steps = path.split(".")
    if not all(steps) or len(steps) > DEEPEST:
        refuse(where, path, "is not a path; write one such as use.years or candidates.h-flat.fitting_time")
    here: Any = tree
    for depth, step in enumerate(steps):
        last = depth == len(steps) - 1
        if isinstance(here, list):
            at = _index(here, step)
            if at is None:
                refuse(where, path, f"there is no entry {quoted(step)}{_ids_of(here)}")
            if last:
                here[at] = value
            else:
                here = here[at]
        elif isinstance(here, MutableMapping):
            if last:
                # A card has one lift: the new one takes the place of the other.
                twin = {"lobe_lift": "valve_lift", "valve_lift": "lobe_lift"}.get(step)
                if twin is not None and twin in here and "durations" in here:
                    del here[twin]
                # A table does not stand where a value did, nor the other way round: values come before headings.
                if step in here and _is_headed(here[step]) != _is_headed(value):
                    del here[step]
                here[step] = value
            else:
                if step == "exhaust" and here.get(step) == SAME_AS_INTAKE:
                    here[step] = _copy(_unwrapped(here.get("intake", {})))
                elif step not in here:
                    here[step] = {}
                here = here[step]
        else:
            refuse(where, path, f"{quoted('.'.join(steps[:depth]))} is a value and has nothing inside it")


def _is_headed(value: Any) -> bool:
    """Whether a value is a table under a heading of its own, such as [candidates.exhaust]."""
    return isinstance(value, Mapping) and "value" not in value


def _unwrapped(item: Any) -> Any:
    return item.unwrap() if hasattr(item, "unwrap") else item


def _index(lines: list[Any], step: str) -> int | None:
    for i, each in enumerate(lines):
        if isinstance(each, Mapping) and each.get("id") == step:
            return i
    named = any(isinstance(each, Mapping) and "id" in each for each in lines)
    if not named and step.isascii() and step.isdigit() and len(step) < 5 and int(step) < len(lines):
        return int(step)
    return None


def _ids_of(lines: list[Any]) -> str:
    ids = [str(each["id"]) for each in lines if isinstance(each, Mapping) and "id" in each]
    return f"; there are {', '.join(ids)}" if ids else f"; there are {len(lines)}, counted from 0"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{json.dumps(str(k))} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    return repr(value)


def lines_of(changes: Mapping[str, Any]) -> str:
    return "".join(f"{json.dumps(path, ensure_ascii=False)} = {_toml(value)}\n" for path, value in changes.items())
