"""A thousand kills, and how long the record takes. Not collected unless named:

    pytest tests/bench_record.py -s

The kills fail if anything acknowledged is missing, half there, or the file unsound; the timings never fail.
They kill processes, not the power: that the disk keeps what it says it has kept is not tested here.
"""

from __future__ import annotations

import os
import random
import time
from pathlib import Path

import record_writer
from lobeledger.record.book import open_record
from test_record import check_pairs

KILLS = int(os.environ.get("LOBELEDGER_KILLS", "1000"))


def test_a_thousand_kills(tmp_path: Path) -> None:
    rng = random.Random(2026)
    kept, mid, begun = 0, 0, time.perf_counter()
    for n in range(KILLS):
        if n % 50 == 0:  # a new file now and then, so that every check stays short
            path = tmp_path / f"shop{n}.sqlite"
            with open_record(path) as record:
                record.add_build("shared")
        told = record_writer.kill_mid_write(path, f"kill{n}", rng.uniform(0.0, 0.03))
        mid += path.with_name(path.name + "-journal").exists()
        check_pairs(path, told, f"kill{n}")
        kept += len(told)
    took = time.perf_counter() - begun
    print(f"\n{KILLS} kills, {mid} of them inside a transaction, {kept} pairs acknowledged, none lost, {took:.0f} s")
    assert mid > KILLS / 20 and kept > KILLS


def test_speed(tmp_path: Path) -> None:
    with open_record(tmp_path / "shop.sqlite") as record:
        build = record.add_build("b")
        record.add_reading(build, what="lash", value=0.02, unit="in")
        begun = time.perf_counter()
        for _ in range(50):
            record.add_reading(build, what="lash", value=0.02, unit="in")
        single = (time.perf_counter() - begun) / 50
        begun = time.perf_counter()
        with record.together():
            for n in range(5000):
                record.add_reading(build, what="lash", value=0.02, unit="in", hours=n)
        batch = time.perf_counter() - begun
        begun = time.perf_counter()
        assert len(record.search("b", what="lash")) == 5051
        search = time.perf_counter() - begun
    begun = time.perf_counter()
    open_record(tmp_path / "shop.sqlite").close()
    opening = time.perf_counter() - begun
    print(
        f"\none entry {single * 1e3:.1f} ms, 5,000 together {batch:.2f} s, search among 5,051 {search * 1e3:.0f} ms, "
        f"opening them {opening * 1e3:.0f} ms"
    )
