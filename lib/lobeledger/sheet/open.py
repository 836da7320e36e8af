"""Build sheets: from the text a person wrote to frozen parts.

How is a sheet read?              `read_build`, `build_from_text`, `build_from_bytes`
Where do I start?                 `starter_sheet`

A sheet is TOML with `schema = 1`. A quantity is text with its unit ("4.030 in") or a table that also says
how well it is known: `{ value = "4.030 in", pm = "0.001 in", origin = "measured" }`, or with `low` and
`high` in place of `pm`. Counts and pure ratios are bare numbers. [valvetrain] and [springs] are shared by all
candidates; a candidate's own [candidates.springs] wins line by line; what nobody wrote comes from the table
of defaults. Whatever is wrong is said in one sentence as a BuildError.
"""

from __future__ import annotations

import difflib
import functools
import os
from pathlib import Path

from lobeledger.errors import BuildError
from lobeledger.parts.build import Build
from lobeledger.sheet.fields import LARGEST_SHEET_BYTES
from lobeledger.sheet.files import on_one_line
from lobeledger.sheet.refusal import refuse
from lobeledger.sheet.toml import MARK, lines_of, split, tree_of
from lobeledger.sheet.whole import build_of

__all__ = ["build_from_bytes", "build_from_text", "read_build", "starter_sheet"]


def build_from_text(text: str, where: str = "build sheet") -> Build:
    """A Build from the text of a sheet; `where` names it in errors. Raises BuildError.

    >>> build_from_text(starter_sheet()).candidates[0].id
    'h-flat'
    """
    if len(text) > LARGEST_SHEET_BYTES:
        refuse(where, "", f"the sheet has {len(text)} characters; at most {LARGEST_SHEET_BYTES} are read")
    base, changes = split(text.removeprefix("\ufeff"), where)
    source = base + MARK + lines_of(changes) if changes else base
    return build_of(tree_of(base, changes, where), where=where, source=source)


def read_build(path: str | os.PathLike[str]) -> Build:
    """Read a build sheet from a TOML file.

    Raises BuildError, always one sentence naming the file and the key: what is wrong and what would be right.
    """
    shown = on_one_line(str(path), longest=200)
    file = Path(path)
    try:
        # Size and kind are looked at first: no huge file, folder or device is ever opened.
        if file.is_dir():
            raise BuildError(f"{shown} is a folder; give the name of a build sheet in it{_sheets_in(file)}")
        if not file.exists():
            raise BuildError(f"there is no file {shown}{_sheets_near(file)}")
        if not file.is_file():
            raise BuildError(f"{shown} is not an ordinary file; give the name of a build sheet")
        size = file.stat().st_size
        if size > LARGEST_SHEET_BYTES:
            raise BuildError(
                f"{shown} has {size} bytes; a build sheet has at most {LARGEST_SHEET_BYTES}, so this is another file"
            )
        with file.open("rb") as stream:
            payload = stream.read(LARGEST_SHEET_BYTES + 1)
    except (OSError, ValueError) as trouble:
        reason = on_one_line(getattr(trouble, "strerror", None) or str(trouble))
        raise BuildError(f"{shown} cannot be read ({reason}); check its name and permissions") from None
    return build_from_bytes(payload, file.name)


def build_from_bytes(payload: bytes, where: str) -> Build:
    """A Build from the bytes of a sheet, as a file or an upload holds them. Raises BuildError."""
    if len(payload) > LARGEST_SHEET_BYTES:
        raise BuildError(
            f"{on_one_line(where, longest=120)} has {len(payload)} bytes; a build sheet has at most "
            f"{LARGEST_SHEET_BYTES}, so this is another file"
        )
    try:
        text = payload.decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        raise BuildError(
            f"{on_one_line(where, longest=120)} is not UTF-8 text: byte {trouble.start + 1} cannot be "
            "read; save it as UTF-8 in your editor"
        ) from None
    return build_from_text(text.replace("\r\n", "\n"), where)


def _sheets_in(folder: Path) -> str:
    try:
        names = sorted(each.name for each in folder.iterdir() if _is_sheet(each))[:5]
    except OSError:
        names = []
    return f", such as {on_one_line(names[0], longest=80)}" if names else ""


def _is_sheet(file: Path) -> bool:
    """Whether a file could be a build sheet; settings of other programs begin with a dot."""
    return file.suffix == ".toml" and not file.name.startswith(".")


def _sheets_near(file: Path) -> str:
    """The nearest sheet name in the folder of a file that is not there."""
    try:
        names = [each.name for each in file.parent.iterdir() if _is_sheet(each)][:500]
    except OSError:
        return "; there is no such folder either"
    near = difflib.get_close_matches(file.name, names, n=1, cutoff=0.3)
    if near:
        return f"; did you mean {on_one_line(near[0], longest=80)}?"
    return "; there is no .toml file in that folder" if not names else f"; there is {on_one_line(sorted(names)[0])}"


@functools.cache
def starter_sheet() -> str:
    """The text of a small sheet that reads as it stands, with a remark beside each line to change.

    >>> starter_sheet().splitlines()[0]
    '# A build sheet to start from: invented figures, to be replaced by yours.'
    """
    return Path(__file__).with_name("starter.toml").read_text(encoding="utf-8")
