"""A build changed by path, and saved as a sheet.

How is one value changed?         `change`
How is a build saved?             `write_build`, `sheet_text`
What may a changed value be?      `plain_tree`
"""

from __future__ import annotations

import dataclasses
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lobeledger.errors import BuildError
from lobeledger.parts.build import Build
from lobeledger.sheet.fields import DEEPEST, LARGEST_SHEET_BYTES, LONGEST_QUANTITY, NUMBER_TEXT, WORDS
from lobeledger.sheet.files import on_one_line, write_text_atomically
from lobeledger.sheet.open import build_from_text
from lobeledger.sheet.refusal import quoted, refuse
from lobeledger.sheet.render import item
from lobeledger.sheet.toml import MARK, lines_of, put, split, tree_of
from lobeledger.sheet.whole import build_of

__all__ = ["change", "plain_tree", "sheet_text", "write_build"]


def change(build: Build, changes: Mapping[str, Any]) -> Build:
    """The build with some values written anew by path, read again through the same checks as a file.

    A value is what a sheet would hold: "7 h", 8, true or a table with pm. What was known about the old value
    (its range, its origin) goes with it. Lines of a list are counted from 0. Raises BuildError.

    >>> from lobeledger.sheet.open import starter_sheet
    >>> build = build_from_text(starter_sheet())
    >>> change(build, {"use.years": 8, "candidates.h-flat.fitting_time": "7 h"}).use.years
    8.0
    >>> change(build, {"use.years": "8"}).data["use.years"].origin
    'given'
    """
    where = build.name
    base, made = split(build.source, where)
    if not base.strip():
        refuse(where, "", "this build was not read from a sheet, so it cannot be changed by path")
    for path, value in changes.items():
        # The latest change of a path goes last, so that it also wins over one of the list around it.
        made.pop(path, None)
        made[path] = plain_tree(value, path, where)
    source = base + MARK + lines_of(made)
    if len(source) > LARGEST_SHEET_BYTES:
        refuse(where, "", f"the changed sheet is longer than {LARGEST_SHEET_BYTES} characters")
    return build_of(tree_of(base, made, where), where=where, source=source)


def plain_tree(value: Any, path: str, where: str, depth: int = 0) -> Any:
    """A changed value as TOML can hold it."""
    if depth > DEEPEST:
        refuse(where, path, f"is nested more than {DEEPEST} levels deep")
    if isinstance(value, Mapping):
        return {str(key): plain_tree(each, path, where, depth + 1) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_tree(each, path, where, depth + 1) for each in value]
    if isinstance(value, str):
        if path.rpartition(".")[2] not in WORDS:
            # A panel hands over text; the sheet wants bare numbers and true or false bare.
            if value in ("true", "false"):
                return value == "true"
            if len(value) <= LONGEST_QUANTITY and NUMBER_TEXT.fullmatch(value):
                number = float(value)
                return int(number) if number.is_integer() and abs(number) < 1e15 else number
        if any("\ud800" <= c <= "\udfff" or c == "\x7f" for c in value):
            refuse(where, path, "has characters that cannot be saved")
        return str(value)
    if isinstance(value, (bool, int, float)):
        # numpy's floats are floats too, but print otherwise.
        return value if isinstance(value, (bool, int)) else float(value)
    refuse(where, path, f"is {quoted(value)}; give text with a unit, a number, true or false")


def sheet_text(build: Build) -> str:
    """The text of a sheet that reads back to this build, with the comments of the sheet it came from.

    Raises BuildError when the build was changed by other means than `change`.
    """
    where = on_one_line(build.name)
    base, changes = split(build.source, where)
    plain = tree_of(base, changes, where) if base.strip() else {}
    if not plain or not _same_parts(build, build_from_text(build.source, where)):
        raise BuildError(
            f"{where}: this build does not agree with the sheet it came from, so it cannot be saved; "
            "make changes with change(), which keeps both together"
        )
    text = _with_comments(base, changes, plain, where) if changes else base
    return text if text.endswith("\n") else text + "\n"


def write_build(build: Build, path: str | os.PathLike[str], *, replace: bool = False) -> Path:
    """Save a build as a sheet that reads back to the same build, see `sheet_text`.

    An existing file is refused unless `replace` is true; a crash leaves the old file whole. Raises
    BuildError.
    """
    return write_text_atomically(path, sheet_text(build), replace=replace)


def _same_parts(one: Build, other: Build) -> bool:
    names = [f.name for f in dataclasses.fields(Build) if f.name not in ("data", "source")]
    return all(getattr(one, name) == getattr(other, name) for name in names)


def _with_comments(base: str, changes: Mapping[str, Any], plain: Mapping[str, Any], where: str) -> str:
    """The sheet's text with its changes folded in; without comments if they cannot be kept faithfully."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(base)
        for path, value in changes.items():
            put(document, path, item(value, path.rpartition(".")[2]), where)
        text = _spaced(tomlkit.dumps(document))
        if tomllib.loads(text) == plain:
            return text
    except (TOMLKitError, tomllib.TOMLDecodeError, TypeError, ValueError, KeyError, IndexError):
        pass
    return tomlkit.dumps(plain)


def _spaced(text: str) -> str:
    """A blank line over each heading that stands directly under a value, as where a table was added."""
    return re.sub(r"(?m)^([^\n#\[ ].*)\n(?=\[[^\[\n]|\[\[candidates\]\])", r"\1\n\n", text)
