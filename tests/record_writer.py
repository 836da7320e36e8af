"""A process that writes into a record until it is killed, for test_record.py and bench_record.py.

    python record_writer.py PATH TAG COUNT

Writes pairs, a candidate and its outcome in one transaction, under build 1, and prints each pair's numbers once it
is told that they are kept.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path


def write(path: str, tag: str, count: int) -> None:
    from lobeledger.record.book import open_record

    with open_record(path) as record:
        print("open", flush=True)
        for n in range(count):
            with record.together():
                candidate = record.add_candidate(1, f"{tag} {n}", follower="flat", lifter="solid", note="x" * 3000)
                outcome = record.add_outcome(candidate, "ok", hours=float(n))
            print(candidate, outcome, n, flush=True)


def start(path: Path, tag: str, count: int) -> subprocess.Popen[str]:
    """Start a writer on a record that has a build 1."""
    command = [sys.executable, __file__, str(path), tag, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, encoding="utf-8")


def kill_mid_write(path: Path, tag: str, after_s: float) -> list[tuple[int, int, int]]:
    """Let a writer run, kill it outright, and return what it had been told is kept."""
    writer = start(path, tag, 100_000)
    assert writer.stdout is not None
    assert writer.stdout.readline() == "open\n"
    time.sleep(after_s)
    # SIGKILL, or on Windows TerminateProcess: neither lets the process tidy up.
    os.kill(writer.pid, getattr(signal, "SIGKILL", signal.SIGTERM))
    lines = writer.stdout.read().splitlines(keepends=True)
    writer.stdout.close()
    writer.wait()
    # A last line without its end was cut off by the kill.
    return [tuple(int(v) for v in line.split()) for line in lines if line.endswith("\n")]  # type: ignore[misc]


if __name__ == "__main__":
    write(sys.argv[1], sys.argv[2], int(sys.argv[3]))
