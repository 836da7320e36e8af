"""The front door: what `import lobeledger as ll` promises."""

from __future__ import annotations

import importlib
import inspect
import os
import subprocess
import sys
from pathlib import Path

import pytest

import lobeledger as ll

ROOT = Path(__file__).parents[1]


def run(code: str, folder: Path = ROOT) -> str:
    env = {**os.environ, "PYTHONPATH": str(ROOT / "lib"), "PYTHONUTF8": "1"}
    done = subprocess.run([sys.executable, "-c", code], cwd=folder, env=env, capture_output=True, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_every_promised_name_is_there_and_nothing_else_is_lazy():
    assert sorted(ll.__all__) == list(ll.__all__) == sorted(ll._HOME)
    for name in ll.__all__:
        thing = getattr(ll, name)
        home = importlib.import_module(f"lobeledger.{ll._HOME[name]}")
        assert thing is getattr(home, name) and name in home.__all__
        assert inspect.getdoc(thing), name
    assert isinstance(ll.__version__, str)


def test_a_name_that_is_not_there_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'compair'"):
        ll.compair  # noqa: B018


def test_a_star_import_brings_exactly_the_promise():
    names = run("from lobeledger import *\nprint(sorted(n for n in dir() if not n.startswith('_')))")
    assert names.strip() == str(sorted(ll.__all__))


def test_importing_takes_no_plotting_and_no_widgets():
    heavy = ("plotly", "ipywidgets", "anywidget", "IPython", "matplotlib", "jinja2", "numba", "scipy", "pandas")
    code = f"import sys, lobeledger; print([m for m in {heavy!r} if m in sys.modules])"
    assert run(code).strip() == "[]"
    # Reading a build needs neither plots nor widgets; comparing needs no plots.
    code = (
        "import sys\nfor m in ('plotly', 'ipywidgets', 'anywidget', 'IPython'): sys.modules[m] = None\n"
        "import lobeledger as ll; print(ll.compare(ll.read_build('data/builds/budget-cruiser.toml')).winner_id)"
    )
    assert run(code).strip() != ""


def test_the_example_at_the_front_door_runs_as_printed(tmp_path):
    doc = inspect.getdoc(ll)
    lines = [line[4:] for line in doc.splitlines() if line.startswith("    ")]
    assert lines[0] == "import lobeledger as ll" and "write_customer_sheet" in lines[-1]
    (tmp_path / "data").symlink_to(ROOT / "data", target_is_directory=True)
    printed = run("\n".join(lines), tmp_path)
    first = ll.compare(ll.read_build(ROOT / "data" / "builds" / "budget-cruiser.toml"))
    assert printed.strip() == first.verdict
    assert first.answer.split(":")[0] in (tmp_path / "sheet.html").read_text(encoding="utf-8")


def test_every_name_of_the_index_is_promised():
    doc = inspect.getdoc(ll)
    index = [line for line in doc.splitlines() if line[:1].isupper() and "`" in line]
    named = {word for line in index for word in line.split("`")[1::2]}
    assert named == set(ll.__all__)


@pytest.mark.parametrize(
    "room",
    sorted(
        ".".join(p.relative_to(ROOT / "lib" / "lobeledger").with_suffix("").parts)
        for p in (ROOT / "lib" / "lobeledger").rglob("[a-z]*.py")
    ),
)
def test_every_room_keeps_its_promise(room):
    module = importlib.import_module(f"lobeledger.{room}")
    assert inspect.getdoc(module)
    if room in ("warm",):
        return
    for name in module.__all__:
        assert hasattr(module, name), name


def test_mistakes_are_told_as_one_kind_of_error():
    for error in (ll.BuildError, ll.OutOfRange, ll.NoSolution):
        assert issubclass(error, ll.LedgerError)
    with pytest.raises(ll.BuildError):
        ll.build_from_text("schema = 1")
