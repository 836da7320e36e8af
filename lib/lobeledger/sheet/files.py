"""Writing a file so that a crash leaves the old one or the new one, never half of one.

How is a text saved?          `write_text_atomically`
How is odd text shown?        `on_one_line`
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import unicodedata
from pathlib import Path

from lobeledger.errors import BuildError

__all__ = ["on_one_line", "write_text_atomically"]


def on_one_line(text: str, *, longest: int = 60) -> str:
    """Text from outside made fit for an error message: one line, bounded, nothing invisible.

    >>> on_one_line("two" + chr(10) + "lines")
    'two lines'
    >>> on_one_line("x" * 70, longest=10)
    'xxxxxxx...'
    """
    if len(text) <= longest and text.isprintable() and "  " not in text:
        return text.strip()
    shown = "".join(" " if unicodedata.category(c)[0] in "CZ" else c for c in text[: 4 * longest])
    shown = " ".join(shown.split())
    cut = len(shown) > longest or len(text) > 4 * longest
    return shown[: longest - 3] + "..." if cut else shown


def write_text_atomically(path: str | os.PathLike[str], text: str, *, replace: bool = False) -> Path:
    """Save `text` as UTF-8 under `path` and return the path written.

    The text goes to a temporary file in the same folder, is flushed to the disk and then takes its name in
    one step. An existing file is refused unless `replace` is true; a link is followed. Raises BuildError.
    """
    shown = on_one_line(str(path), longest=200)
    temporary: Path | None = None
    try:
        # A link keeps pointing where it did: the file behind it is the one replaced.
        target = Path(os.path.realpath(path))
        if target.is_dir():
            raise BuildError(f"{shown} is a folder; give the name of a file in it")
        if not replace and target.exists():
            raise FileExistsError(target)
        temporary = target.with_name(f".{secrets.token_hex(6)}.part")
        payload = text.encode("utf-8")
        # 0o666 less the umask, as any new file; a replaced file keeps the permissions it had.
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
        with os.fdopen(handle, "wb") as out:
            out.write(payload)
            out.flush()
            os.fsync(out.fileno())
        if replace:
            if target.exists():
                shutil.copymode(target, temporary)
            os.replace(temporary, target)
        else:
            _name_once(temporary, target)
        _flush_folder(target.parent)
    except FileExistsError:
        raise BuildError(f"{shown} exists already; choose another name, or say that it may be replaced") from None
    except (OSError, ValueError) as trouble:
        reason = on_one_line(getattr(trouble, "strerror", None) or str(trouble))
        raise BuildError(
            f"{shown} cannot be written ({reason}); choose a folder that exists and may be written to"
        ) from None
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError, ValueError):
                temporary.unlink()
    return target


def _name_once(temporary: Path, target: Path) -> None:
    """Give the temporary file its name, failing if somebody took the name meanwhile."""
    if os.name == "nt":
        os.rename(temporary, target)
        return
    try:
        os.link(temporary, target)
    except FileExistsError:
        raise
    except OSError:
        # Some file systems know no hard links: look once more, then rename.
        if target.exists():
            raise FileExistsError(target) from None
        os.replace(temporary, target)


def _flush_folder(folder: Path) -> None:
    """Make the new name itself survive a power cut, where the system allows it."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
