"""The house keeps its shape: sizes, pages with all that belongs to them, tests beside their rooms, costs known to all.

A failing test names what is missing and where it goes.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import lobeledger as ll
from lobeledger import panels
from lobeledger.choice import cost, flips, stake
from lobeledger.choice.results import Flip
from lobeledger.doubt import draws
from lobeledger.page import palette
from lobeledger.page.words import flips as flip_words
from lobeledger.page.words.break_in import input_name
from lobeledger.sheet.tables import data_dir
from shipped_builds import compared

ROOT = Path(__file__).parents[1]
ROOMS = ROOT / "lib" / "lobeledger"
FILES = sorted(ROOMS.rglob("*.py"))
TESTS = ROOT / "tests"
MOST_LINES, MOST_FUNCTION_LINES = 600, 80
REASON = "# Over 80 lines: "
BUILDS = sorted((data_dir() / "builds").glob("*.toml"))


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOMS))


def too_long(source: str) -> list[str]:
    """Functions over the limit, but for compiled kernels whose head says why."""
    lines, found = source.splitlines(), []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        assert node.end_lineno is not None
        size = node.end_lineno - node.lineno + 1
        if size <= MOST_FUNCTION_LINES:
            continue
        compiled = any(ast.unparse(each).partition("(")[0].rpartition(".")[2] == "njit" for each in node.decorator_list)
        head = min((each.lineno for each in node.decorator_list), default=node.lineno)
        said = lines[head - 2] if head > 1 else ""
        if not (compiled and said.startswith(REASON) and len(said) > len(REASON)):
            found.append(f"{node.name}: {size} lines" + (f"; say above it '{REASON}...'" if compiled else ""))
    return found


# -- sizes ---------------------------------------------------------------------------------------------------


def test_the_library_is_found():
    assert len(FILES) > 100 and len(BUILDS) >= 3


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_no_file_is_too_long(path):
    count = len(path.read_text(encoding="utf-8").splitlines())
    assert count <= MOST_LINES, f"{name_of(path)} has {count} lines; split it by subject"


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_no_function_is_too_long(path):
    found = too_long(path.read_text(encoding="utf-8"))
    assert not found, f"{name_of(path)}: {'; '.join(found)}"


def test_the_search_for_long_functions_finds_them():
    body = "\n".join(f"    x = {n}" for n in range(MOST_FUNCTION_LINES))
    plain, kernel = f"def f():\n{body}\n", f"@njit(cache=True)\ndef f():\n{body}\n"
    assert too_long(plain) and too_long(kernel) and too_long(f"{REASON}no kernel\n{plain}")
    assert not too_long(f"{REASON}one state\n{kernel}")
    assert not too_long("def f():\n" + body.rpartition("\n")[0] + "\n")


# -- pages and tests -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", panels.__all__)
def test_a_page_has_all_that_belongs_to_it(page):
    wanted = {
        "its panel": ROOMS / "page" / "panels" / f"{page}.py",
        "its notebook": ROOT / "workbook" / f"{page}.ipynb",
        "its browser test": TESTS / f"test_browser_{page}.py",
    }
    missing = [f"{what} ({where.relative_to(ROOT)})" for what, where in wanted.items() if not where.is_file()]
    assert not missing, f"the page '{page}' lacks {', '.join(missing)}"


def test_every_notebook_is_a_page():
    notebooks = {p.stem for p in (ROOT / "workbook").glob("*.ipynb")}
    assert notebooks == set(panels.__all__)


def test_test_folders_mirror_the_rooms():
    rooms = {p.name for p in ROOMS.iterdir() if (p / "__init__.py").is_file()}
    folders = {p.name for p in TESTS.iterdir() if any(p.glob("test_*.py"))}
    assert len(rooms) >= 9
    assert folders <= rooms, f"test folders of no room: {sorted(folders - rooms)}"
    assert rooms <= folders, f"rooms without a folder of tests: {sorted(rooms - folders)}"


# -- a cost line and all who must know it --------------------------------------------------------------------


def test_every_group_of_cost_has_its_shade():
    assert set(palette.GROUP_SHADES) == set(cost.GROUPS), "cost.GROUPS and palette.GROUP_SHADES name other groups"
    later = {group for group, is_first in cost.GROUPS.items() if not is_first}
    assert set(palette.GROUP_HATCHES) == later, "what is paid after the start is hatched: palette.GROUP_HATCHES"


def asked_paths() -> list[tuple[ll.Build, str]]:
    """Every path that the cost of each candidate of each shipped build asks for."""
    found: dict[str, tuple[ll.Build, str]] = {}
    for sheet in BUILDS:
        comparison = compared(sheet.stem)
        build = comparison.build
        plain = draws.nominal(build)
        for result in comparison.results:

            def listening(path, plain=plain, build=build, found=found):
                found.setdefault(f"{build.name} {path}", (build, path))
                return plain(path)

            cost.cost_lines(build, result.candidate, result.assessment.fuel, listening)
    return list(found.values())


def test_every_input_asked_is_known_to_flips_and_chart():
    asked = asked_paths()
    assert len(asked) > 100
    missing = []
    for build, path in asked:
        where = []
        if not path.endswith(".failure.chance") and path not in build.data and not path.startswith("pairing."):
            where.append("the build sheet (no Spec in parts, no row of a table)")
        now = float(draws.nominal(build)(path))
        flip = flip_words.flip_words(build, Flip(path, now, 2.0 * now, 1.0, None), "us")
        if flip.what.strip() in ("", path):
            where.append("the words of a flip (page/words/flips, or the Spec's meaning)")
        if not input_name(build, path).strip():
            where.append("its name on the chart of inputs one at a time (page/words/break_in.input_name)")
        missing += [f"{path}: {'; '.join(where)}"] if where else []
    assert not missing, "\n".join(["inputs of the cost that a place has forgotten:", *missing])


@pytest.mark.parametrize("sheet", BUILDS, ids=lambda p: p.stem)
def test_the_search_for_flips_moves_every_input_of_the_cost(sheet, monkeypatch):
    # The search is watched: each line of the sheet that the cost of a candidate in the running reads is moved, but for
    # constants and counts.
    moved: set[str] = set()

    def watched(build, race, base, path, line, leads):
        moved.add(line)
        return []

    monkeypatch.setattr(flips, "_moves", watched)
    comparison = compared(sheet.stem)
    build, order = comparison.build, comparison.decision.order
    moved.clear()
    flips.flips(build, comparison.results, order)
    asked = {path for each, path in asked_paths() if each.name == build.name}
    running = [r.candidate.id for r in comparison.results if not r.stops]
    wanted = set()
    for path in asked:
        if path.startswith("candidates.") and path.split(".")[1] not in running:
            continue
        if any(part in path for part in flips._NOT_MOVED) or not float(draws.nominal(build)(path)) > 0.0:
            continue
        datum = build.data.get(path)
        wanted.add(path if datum is None else datum.line)
    assert order or sheet.stem == "weekend-racer", "nothing is searched where no candidate is in the running"
    assert not order or (wanted and wanted <= moved), sorted(wanted - moved)


@pytest.mark.parametrize("sheet", BUILDS, ids=lambda p: p.stem)
def test_every_input_with_a_range_has_its_bar(sheet):
    comparison = compared(sheet.stem)
    build = comparison.build
    for result in comparison.results:
        asked: set[str] = set()
        plain = draws.nominal(build)

        def listening(path, plain=plain, asked=asked):
            asked.add(path)
            return plain(path)

        cost.cost_lines(build, result.candidate, result.assessment.fuel, listening)
        wide = {p for p in asked if p in build.data and (d := build.data[p]).low is not None and d.low < d.high}
        bars = {bar.path for bar in stake.tornado(build, result)}
        assert wide and wide <= bars, sorted(wide - bars)
