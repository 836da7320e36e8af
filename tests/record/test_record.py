"""The shop's record: nothing is lost, nothing half written, nothing overwritten, and what is wrong is said plainly.

The file format is checked against sqlite3 itself, the CSV against the csv module of Python's standard library.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import io
import json
import math
import os
import random
import shutil
import sqlite3
import stat
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import record_writer
from lobeledger.errors import BuildError
from lobeledger.record.book import Record, default_path, open_record
from lobeledger.record.entries import CSV_COLUMNS, KINDS, READINGS
from lobeledger.record.exchange import Taken
from lobeledger.record.schema import SCHEMA
from lobeledger.record.wear import lash_growth, watch_lobes

SAMPLE = Path(__file__).parents[2] / "data" / "sample_record.csv"
INCH = 0.0254


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path / "shop.sqlite") as opened:
        yield opened


def one_of_each(record: Record) -> dict[str, int]:
    build = record.add_build("Test six", sheet="schema = 1\nname = 'é'\n", date="2026-01-02", note="n")
    candidate = record.add_candidate(build, "H roller", follower="roller", lifter="hydraulic", code="h-roller")
    plan = record.add_plan(build, {"steps": [{"rpm": 2200, "minutes": 20}]}, candidate_id=candidate)
    reading = record.add_reading(
        build,
        what="lobe lift",
        value=0.28,
        unit="in",
        uncertainty=0.0004,
        candidate_id=candidate,
        place="front",
        cylinder=3,
        valve="exhaust",
        stage="before",
        hours=0.0,
        date=datetime.date(2026, 1, 3),
    )
    outcome = record.add_outcome(candidate, "roller failure", hours=120.5, note="needles")
    note = record.add_note("Kettle broken", build_id=build)
    return {
        "build": build, "candidate": candidate, "plan": plan, "reading": reading, "outcome": outcome, "note": note
    }  # fmt: skip


def integrity(path: Path) -> str:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return str(db.execute("PRAGMA integrity_check").fetchone()[0])


# -- writing and reading -----------------------------------------------------------------------------------


def test_every_kind_comes_back_as_written(record):
    ids = one_of_each(record)
    assert set(ids) == set(KINDS)
    for kind, number in ids.items():
        e = record.entry(number)
        assert (e.kind, e.id, e.version, e.withdrawn) == (kind, number, 1, False)
        made = datetime.datetime.fromisoformat(e.made_at)
        assert abs((datetime.datetime.now(datetime.UTC) - made).total_seconds()) < 60
    reading = record.entry(ids["reading"])
    assert (reading["value"], reading["unit"], reading["uncertainty"]) == (0.28, "in", 0.0004)
    assert (reading["cylinder"], reading["valve"], reading["stage"]) == (3, "exhaust", "before")
    assert reading["date"] == "2026-01-03"
    assert record.entry(ids["build"])["sheet"] == "schema = 1\nname = 'é'\n"
    assert json.loads(record.entry(ids["plan"])["plan"]) == {"steps": [{"rpm": 2200, "minutes": 20}]}
    assert record.entry(ids["note"])["date"] == datetime.date.today().isoformat()


def test_it_is_still_there_after_closing(tmp_path):
    path = tmp_path / "Büro Łódź 店" / "Werkstatt-Ж.sqlite"
    path.parent.mkdir()
    with open_record(path) as record:
        ids = one_of_each(record)
    assert sorted(p.name for p in path.parent.iterdir()) == [path.name]  # one file, nothing beside it
    with open_record(path) as record:
        assert {e.kind: e.id for e in record.search()} == ids
    assert integrity(path) == "ok"


def test_a_correction_keeps_the_old_version(record):
    ids = one_of_each(record)
    assert record.correct(ids["reading"], {"value": 0.2795}, why="read again") == 2
    assert record.correct(ids["reading"], {"note": "by lamp light"}) == 3
    old, mid, new = record.history(ids["reading"])
    assert [v["value"] for v in (old, mid, new)] == [0.28, 0.2795, 0.2795]
    assert (mid.why, new["note"], new["cylinder"]) == ("read again", "by lamp light", 3)
    assert record.entry(ids["reading"]) == new
    assert [e.version for e in record.search(kind="reading")] == [3]


def test_no_program_can_change_or_delete_a_version(record):
    ids = one_of_each(record)
    for sql in ("UPDATE readings SET value = 1", "DELETE FROM readings", "DELETE FROM entries"):
        with (
            contextlib.closing(sqlite3.connect(record.path)) as db,
            pytest.raises(sqlite3.DatabaseError, match="versions are kept"),
        ):
            db.execute(sql)
    assert record.entry(ids["reading"])["value"] == 0.28


def test_withdrawing_and_restoring(record):
    ids = one_of_each(record)
    record.withdraw(ids["outcome"], why="wrong car")
    assert record.outcomes_by_follower() == {"flat": (0, 0), "roller": (0, 0)}
    assert not record.search(kind="outcome") and record.entry(ids["outcome"]).why == "wrong car"
    with pytest.raises(BuildError, match="restore it first"):
        record.correct(ids["outcome"], {"result": "ok"})
    record.restore(ids["outcome"])
    assert record.outcomes_by_follower()["roller"] == (1, 1)
    record.withdraw(ids["build"], why="never built")
    assert record.search() == () and record.outcomes_by_follower()["roller"] == (0, 0)
    assert [v.withdrawn for v in record.history(ids["outcome"])] == [False, True, False]


def test_search(record):
    ids = one_of_each(record)
    found = lambda *a, **k: {e.kind for e in record.search(*a, **k)}  # noqa: E731
    assert found("KETTLE") == {"note"}
    assert found("needles") == {"outcome"}
    assert found("test SIX roller") == {"candidate", "plan", "reading", "outcome"}  # names of build and candidate
    assert found("É") == {"build"}  # in any case, beyond ASCII
    assert found("kettle needles") == set()
    assert found(kind="plan") == {"plan"}
    assert found(candidate_id=ids["candidate"]) == {"candidate", "plan", "reading", "outcome"}
    assert found(build_id=ids["build"]) == set(KINDS)
    assert found(build_id=99) == set()
    assert found(what="lobe lift") == {"reading"} and found(what="lash") == set()
    assert found(result="roller failure") == {"outcome"} and found(result="ok") == set()
    assert found(since="2026-01-03", until="2026-01-03") == {"reading"}
    for bad, says in (({"kind": "outcom"}, "outcome"), ({"what": "lsh"}, "lash"), ({"result": "okay"}, "ok")):
        with pytest.raises(BuildError, match=f"did you mean {says}"):
            record.search(**bad)


def test_outcomes_count_each_fitted_candidate_once(record):
    build = record.add_build("b")
    flats = [record.add_candidate(build, f"f{i}", follower="flat", lifter="solid") for i in range(4)]
    roller = record.add_candidate(build, "r", follower="roller", lifter="solid")
    record.add_candidate(build, "never fitted", follower="roller", lifter="solid")
    record.add_outcome(flats[0], "ok", hours=20)
    record.add_outcome(flats[0], "wiped lobe", hours=300)
    record.add_outcome(flats[0], "wiped lobe", hours=301)
    record.add_outcome(flats[1], "ok")
    record.add_outcome(flats[2], "other")
    record.add_outcome(roller, "roller failure")
    assert record.outcomes_by_follower() == {"flat": (1, 3), "roller": (1, 1)}


def test_together_is_all_or_nothing_and_nests(record):
    build = record.add_build("b")
    with pytest.raises(BuildError, match="finite"), record.together():
        record.add_note("kept?")
        record.add_reading(build, what="lash", value=math.nan, unit="in")
    assert record.search(kind="note") == ()
    with record.together():
        record.add_note("outer")
        with contextlib.suppress(RuntimeError), record.together():
            record.add_note("inner")
            raise RuntimeError
        record.add_note("after")
    assert [e["text"] for e in record.search(kind="note")] == ["outer", "after"]


def test_default_place(monkeypatch, tmp_path):
    monkeypatch.delenv("LOBELEDGER_RECORD", raising=False)
    assert default_path().name == "shop.sqlite" and default_path().parent.name == "data"
    monkeypatch.setenv("LOBELEDGER_RECORD", str(tmp_path / "mine.sqlite"))
    with open_record() as record:
        assert record.path == tmp_path / "mine.sqlite"
    assert (tmp_path / "mine.sqlite").exists()


# -- what is refused ---------------------------------------------------------------------------------------

REFUSED = [
    ("add_build", ("",), {}, "a build needs its name"),
    ("add_build", ("b",), {"date": "2026-02-30"}, "write a date such as"),
    ("add_build", ("b",), {"date": "20260203"}, "write a date such as"),
    ("add_build", ("b",), {"note": "a\0b"}, "cannot be stored"),
    ("add_build", ("b",), {"note": "\ud800"}, "cannot be stored"),
    ("add_build", ("b",), {"sheet": "x" * 100_001}, "keep it under 100,000"),
    ("add_candidate", (1, "c"), {"follower": "rolller", "lifter": "solid"}, "did you mean roller"),
    ("add_candidate", (99, "c"), {"follower": "flat", "lifter": "solid"}, "there is no build 99"),
    ("add_candidate", ("1", "c"), {"follower": "flat", "lifter": "solid"}, "the number that add_build returned"),
    ("add_plan", (1, "{not json"), {}, "plan is not JSON"),
    ("add_plan", (1, {"a": math.inf}), {}, "plan is not JSON"),
    ("add_reading", (1,), {"what": "lash", "value": 0.022, "unit": "lbf"}, "unit of lash"),
    ("add_reading", (1,), {"what": "lash", "value": 22, "unit": "mil"}, "unit of lash"),
    ("add_reading", (1,), {"what": "lash", "value": 22, "unit": "in"}, r"which is 0.5588 m; it must lie from 0 to"),
    ("add_reading", (1,), {"what": "oil temperature", "value": 200, "unit": "F"}, "degF, degC or kelvin"),
    ("add_reading", (1,), {"what": "lash", "value": True, "unit": "in"}, "write a finite number"),
    ("add_reading", (1,), {"what": "lash", "value": 0.02, "unit": "in", "cylinder": 1.5}, "whole number"),
    ("add_reading", (1,), {"what": "lash", "value": 0.02, "unit": "in", "cylinder": 17}, "from 1 to 16"),
    ("add_reading", (1,), {"what": "lash", "value": 0.02, "unit": "in", "uncertainty": -1}, "from 0 to"),
    ("add_outcome", (2, "roller failure"), {}, "has no roller to fail"),
    ("add_outcome", (1, "ok"), {}, "there is no candidate 1"),
    ("correct", (2, {"folower": "roller"}), {}, "did you mean follower"),
    ("correct", (77, {"note": "x"}), {}, "there is no entry 77"),
    ("correct", (10**30, {"note": "x"}), {}, "there is no entry"),
    ("withdraw", (1,), {"why": 3}, "why is 3"),
    ("restore", (1,), {}, "is not withdrawn"),
]


@pytest.mark.parametrize(("act", "given_", "named", "says"), REFUSED, ids=[f"{r[0]}-{r[3][:20]}" for r in REFUSED])
def test_what_is_wrong_is_said_in_one_sentence(record, act, given_, named, says):
    build = record.add_build("b")
    record.add_candidate(build, "flat one", follower="flat", lifter="solid")
    before = record.search()
    with pytest.raises(BuildError, match=says) as caught:
        getattr(record, act)(*given_, **named)
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 400
    assert record.search() == before


def test_entries_that_point_at_each_other_must_agree(record):
    ids = one_of_each(record)
    other = record.add_build("other")
    with pytest.raises(BuildError, match=f"belongs to build {ids['build']}"):
        record.add_plan(other, {}, candidate_id=ids["candidate"])
    with pytest.raises(BuildError, match="has a roller failure on record"):
        record.correct(ids["candidate"], {"follower": "flat"})
    with pytest.raises(BuildError, match="move those first"):
        record.correct(ids["candidate"], {"build_id": other})


def test_a_closed_record_says_so(tmp_path):
    with open_record(tmp_path / "a.sqlite") as record:
        pass
    for use in (lambda: record.add_note("x"), lambda: record.search(), lambda: record.entry(1)):
        with pytest.raises(BuildError, match="the record is closed"):
            use()


# -- files that cannot be used -----------------------------------------------------------------------------


def test_damaged_files_are_refused_and_left_as_they_are(tmp_path):
    good = tmp_path / "good.sqlite"
    with open_record(good) as record:
        build = record.add_build("b")
        for n in range(60):
            record.add_note("x" * 400, build_id=build, date=f"2026-01-{1 + n % 28:02d}")
    whole = good.read_bytes()
    holes = random.Random(4).sample(range(4096, len(whole) - 600, 512), 6)
    damages = {
        "text": b"this is a shopping list\n" * 30,
        "half": whole[: len(whole) // 2],
        "header": b"\0" * 100 + whole[100:],
    }
    damages["page"] = b"".join(b"\xaa" * 512 if i in holes else whole[i : i + 512] for i in range(0, len(whole), 512))
    for name, content in damages.items():
        path = tmp_path / f"{name}.sqlite"
        path.write_bytes(content)
        with pytest.raises(BuildError, match="is damaged or not a shop record.*left as it is"):
            open_record(path)
        assert path.read_bytes() == content, name
        assert [p.name for p in tmp_path.glob(f"{name}*")] == [path.name]


def test_damage_that_comes_while_it_is_open_is_told(tmp_path):
    path = tmp_path / "shop.sqlite"
    with open_record(path) as record:
        record.add_build("b", sheet="y" * 50_000)
    whole = path.read_bytes()
    with open_record(path) as record:
        path.write_bytes(whole[:4096] + b"\xaa" * (len(whole) - 4096))
        record._db.execute("PRAGMA shrink_memory")  # forget the pages that were read when it was sound
        with pytest.raises(BuildError, match="damaged"):
            record.search()


def test_a_newer_form_is_refused_and_left_as_it_is(tmp_path):
    path = tmp_path / "shop.sqlite"
    open_record(path).close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {SCHEMA + 1}")
    before = path.read_bytes()
    with pytest.raises(BuildError, match=f"newer Lobe Ledger .form {SCHEMA + 1}.*update Lobe Ledger"):
        open_record(path)
    assert path.read_bytes() == before


def test_another_programs_file_is_refused(tmp_path):
    path = tmp_path / "other.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE recipes (name TEXT)")
    before = path.read_bytes()
    with pytest.raises(BuildError, match="SQLite file of something else"):
        open_record(path)
    assert path.read_bytes() == before


@contextlib.contextmanager
def not_the_superuser() -> Iterator[None]:
    """The superuser may write anywhere: act as nobody for a while."""
    if getattr(os, "geteuid", lambda: 1)() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.mark.skipif(os.name == "nt", reason="folder permissions are another matter on Windows")
def test_a_read_only_place_can_be_read_and_says_why_not_written(tmp_path_factory):
    import tempfile

    # Not tmp_path: pytest shuts its folders to other users.
    folder = Path(tempfile.mkdtemp())
    try:
        path = folder / "shop.sqlite"
        with open_record(path) as record:
            record.add_note("seen")
        path.chmod(stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)
        folder.chmod(0o555)
        with not_the_superuser():
            with open_record(path) as record:
                assert record.search()[0]["text"] == "seen"
                with pytest.raises(BuildError, match="cannot be written.*LOBELEDGER_RECORD") as caught:
                    record.add_note("no")
                assert "\n" not in str(caught.value)
                assert len(record.search()) == 1
            with pytest.raises(BuildError, match="cannot be written"):
                open_record(folder / "new.sqlite")
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def test_a_folder_and_a_missing_folder(tmp_path):
    with pytest.raises(BuildError, match="is a folder"):
        open_record(tmp_path)
    with pytest.raises(BuildError, match="folder that exists"):
        open_record(tmp_path / "nowhere" / "shop.sqlite")
    with pytest.raises(BuildError, match="not a file name|cannot be"):
        open_record(str(tmp_path / "a\0b"))


# -- older forms -------------------------------------------------------------------------------------------

FORM_1 = """
CREATE TABLE entries (id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL);
CREATE TABLE builds (id INTEGER NOT NULL REFERENCES entries (id), version INTEGER NOT NULL, made_at TEXT NOT NULL,
  name TEXT NOT NULL, date TEXT NOT NULL, sheet TEXT, note TEXT, PRIMARY KEY (id, version));
CREATE TABLE candidates (id INTEGER NOT NULL REFERENCES entries (id), version INTEGER NOT NULL, made_at TEXT NOT NULL,
  build_id INTEGER NOT NULL, name TEXT NOT NULL, follower TEXT NOT NULL, lifter TEXT NOT NULL, code TEXT, note TEXT,
  PRIMARY KEY (id, version));
CREATE TABLE plans (id INTEGER NOT NULL REFERENCES entries (id), version INTEGER NOT NULL, made_at TEXT NOT NULL,
  build_id INTEGER NOT NULL, candidate_id INTEGER, date TEXT NOT NULL, plan TEXT NOT NULL, note TEXT,
  PRIMARY KEY (id, version));
CREATE TABLE readings (id INTEGER NOT NULL REFERENCES entries (id), version INTEGER NOT NULL, made_at TEXT NOT NULL,
  build_id INTEGER NOT NULL, candidate_id INTEGER, date TEXT NOT NULL, what TEXT NOT NULL, value REAL NOT NULL,
  unit TEXT NOT NULL, place TEXT, cylinder INTEGER, valve TEXT, stage TEXT, note TEXT, PRIMARY KEY (id, version));
CREATE TABLE outcomes (id INTEGER NOT NULL REFERENCES entries (id), version INTEGER NOT NULL, made_at TEXT NOT NULL,
  candidate_id INTEGER NOT NULL, date TEXT NOT NULL, result TEXT NOT NULL, hours REAL, note TEXT,
  PRIMARY KEY (id, version));
CREATE TABLE notes (id INTEGER NOT NULL REFERENCES entries (id), version INTEGER NOT NULL, made_at TEXT NOT NULL,
  build_id INTEGER, date TEXT NOT NULL, text TEXT NOT NULL, PRIMARY KEY (id, version));
INSERT INTO entries (kind) VALUES ('build'), ('candidate'), ('reading'), ('outcome');
INSERT INTO builds VALUES (1, 1, '2025-01-01T00:00:00+00:00', 'old build', '2025-01-01', 'sheet', NULL);
INSERT INTO candidates VALUES (2, 1, '2025-01-01T00:00:00+00:00', 1, 'old flat', 'flat', 'solid', NULL, NULL);
INSERT INTO readings VALUES (3, 1, '2025-01-02T00:00:00+00:00', 1, 2, '2025-01-02', 'lash', 0.022, 'in', NULL, 1,
  'intake', NULL, NULL);
INSERT INTO readings VALUES (3, 2, '2025-01-03T00:00:00+00:00', 1, 2, '2025-01-02', 'lash', 0.020, 'in', NULL, 1,
  'intake', NULL, NULL);
INSERT INTO outcomes VALUES (4, 1, '2025-02-01T00:00:00+00:00', 2, '2025-02-01', 'wiped lobe', 12.0, NULL);
PRAGMA application_id = 1280262725;
PRAGMA user_version = 1;
"""


def columns_of(path: Path) -> dict[str, set[str]]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        tables = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {t: {r[1] for r in db.execute(f"PRAGMA table_info({t})")} for t in tables}


def test_an_older_form_is_brought_up_to_date_with_a_copy_beside_it(tmp_path):
    path = tmp_path / "shop.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript(FORM_1)
    with contextlib.closing(sqlite3.connect(path)) as db:
        old = list(db.iterdump())
    with open_record(path) as record:
        assert [e["value"] for e in record.history(3)] == [0.022, 0.020]
        assert record.outcomes_by_follower() == {"flat": (1, 1), "roller": (0, 0)}
        record.correct(3, {"uncertainty": 0.0005, "hours": 10.0}, why="found the sheet")
        assert record.add_note("goes on") == 5
    copies = list(tmp_path.glob("*.backup"))
    assert [p.name for p in copies] == ["shop.sqlite.form1.backup"]
    with contextlib.closing(sqlite3.connect(copies[0])) as db:
        assert list(db.iterdump()) == old
        assert db.execute("PRAGMA user_version").fetchone() == (1,)
    fresh = tmp_path / "fresh.sqlite"
    open_record(fresh).close()
    assert columns_of(path) == columns_of(fresh)
    with open_record(path) as record:  # no second copy
        assert len(record.history(3)) == 3
    assert len(list(tmp_path.glob("*.backup"))) == 1 and integrity(path) == "ok"


def test_a_change_of_form_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    from lobeledger.record import schema

    path = tmp_path / "shop.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript(FORM_1)
        old = list(db.iterdump())
    monkeypatch.setitem(schema.MIGRATIONS, 1, lambda: [*schema._from_1_to_2(), "INSERT INTO nowhere VALUES (1)"])
    with pytest.raises(BuildError, match="nothing was written"):
        open_record(path)
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert list(db.iterdump()) == old
    monkeypatch.undo()
    with open_record(path) as record:
        assert len(record.history(3)) == 2
    assert len(list(tmp_path.glob("*.backup"))) == 2  # the copy of the failed try is kept too


# -- several writers, and sudden ends ----------------------------------------------------------------------


def check_pairs(path: Path, told: list[tuple[int, int, int]], tag: str) -> None:
    """The file is sound, what was acknowledged is there, and no pair is half there."""
    assert integrity(path) == "ok"
    with open_record(path) as record:
        candidates = {e.id: e for e in record.search(kind="candidate")}
        outcomes = {e["candidate_id"]: e for e in record.search(kind="outcome")}
    assert set(candidates) == set(outcomes)
    with contextlib.closing(sqlite3.connect(path)) as db:
        bare = db.execute(
            "SELECT count(*) FROM entries WHERE id NOT IN (SELECT id FROM builds UNION SELECT id FROM candidates "
            "UNION SELECT id FROM outcomes)"
        ).fetchone()
    assert bare == (0,)
    for candidate, outcome, n in told:
        assert candidates[candidate]["name"] == f"{tag} {n}" and len(candidates[candidate]["note"]) == 3000
        assert outcomes[candidate].id == outcome and outcomes[candidate]["hours"] == n


def test_two_processes_writing_at_once_lose_nothing(tmp_path):
    path = tmp_path / "shop.sqlite"
    with open_record(path) as record:
        record.add_build("shared")
    writers = {tag: record_writer.start(path, tag, 200) for tag in ("left", "right")}
    # Both have ended before anything is checked: candidates and outcomes are read one after the other.
    said = {tag: writer.communicate(timeout=120)[0] for tag, writer in writers.items()}
    for tag, out in said.items():
        assert writers[tag].returncode == 0
        told = [tuple(int(v) for v in line.split()) for line in out.splitlines()[1:]]
        assert len(told) == 200
        check_pairs(path, told, tag)
    with open_record(path) as record:
        assert len(record.search(kind="candidate")) == 400


def test_processes_killed_while_writing_lose_nothing_that_was_kept(tmp_path):
    # bench_record.py does this a thousand times.
    path = tmp_path / "shop.sqlite"
    with open_record(path) as record:
        record.add_build("shared")
    rng = random.Random(17)
    kept = n = 0
    # A slow disk keeps fewer pairs a kill: go on until enough were kept for the check to mean something.
    while n < 12 or kept <= 12:
        told = record_writer.kill_mid_write(path, f"kill{n}", rng.uniform(0.0, 0.05))
        check_pairs(path, told, f"kill{n}")
        kept += len(told)
        n += 1


def test_notebooks_that_open_a_new_record_at_once_share_one(tmp_path):
    path = tmp_path / "shop.sqlite"
    start = threading.Barrier(8)

    def first(n: int) -> int:
        start.wait()
        with open_record(path) as record:
            return record.add_build(f"build {n}")

    with ThreadPoolExecutor(8) as pool:
        numbers = list(pool.map(first, range(8)))
    assert sorted(numbers) == list(range(1, 9))
    assert [p.name for p in tmp_path.iterdir()] == ["shop.sqlite"]


def test_an_empty_file_is_a_lost_record_and_no_new_one(tmp_path):
    path = tmp_path / "shop.sqlite"
    path.touch()
    with pytest.raises(BuildError, match="is empty, which a record never is: put your last copy in its place"):
        open_record(path)
    assert path.stat().st_size == 0
    path.unlink()
    with open_record(path) as record:
        assert record.search() == ()


def test_a_record_without_one_of_its_tables_says_what_to_do(tmp_path):
    path = tmp_path / "shop.sqlite"
    with open_record(path) as record:
        record.add_build("one")
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("DROP TABLE readings")
        db.commit()
    with pytest.raises(BuildError, match="'readings' is missing.* your last copy"):
        open_record(path)


def test_a_link_to_where_the_record_shall_lie(tmp_path):
    (tmp_path / "share").mkdir()
    link = tmp_path / "shop.sqlite"
    link.symlink_to(tmp_path / "share" / "real.sqlite")
    with open_record(link) as record:
        record.add_build("one")
    with open_record(tmp_path / "share" / "real.sqlite") as record:
        assert [e["name"] for e in record.search()] == ["one"]


def test_two_open_records_correct_two_fields_of_one_entry(tmp_path):
    path = tmp_path / "shop.sqlite"
    with open_record(path) as one, open_record(path) as two:
        number = one.add_build("b")
        two.correct(number, {"note": "two was here"})
        one.correct(number, {"name": "renamed"})
        now = two.entry(number)
        assert (now["name"], now["note"], now.version) == ("renamed", "two was here", 3)


def test_threads_share_one_record(record):
    build = record.add_build("b")
    failures: list[Exception] = []

    def work(n: int) -> None:
        try:
            for i in range(20):
                with record.together():
                    record.add_note(f"{n} {i} a", build_id=build)
                    record.add_note(f"{n} {i} b", build_id=build)
                record.search(f"{n}")
        except Exception as error:
            failures.append(error)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(4)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert not failures and len(record.search(kind="note")) == 160


def test_a_record_held_by_another_program_is_told(tmp_path, monkeypatch):
    from lobeledger.record import storage

    monkeypatch.setattr(storage, "_BUSY_S", 0.2)
    path = tmp_path / "shop.sqlite"
    open_record(path).close()
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other, open_record(path) as record:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(BuildError, match="held by another program for 0.2 s; nothing was written"):
            record.add_note("x")
        other.execute("ROLLBACK")
        assert record.add_note("y") == 1


# -- tables in and out -------------------------------------------------------------------------------------


def test_sample_is_taken_in_and_feeds_the_wear_watch(record):
    assert record.import_csv(SAMPLE) == Taken(32, 0, 0, 0)
    assert record.outcomes_by_follower() == {"flat": (1, 2), "roller": (0, 1)}
    cruiser = record.search("cruiser", kind="build")[0]
    pairs = record.before_and_after(cruiser.id)
    assert len(pairs) == 8
    assert pairs[3, "exhaust"].before_si == pytest.approx(0.2900 * INCH, rel=1e-12)
    assert pairs[3, "exhaust"].after_uncertainty_si == pytest.approx(0.00044 * INCH, rel=1e-12)
    before, after, u_before, u_after = zip(*pairs.values(), strict=True)
    names = [f"cylinder {c} {v}" for c, v in pairs]
    watch = watch_lobes(
        before, after, names=names, kinds=[v for _, v in pairs], uncertainty_m=u_before, after_uncertainty_m=u_after
    )
    assert [x.name for x in watch.lobes if x.verdict != "go on"] == ["cylinder 3 exhaust"]
    assert watch.verdict == "stop"
    racer = record.search("racer", kind="build")[0]
    hours, lash, u = record.over_hours(racer.id, cylinder=5, valve="exhaust")
    assert hours == [0.0, 15.0, 30.0, 45.0]
    growth = lash_growth(hours, lash, limit_m=0.026 * INCH, uncertainty_m=u)
    # Least squares by hand: the sum of (h - 22.5)^2 is 1125.
    mean = (0.0220 + 0.0226 + 0.0233 + 0.0237) / 4
    slope = sum((h - 22.5) * (v - mean) for h, v in zip(hours, (0.0220, 0.0226, 0.0233, 0.0237), strict=True)) / 1125.0
    assert growth.rate_m_per_h == pytest.approx(slope * INCH, rel=1e-9)
    assert growth.verdict == "watch"


def test_temperatures_and_pressures_in_si(record):
    build = record.add_build("b")
    for value, unit in ((212.0, "degF"), (100.0, "degC"), (373.15, "kelvin")):
        for stage in ("before", "after"):
            record.add_reading(
                build, what="oil temperature", value=value, unit=unit, uncertainty=1.0, cylinder=1, valve="intake",
                stage=stage,
            )  # fmt: skip
        pair = record.before_and_after(build, "oil temperature")[1, "intake"]
        # Steam point, 373.15 K; a step of 1 degF is 5/9 K (NIST SP 811, appendix B, from memory).
        assert pair.after_si == pytest.approx(373.15, abs=1e-9)
        assert pair.after_uncertainty_si == pytest.approx(5 / 9 if unit == "degF" else 1.0, rel=1e-12)


def test_out_and_in_again(tmp_path, record):
    one_of_each(record)
    record.correct(1, {"note": "second thoughts"})
    out = record.export_csv(tmp_path / "out.csv")
    rows = list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8-sig"), newline="")))
    assert tuple(rows[0]) == CSV_COLUMNS and len(rows) == 6
    with pytest.raises(BuildError, match="exists already"):
        record.export_csv(tmp_path / "out.csv")
    record.export_csv(tmp_path / "out.csv", replace=True)
    assert record.import_csv(out) == Taken(0, 0, 6, 0)
    assert record.search() and len(record.history(1)) == 2
    with open_record(tmp_path / "second.sqlite") as second:
        assert second.import_csv(out) == Taken(6, 0, 0, 0)
        for a, b in zip(record.search(), second.search(), strict=True):
            assert (a.kind, a.uid, dict(a.values)) == (b.kind, b.uid, dict(b.values))
        with pytest.raises(BuildError, match="was taken in on .* already"):
            second.import_csv(out)


def test_two_shops_hand_their_records_to_and_fro(tmp_path):
    def over(source, target, name):
        return target.import_csv(source.export_csv(tmp_path / name))

    with open_record(tmp_path / "a.sqlite") as a, open_record(tmp_path / "b.sqlite") as b:
        build = a.add_build("cruiser")
        cam = a.add_candidate(build, "flat 204", follower="flat", lifter="hydraulic")
        assert over(a, b, "1.csv") == Taken(2, 0, 0, 0)
        # One goes on with what the other began: new rows point at what is there already.
        a.add_outcome(cam, "ok", hours=20.0)
        a.add_note("after the first day", build_id=build)
        b.add_outcome(b.search(kind="candidate")[0].id, "wiped lobe", hours=31.0)
        assert over(a, b, "2.csv") == Taken(2, 0, 2, 0)
        assert over(b, a, "3.csv") == Taken(1, 0, 4, 0)
        # A correction travels, with its reason; the older version stays where it was.
        a.correct(build, {"name": "cruiser of the year"}, why="a slip")
        assert over(a, b, "4.csv") == Taken(0, 1, 4, 0)
        told = b.history(b.search(kind="build")[0].id)
        assert [e["name"] for e in told] == ["cruiser", "cruiser of the year"] and told[1].why == "taken in from 4.csv"
        assert over(b, a, "5.csv") == Taken(0, 0, 5, 0)
        # An older file does not undo it.
        assert b.import_csv(_touched(tmp_path / "1.csv")) == Taken(0, 0, 1, 1)
        assert {e.uid: dict(e.values)["name"] for e in a.search(kind="build")} == {
            e.uid: dict(e.values)["name"] for e in b.search(kind="build")
        }
        # What is withdrawn here stays so.
        b.withdraw(b.search(kind="note")[0].id, why="said twice")
        a.correct(a.search(kind="note")[0].id, {"text": "after the first week"})
        assert over(a, b, "6.csv").left == 1 and not b.search(kind="note")
        assert a.outcomes_by_follower() == b.outcomes_by_follower() == {"flat": (1, 1), "roller": (0, 0)}


def _touched(path: Path) -> Path:
    """The same table under another digest: a line end more."""
    again = path.with_name(f"again-{path.name}")
    again.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    return again


def test_a_table_edited_in_a_spreadsheet_corrects_what_it_names(tmp_path, record):
    build = record.add_build("one", note="old")
    out = record.export_csv(tmp_path / "x.csv")
    text = out.read_text(encoding="utf-8").replace("old", "new").replace("one", "two")
    (tmp_path / "edited.csv").write_text(text, encoding="utf-8")
    assert record.import_csv(tmp_path / "edited.csv") == Taken(0, 1, 0, 0)
    assert (record.entry(build)["name"], record.entry(build)["note"]) == ("two", "new")
    # Columns that are not there leave their fields; an empty cell empties one.
    ref = record.entry(build).uid
    (tmp_path / "note.csv").write_text(f"kind,ref,note\nbuild,{ref},\n", encoding="utf-8")
    assert record.import_csv(tmp_path / "note.csv") == Taken(0, 1, 0, 0)
    assert (record.entry(build)["name"], record.entry(build)["note"]) == ("two", None)
    for cell, says in (("yesterday", "made_at is 'yesterday'"), ("2026-11-26T10:00:00", "made_at is")):
        (tmp_path / "when.csv").write_text(f"kind,ref,made_at,note\nbuild,{ref},{cell},x\n", encoding="utf-8")
        with pytest.raises(BuildError, match=says):
            record.import_csv(tmp_path / "when.csv")
    (tmp_path / "kind.csv").write_text(f"kind,ref,text\nnote,{ref},x\n", encoding="utf-8")
    with pytest.raises(BuildError, match="this row is a note and entry 1 of that ref a build"):
        record.import_csv(tmp_path / "kind.csv")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
@given(
    # without what is refused: NUL, and halves of surrogate pairs
    name=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1).filter(str.strip),
    value=st.floats(0.0, 0.1),
    hours=st.floats(0.0, 1e6),
)
def test_any_text_and_number_survives_out_and_in(tmp_path_factory, name, value, hours):
    folder = tmp_path_factory.mktemp("trip")
    with open_record(folder / "a.sqlite") as a, open_record(folder / "b.sqlite") as b:
        build = a.add_build(name, sheet="=" + name, note="'" + name)
        a.add_reading(build, what="lash", value=value, unit="in", hours=hours)
        b.import_csv(a.export_csv(folder / "x.csv"))
        assert [dict(e.values) for e in a.search()] == [dict(e.values) for e in b.search()]


def test_a_spreadsheet_is_given_no_formula(tmp_path, record):
    record.add_note('=HYPERLINK("x")')
    record.add_note("'quoted")
    record.add_note("'=already")
    out = record.export_csv(tmp_path / "x.csv").read_text(encoding="utf-8-sig")
    texts = [r["text"] for r in csv.DictReader(io.StringIO(out, newline=""))]
    assert texts == ['\'=HYPERLINK("x")', "'quoted", "''=already"]


HEAD = "kind,ref,build,name,follower,lifter,what,value,unit,text\n"
BAD_TABLES = [
    (HEAD + "build,b,,one,,,,,,\nreading,,b,,,,lash,abc,in,\n", "line 3: value is 'abc'; write a number without"),
    (HEAD + 'build,b,,one,,,,,,\nreading,,b,,,,lash,"0,02",in,\n', "line 3: value is '0,02'; write a decimal point"),
    (
        HEAD + "build,b,,one,,,,,,\n\n\nreading,,x,,,,lash,0.02,in,\n",
        "line 5: no build of this file or this record has the ref 'x'",
    ),
    ("# head\n" + HEAD + "bild,b,,one,,,,,,\n", "line 3: kind is 'bild'; did you mean build"),
    (HEAD + "build,b,,one,flat,,,,,\n", "line 2: a build has no follower"),
    (HEAD + "build,b,,one,,,,,\n", "line 2: it has 9 cells where the head has 10"),
    (HEAD + "build,b,,one,,,,,,\nbuild,b,,two,,,,,,\n", "line 3: the ref 'b' stands on two rows"),
    (HEAD + 'note,,,,,,,,,"a\nb"\nnote,,,,,,,,,\n', "line 4: a note needs its text"),
    (HEAD + "note,,entry 7,,,,,,,hi\n", "line 2: there is no build 7"),
    (HEAD, "it has no rows"),
    ("", "it has no rows"),
    ("knd,text\nnote,hi\n", "the column 'knd' is not known; did you mean kind"),
    ("kind,text,text\nnote,a,b\n", "stands twice"),
    ("text\nhi\n", "no column 'kind'"),
    (HEAD + 'note,,,,,,,,,"open\n', "line 2"),
]


@pytest.mark.parametrize(("text", "says"), BAD_TABLES, ids=[b[1][:30] for b in BAD_TABLES])
def test_a_bad_table_adds_nothing_and_names_the_line(tmp_path, record, text, says):
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BuildError) as caught:
        record.import_csv(path)
    assert str(caught.value).startswith("nothing was taken in from bad.csv: ")
    assert says in str(caught.value) and "\n" not in str(caught.value)
    assert record.search() == ()
    path.write_text("kind,text\nnote,mended\n", encoding="utf-8")
    assert record.import_csv(path) == Taken(1, 0, 0, 0)


def test_tables_as_spreadsheets_write_them(tmp_path, record):
    path = tmp_path / "semicolon.csv"
    path.write_bytes("\ufeffkind;ref;build;text\r\nnote;;b;Grüße\r\nnote;;entry 1;x\r\n".encode())
    record.add_build("first")
    with pytest.raises(BuildError, match="no build of this file or this record has the ref 'b'"):
        record.import_csv(path)
    path.write_bytes("\ufeffkind;build;text\r\nnote;entry 1;Grüße\r\n;;\r\n".encode())
    assert record.import_csv(path) == Taken(1, 0, 0, 0)
    assert record.search("grüsse")[0]["text"] == "Grüße"  # casefold: ß is ss
    path.write_bytes("kind,text\nnote,Gr\xfc\xdfe\n".encode("latin-1"))
    with pytest.raises(BuildError, match="CSV UTF-8"):
        record.import_csv(path)
    with pytest.raises(BuildError, match="cannot be read"):
        record.import_csv(tmp_path / "missing.csv")


def test_the_file_is_what_the_index_says(record):
    with contextlib.closing(sqlite3.connect(record.path)) as db:
        tables = {r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert {"builds", "candidates", "plans", "readings", "outcomes", "notes", "entries"} <= tables
        assert db.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    for limits in READINGS.values():
        assert limits.low < limits.high
