"""Two settings that must stand before numba and plotly are imported.

prepare()       called once, first thing, by the package's __init__
cache_folder()  where compiled kernels are kept
"""

import hashlib
import os
import sys
from pathlib import Path

__all__ = ["cache_folder", "prepare", "source_key"]

_HERE = Path(__file__).resolve().parent


def source_key(folder: Path = _HERE) -> str:
    """Hash of the names and contents of all Python files under `folder` (12 hexadecimal digits)."""
    digest = hashlib.sha256()
    for file in sorted(folder.rglob("*.py")):
        digest.update(file.relative_to(folder).as_posix().encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def cache_folder(folder: Path = _HERE) -> Path:
    """Folder for compiled kernels of exactly these sources.

    Inside the virtual environment when it can be written to, else in the user's own cache: never in a shared
    temporary folder, because numba loads what it finds there as code.
    """
    own = Path(sys.prefix)
    if sys.prefix == sys.base_prefix or not os.access(own, os.W_OK):
        chosen = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
        own = Path(chosen) if chosen else Path.home() / ".cache"
    return own / "lobeledger-compiled" / source_key(folder)


def prepare() -> None:
    """Set both; does nothing where the user has already chosen.

    1. numba recompiles a cached kernel only when the kernel's own file changes, not when a helper it calls in
       another file does: wrong numbers would come back silently after an update. Keying the cache folder on
       all sources makes that impossible.
    2. plotly imports nbformat, that jsonschema, and its optional URI checker `rfc3987_syntax` builds 39
       grammars: one second in plain Python, four to seven inside a notebook cell. Nothing here needs it; an
       entry of None makes jsonschema go without. Done in kernels only, so that no other program is touched.
    """
    if "NUMBA_CACHE_DIR" not in os.environ:
        os.environ["NUMBA_CACHE_DIR"] = str(cache_folder())
        if "numba" in sys.modules:
            sys.modules["numba"].config.CACHE_DIR = os.environ["NUMBA_CACHE_DIR"]
    if "ipykernel" in sys.modules:
        sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
