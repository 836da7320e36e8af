"""A desk: the build that lies open in one tab of the browser, kept on this computer so that no page loses it.

What a desk holds                          `Kept`
Read and write one                         `Desk`
Is this the name of a desk?                `is_desk_id`, `new_desk_id`
Where desks are kept                       `desks_folder`
What did the page's address ask for?       `asked_desk`

A desk is one file in a private folder, named after 16 hexadecimal digits that the tab's address carries. Its first line
is a comment with what the panel needs beside the sheet; the rest is a sheet, with what has been moved since as lines
after it. It is only ever read as a build sheet: nothing in it is run, and nothing in it names a file to open.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import re
import secrets
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from lobeledger.errors import LedgerError
from lobeledger.parts.build import Build
from lobeledger.sheet.fields import LARGEST_SHEET_BYTES
from lobeledger.sheet.open import build_from_text
from lobeledger.sheet.toml import split

__all__ = ["Desk", "DeskMovedOn", "Kept", "asked_desk", "desks_folder", "is_desk_id", "new_desk_id"]

WHERE = "the build kept from before"
_ID = re.compile(r"[0-9a-f]{16}")
_HEAD = "# desk: "
_LONGEST_WORD = 120
_LARGEST_BYTES = LARGEST_SHEET_BYTES + 4000
_OLDEST_S = 30 * 86400.0
_MOST_DESKS = 100


class DeskMovedOn(LedgerError):
    """Another page has written on this desk since it was last read here."""


@dataclass(frozen=True)
class Kept:
    """What lies on a desk.

    text: the sheet as it was read, followed by what has been moved since. name: how the list of builds calls it.
    revision: counts up with every change, whichever page makes it. view: what else a page showed, such as its units.
    """

    text: str
    name: str = ""
    revision: int = 0
    view: Mapping[str, str] = field(default_factory=dict)

    def builds(self) -> tuple[Build, Build]:
        """The build as it was read, and as it stands with what has been moved. Raises BuildError.

        >>> from lobeledger.sheet.open import starter_sheet
        >>> Kept(starter_sheet()).builds()[1].candidates[0].id
        'h-flat'
        """
        now = build_from_text(self.text, WHERE)
        base, moved = split(self.text, WHERE)
        return (build_from_text(base, WHERE), now) if moved else (now, now)

    def is_as(self, other: Kept) -> bool:
        """Whether both say the same of the build, whatever their revisions and however they write it.

        A control that snaps to its steps may write a value again as it was: that is no change to keep.
        """
        if (self.name, self.view) != (other.name, other.view):
            return False
        if self.text == other.text:
            return True
        try:
            return _figures(self.builds()[1]) == _figures(other.builds()[1])
        except LedgerError:
            return False


def _figures(build: Build) -> list[Any]:
    """All that a build says, without how it is written."""
    parts = [getattr(build, f.name) for f in dataclasses.fields(build) if f.name not in ("data", "source")]
    return [*parts, {path: (datum.value, datum.low, datum.high) for path, datum in build.data.items()}]


def is_desk_id(text: str) -> bool:
    """Whether this can be the id of a desk: 16 hexadecimal digits and nothing else, so never a path.

    >>> is_desk_id("0123456789abcdef"), is_desk_id("../../etc/passwd")
    (True, False)
    """
    return _ID.fullmatch(text) is not None


def new_desk_id() -> str:
    """An id that no other desk has."""
    return secrets.token_hex(8)


def desks_folder() -> Path:
    """Where desks are kept: where the launcher says, else inside the environment, which belongs to the user."""
    said = os.environ.get("LOBELEDGER_DESKS")
    return Path(said) if said else Path(sys.prefix) / "jupyter" / "desks"


def asked_desk() -> str:
    """The desk that the page's address names, or nothing; a notebook has no such address."""
    query = parse_qs(os.environ.get("QUERY_STRING", ""))
    said = query.get("desk", [""])[0]
    return said if is_desk_id(said) else ""


class Desk:
    """One desk of a folder; the folder is made, and old desks in it removed, when the first is written."""

    def __init__(self, folder: Path, desk_id: str) -> None:
        if not is_desk_id(desk_id):
            raise ValueError("a desk is named by 16 hexadecimal digits")
        self.id, self._folder = desk_id, folder
        self._file = folder / f"{desk_id}.toml"

    def read(self) -> Kept | None:
        """What lies on it; None when nothing does, or nothing that could be read back."""
        try:
            # A link is not followed: what is read here was written here.
            handle = os.open(self._file, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0))
            with os.fdopen(handle, "rb") as file:
                payload = file.read(_LARGEST_BYTES + 1)
            if len(payload) > _LARGEST_BYTES:
                return None
            head, _, text = payload.decode("utf-8").partition("\n")
            said = json.loads(head.removeprefix(_HEAD)) if head.startswith(_HEAD) else {}
            view = {str(k)[:_LONGEST_WORD]: str(v)[:_LONGEST_WORD] for k, v in dict(said["view"]).items()}
            return Kept(text, str(said["name"])[:_LONGEST_WORD], int(said["revision"]), view)
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return None

    def write(self, kept: Kept, *, after: int) -> None:
        """Put this on the desk: the whole file, then its name, readable by its owner alone.

        after: the revision last seen here. Raises DeskMovedOn when another page has written a later one, and OSError.
        """
        found = self.read()
        if found is not None and found.revision > after:
            raise DeskMovedOn("this build has been changed on another page meanwhile")
        head = json.dumps({"name": kept.name, "revision": kept.revision, "view": dict(kept.view)})
        payload = f"{_HEAD}{head}\n{kept.text}".encode()
        if len(payload) > _LARGEST_BYTES:
            raise OSError(f"a desk holds {_LARGEST_BYTES} bytes")
        if not self._folder.is_dir():
            self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        part = self._folder / f".{self.id}-{secrets.token_hex(4)}.part"
        try:
            handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
            with os.fdopen(handle, "wb") as out:
                out.write(payload)
            os.replace(part, self._file)
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
        if found is None:
            self._clear()

    def _clear(self) -> None:
        """Remove desks, and remains of broken writes, that are too old or too many."""
        with contextlib.suppress(OSError):
            aged = sorted(((p.stat().st_mtime, p) for p in self._folder.iterdir() if p.is_file()), reverse=True)
            for rank, (when, path) in enumerate(aged):
                if path != self._file and (rank >= _MOST_DESKS or time.time() - when > _OLDEST_S):
                    path.unlink(missing_ok=True)
