"""Compile the numba kernels once, so that the first notebook does not wait:   python -m lobeledger.warm

warm()   run each kernel on a small case; returns the seconds it took
"""

import os
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path

__all__ = ["warm"]

STALE_S = 7 * 86400.0  # compiled code of older sources is removed after a week


def _steps() -> list[tuple[str, Callable[[], object]]]:
    """(words for the progress line, call that compiles) in the order of the customer's path."""
    import lobeledger as ll
    from lobeledger.sheet.open import starter_sheet

    build = ll.build_from_text(starter_sheet(), "starter sheet")
    # One comparison goes through these kernels; crowned contact wants a flat candidate.
    return [
        ("gas exchange, contact, valvetrain", lambda: ll.compare(build)),
        ("lobes from readings", _readings),
    ]


def _readings() -> object:
    from lobeledger.lobe.readings import lobe_from_readings
    from lobeledger.sheet.readings_file import read_readings
    from lobeledger.sheet.tables import data_dir

    table = read_readings(data_dir() / "readings" / "invented-intake.csv")
    return lobe_from_readings(table.angle_cam_rad, table.lift_m, lift_step_m=table.lift_step_m)


def _remove_stale() -> None:
    """Remove compiled code kept for sources that no longer exist; the current folder always stays."""
    current = Path(os.environ.get("NUMBA_CACHE_DIR", ""))
    if current.parent.name != "lobeledger-compiled":
        return
    for other in current.parent.glob("*"):
        if other != current and other.is_dir() and time.time() - other.stat().st_mtime > STALE_S:
            shutil.rmtree(other, ignore_errors=True)


def warm() -> float:
    """Compile and cache; prints one progress line. Returns the elapsed time in seconds."""
    begun = time.perf_counter()
    live = sys.stdout.isatty()
    steps = _steps()
    for number, (words, call) in enumerate(steps, start=1):
        if live:
            print(f"\r  compiling {number} of {len(steps)}: {words:40}", end="", flush=True)
        call()
    elapsed_s = time.perf_counter() - begun
    done = f"  compiled ahead: {len(steps)} parts, {elapsed_s:.1f} s"
    print(f"\r{done:70}" if live else done, flush=True)
    _remove_stale()
    return elapsed_s


if __name__ == "__main__":
    warm()
