"""Candidates of a sheet added, copied, removed, renamed; the sheet's remarks stay where they are.

Add one, like another or from nothing      `add_candidate`
Take one out                               `remove_candidate`
Call one otherwise                         `rename_candidate`
Say which cam is in the engine now         `set_fitted`
Take lines out of a sheet                  `without_lines`
Which id would a name have?                `id_for`

Each takes a build and returns another, read again through the same checks as a file; the build given stays as it is, so
that nothing is ever half written. What cannot be done is a BuildError with one sentence.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Callable, Iterable, Mapping, MutableMapping
from typing import Any

from lobeledger.parts.build import Build
from lobeledger.sheet.change import change, plain_tree, sheet_text
from lobeledger.sheet.fields import MOST_CANDIDATES
from lobeledger.sheet.open import build_from_text
from lobeledger.sheet.refusal import nearest, quoted, refuse
from lobeledger.sheet.render import candidate_block
from lobeledger.sheet.toml import put

__all__ = ["add_candidate", "id_for", "remove_candidate", "rename_candidate", "set_fitted", "without_lines"]

_LONGEST_ID = 40
_HEADER = re.compile(r"\s*\[{1,2}\s*([A-Za-z0-9_.\"' -]+?)\s*\]{1,2}\s*(#.*)?")
_ID_LINE = re.compile(r"(\s*id\s*=\s*)(\"[^\"]*\"|'[^']*')(.*)", re.DOTALL)


def id_for(build: Build, name: str) -> str:
    """A short id made from a name, that no candidate of the build has yet.

    >>> from lobeledger.sheet.open import starter_sheet
    >>> build = build_from_text(starter_sheet())
    >>> id_for(build, "Hydraulic flat, 218°"), id_for(build, "H flat")
    ('hydraulic-flat-218', 'h-flat-2')
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    stem = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:_LONGEST_ID].strip("-") or "cam"
    taken = {c.id for c in build.candidates}
    found, count = stem, 2
    while found in taken:
        end = f"-{count}"
        found, count = stem[: _LONGEST_ID - len(end)].rstrip("-") + end, count + 1
    return found


def add_candidate(
    build: Build, *, name: str, copy_of: str | None = None, changes: Mapping[str, Any] | None = None
) -> Build:
    """The build with one more candidate at its end.

    name: as the customer reads it; its id follows from it (`id_for`). copy_of: id of the candidate it is like in
    everything; None: it has what `changes` say and the library's figures. changes: values by path below the candidate
    ("intake.lobe_lift"), as a sheet would hold them; "" as the value of a path takes the line away. A copy is not
    fitted, and has no record of its own. Raises BuildError.

    >>> from lobeledger.sheet.open import starter_sheet
    >>> build = build_from_text(starter_sheet())
    >>> more = add_candidate(build, name="Mild flat", copy_of="h-flat", changes={"intake.lobe_lift": "0.275 in"})
    >>> [c.id for c in more.candidates], round(more.candidate("mild-flat").intake.lobe_lift_m / 0.0254, 3)
    (['h-flat', 'h-roller', 'mild-flat'], 0.275)
    """
    name = _new_name(build, name)
    if len(build.candidates) >= MOST_CANDIDATES:
        refuse(build.name, "candidates", f"there are {MOST_CANDIDATES}, the most a sheet holds; remove one first")
    new: dict[str, Any] = {"id": id_for(build, name), "name": name}
    text = sheet_text(build)
    if copy_of is not None:
        _must_have(build, copy_of)
        source = next(each for each in tomllib.loads(text)["candidates"] if each.get("id") == copy_of)
        new |= {key: value for key, value in source.items() if key not in ("id", "name", "fitted", *_KEPT_BY_FITTED)}
        # What the shop has seen of the one is no record of the other.
        if isinstance(new.get("failure"), Mapping):
            new["failure"] = {k: v for k, v in new["failure"].items() if k not in ("seen_losses", "seen_builds")}
    for path, value in (changes or {}).items():
        if value == "" and isinstance(value, str):
            _take_away(new, path.split("."))
        else:
            put(new, path, plain_tree(value, path, build.name), build.name)

    def with_block(lines: list[str]) -> list[str]:
        blocks = _blocks(lines)
        if not blocks:
            return lines
        at = _end_of_text(lines, *blocks[-1])
        return [*lines[:at], "\n", *candidate_block(new).splitlines(keepends=True), *lines[at:]]

    def with_tree(tree: dict[str, Any]) -> None:
        tree["candidates"].append(new)

    return _edited(build, with_block, with_tree)


def remove_candidate(build: Build, candidate_id: str) -> Build:
    """The build without one of its candidates, and without the remarks in its block. Raises BuildError.

    >>> from lobeledger.sheet.open import starter_sheet
    >>> [c.id for c in remove_candidate(build_from_text(starter_sheet()), "h-flat").candidates]
    ['h-roller']
    """
    at = _must_have(build, candidate_id)
    if len(build.candidates) == 1:
        refuse(build.name, f"candidates.{candidate_id}", "is the last one; a build needs at least one cam")

    def without_block(lines: list[str]) -> list[str]:
        blocks = _blocks(lines)
        if at >= len(blocks):
            return lines
        start, end = blocks[at]
        # Remarks that stand directly over the block are about it; those a blank line away are not.
        while start > 0 and lines[start - 1].lstrip().startswith("#"):
            start -= 1
        end = _end_of_text(lines, *blocks[at])
        while end < len(lines) and not lines[end].strip() and (start == 0 or not lines[start - 1].strip()):
            end += 1
        return [*lines[:start], *lines[end:]]

    def without_tree(tree: dict[str, Any]) -> None:
        del tree["candidates"][at]

    return _edited(build, without_block, without_tree)


def rename_candidate(build: Build, candidate_id: str, name: str, *, new_id: str | None = None) -> Build:
    """The build with a candidate called otherwise; with new_id its id changes too. Raises BuildError.

    >>> from lobeledger.sheet.open import starter_sheet
    >>> rename_candidate(build_from_text(starter_sheet()), "h-flat", "Mild").candidate("h-flat").name
    'Mild'
    """
    at = _must_have(build, candidate_id)
    name = _new_name(build, name, but=candidate_id)
    renamed = change(build, {f"candidates.{candidate_id}.name": name})
    if new_id is None or new_id == candidate_id:
        return renamed
    if any(c.id == new_id for c in build.candidates):
        refuse(build.name, f"candidates.{candidate_id}", f"there is a candidate {quoted(new_id)} already")
    wanted = new_id

    def with_id(lines: list[str]) -> list[str]:
        blocks = _blocks(lines)
        for i in range(*(blocks[at] if at < len(blocks) else (0, 0))):
            match = _ID_LINE.fullmatch(lines[i])
            if match:
                return [*lines[:i], f'{match[1]}"{wanted}"{match[3]}', *lines[i + 1 :]]
        return lines

    def with_id_in_tree(tree: dict[str, Any]) -> None:
        tree["candidates"][at]["id"] = wanted

    return _edited(renamed, with_id, with_id_in_tree)


# What only a cam that is in the engine has; a copy of it is a new one.
_KEPT_BY_FITTED = ("hours_run", "lobe_wear")


def set_fitted(build: Build, candidate_id: str | None) -> Build:
    """The build with this candidate marked as the cam that is in the engine now; None: no candidate is it.

    Its prices stay in the sheet and count for nothing while it is marked. Raises BuildError.

    >>> from lobeledger.sheet.open import starter_sheet
    >>> build = set_fitted(build_from_text(starter_sheet()), "h-flat")
    >>> build.fitted.id, set_fitted(build, None).fitted
    ('h-flat', None)
    """
    if candidate_id is not None:
        _must_have(build, candidate_id)
    now = {c.id: bool(c.fitted) for c in build.candidates}
    wanted = {cid: cid == candidate_id for cid in now}
    changes = {f"candidates.{cid}.fitted": wanted[cid] for cid in now if now[cid] != wanted[cid]}
    return change(build, changes) if changes else build


def without_lines(build: Build, paths: Iterable[str]) -> Build:
    """The build without what its sheet says at some paths, so that the library's figures hold there again.

    A path of which the sheet says nothing stays unsaid. Raises BuildError where something needed would be missing.

    >>> from lobeledger.sheet.open import starter_sheet
    >>> build = build_from_text(starter_sheet())
    >>> without_lines(build, ["vehicle.brake_booster"]).data["vehicle.brake_booster"].written
    False
    """
    import tomlkit

    text = sheet_text(build)
    tree: Any = tomllib.loads(text)
    document: Any = tomlkit.parse(text)
    for path in paths:
        for here in (tree, document):
            _take_away(here, path.split("."))
    edited = tomlkit.dumps(document)
    return build_from_text(edited if tomllib.loads(edited) == tree else tomlkit.dumps(tree), build.name)


# -- how a sheet's text is edited ------------------------------------------------------------------------------


def _new_name(build: Build, name: str, *, but: str = "") -> str:
    """A name fit for a candidate: not empty, on one line, nobody else's."""
    name = " ".join(name.split())
    if not name:
        refuse(build.name, "candidates", "a cam needs a name, such as Hydraulic flat, 204 deg")
    for c in build.candidates:
        if c.id != but and c.name.casefold() == name.casefold():
            refuse(
                build.name, "candidates", f"there is a cam called {quoted(c.name)} already; give this one another name"
            )
    return name


def _must_have(build: Build, candidate_id: str) -> int:
    ids = tuple(c.id for c in build.candidates)
    if candidate_id not in ids:
        refuse(build.name, "candidates", f"there is no {quoted(candidate_id)}{nearest(candidate_id, ids)}")
    return ids.index(candidate_id)


def _take_away(tree: MutableMapping[str, Any], steps: list[str]) -> None:
    """Take one line out of a tree of tables, where it is there; a line of a list by its id or its place."""
    here: Any = tree
    for step in steps[:-1]:
        if isinstance(here, list):
            here = next((each for i, each in enumerate(here) if each.get("id", str(i)) == step), None)
        else:
            here = here.get(step) if isinstance(here, Mapping) else None
    if isinstance(here, MutableMapping):
        here.pop(steps[-1], None)
    elif isinstance(here, list) and steps[-1].isdigit() and int(steps[-1]) < len(here):
        del here[int(steps[-1])]


def _edited(
    build: Build, edit_lines: Callable[[list[str]], list[str]], edit_tree: Callable[[dict[str, Any]], None]
) -> Build:
    """The build after an edit that is told twice, of the text and of its tables.

    The text's own edit keeps every remark, but a sheet may be written in ways it does not know; where the two do not
    come to the same, the tables are right and the sheet is written anew without its remarks.
    """
    import tomlkit

    text = sheet_text(build)
    tree = tomllib.loads(text)
    edit_tree(tree)
    edited = "".join(edit_lines(text.splitlines(keepends=True)))
    try:
        is_same = tomllib.loads(edited) == tree
    except tomllib.TOMLDecodeError:
        is_same = False
    return build_from_text(edited if is_same else tomlkit.dumps(tree), build.name)


def _blocks(lines: list[str]) -> list[tuple[int, int]]:
    """First line and the line after the last of each [[candidates]] block, sub-tables included."""
    matches = ((i, _HEADER.fullmatch(line.rstrip("\r\n"))) for i, line in enumerate(lines))
    heads = [(i, match[1].replace('"', "").replace("'", "")) for i, match in matches if match]
    found = []
    for at, (i, name) in enumerate(heads):
        if name != "candidates":
            continue
        after = next((j for j, other in heads[at + 1 :] if not other.startswith("candidates.")), len(lines))
        found.append((i, after))
    return found


def _end_of_text(lines: list[str], start: int, end: int) -> int:
    """The line after the last in a block that says something; remarks after it belong to what follows."""
    while end > start + 1 and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    while end < len(lines) and lines[end].lstrip().startswith("#") and lines[end - 1].strip():
        end += 1
    return end
