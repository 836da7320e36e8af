"""Two settings that must stand before numba and plotly are imported.

prepare()         called once, first thing, by the package's __init__
cache_folder()    where compiled kernels are kept
kernel_sources()  the files that compiled kernels depend on
"""

import hashlib
import os
import re
import sys
from pathlib import Path

__all__ = ["cache_folder", "kernel_sources", "prepare", "source_key"]

_HERE = Path(__file__).resolve().parent
_KERNEL = re.compile(r"^@(?:numba\.)?njit\b", re.M)
_OWN_IMPORT = re.compile(
    r"^[ \t]*(?:from lobeledger([\w.]*) import (\([^)]*\)|[^\n(]+)|import lobeledger([\w.]+))", re.M
)


def kernel_sources(folder: Path = _HERE) -> list[Path]:
    """The files under `folder` that compiled kernels can depend on: those with kernels, and all that they import.

    Found from the sources themselves, so that a new kernel room needs no entry anywhere.
    """
    texts = {file: file.read_text(encoding="utf-8") for file in folder.rglob("*.py")}
    wanted = {file for file, text in texts.items() if _KERNEL.search(text)}
    waiting = sorted(wanted)
    while waiting:
        for start, names, whole in _OWN_IMPORT.findall(texts[waiting.pop()]):
            base = folder.joinpath(*(start or whole).strip(".").split("."))
            leaves = [base.with_suffix(".py")]
            leaves += [base / f"{name.split()[0]}.py" for name in names.strip("()").split(",") if name.split()]
            for leaf in leaves:
                if leaf in texts and leaf not in wanted:
                    wanted.add(leaf)
                    waiting.append(leaf)
    return sorted(wanted)


def source_key(folder: Path = _HERE) -> str:
    """Hash of the names and contents of the kernels' sources under `folder` (12 hexadecimal digits)."""
    digest = hashlib.sha256()
    for file in kernel_sources(folder):
        digest.update(file.relative_to(folder).as_posix().encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def cache_folder(folder: Path = _HERE) -> Path:
    """Folder for the compiled kernels of exactly these sources.

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
       the kernels' files and all they import makes that impossible, and leaves an edit of a page without effect.
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
