"""Say in one sentence which Python is needed. Kept so plain that Python 2.7 and 3.x can all read it."""

import sys

OLDEST = (3, 11)
NEWEST = (3, 13)


def complaint(version, windows):
    # type: (tuple[int, ...], bool) -> str | None
    """Return the sentence for an unsuitable Python version such as (3, 9), or None when it is suitable."""
    if OLDEST <= tuple(version[:2]) <= NEWEST:
        return None
    how = ("py -%d.%d SCRIPT" if windows else "python%d.%d SCRIPT") % NEWEST
    return (
        "Lobe Ledger needs Python %d.%d to %d.%d and this is Python %d.%d:" % (OLDEST + NEWEST + version[:2])
        + " install one of those from python.org or your system's packages, then run '%s'." % how
    )


def require_python(script):
    # type: (str) -> None
    """Leave with the sentence when the running Python does not suit; `script` is the file to name in it."""
    sentence = complaint(tuple(sys.version_info[:2]), sys.platform == "win32")
    if sentence is not None:
        sys.exit(sentence.replace("SCRIPT", script))
