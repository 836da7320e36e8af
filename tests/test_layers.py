"""Rooms stand in layers: a room imports only the rooms named beside it, and modules never run in a circle."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOMS = Path(__file__).parents[1] / "lib" / "lobeledger"
ROW = re.compile(r"^\| (\d+) \| `([a-z/_]+)` \| [^|]+ \| ([^|]+) \|$", re.MULTILINE)
TABLE = ROW.findall((ROOMS.parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8"))
# room -> the rooms that it may import, besides its own and the root's leaves, as the maintainers' table says
ALLOWED: dict[str, set[str]] = {room: set(re.findall(r"`([a-z/_]+)`", others)) for _, room, others in TABLE}
LAYER = {room: int(layer) for layer, room, _ in TABLE}
ENTRANCES = {"panels", "warm"}
SCREEN_AND_PAPER = {"plotly", "ipywidgets", "anywidget", "IPython", "jinja2", "markupsafe", "matplotlib", "ezdxf"}
FILES = [p for p in ROOMS.rglob("*.py") if p.name != "__init__.py"]
MODULES = {".".join(p.relative_to(ROOMS).with_suffix("").parts): p for p in FILES}


def room_of(module: str) -> str:
    return "/".join(module.split(".")[:-1]) or "."


def imports(module: str) -> tuple[set[str], set[str]]:
    own, other = set(), set()
    for node in ast.walk(ast.parse(MODULES[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} imports relatively"
            base = (node.module or "").split(".")
            if base[0] != "lobeledger":
                other.add(base[0])
                continue
            for alias in node.names:
                whole = ".".join([*base[1:], alias.name])
                own.add(whole if whole in MODULES else ".".join(base[1:]))
        elif isinstance(node, ast.Import):
            other |= {alias.name.split(".")[0] for alias in node.names}
    return own - {""}, other


def test_the_rooms_are_found():
    assert len(MODULES) > 100 and len(TABLE) == len(ALLOWED) >= 15
    assert len([m for m in MODULES if not m.startswith("page")]) > 70
    assert sum(len(imports(m)[0]) for m in MODULES) > 300


@pytest.mark.parametrize("module", sorted(m for m in MODULES if room_of(m) != "."))
def test_a_room_imports_only_what_it_may(module):
    room = room_of(module)
    for other in imports(module)[0]:
        there = room_of(other)
        assert there in {".", room} | ALLOWED[room], f"{module} imports {other}"
        assert other not in ENTRANCES, f"{module} imports the entrance {other}"


@pytest.mark.parametrize("room", sorted(ALLOWED))
def test_the_table_says_no_more_than_is_so(room):
    used = {room_of(other) for m in MODULES if room_of(m) == room for other in imports(m)[0]}
    assert used - {".", room} == ALLOWED[room]


@pytest.mark.parametrize("room", sorted(ALLOWED))
def test_a_room_imports_from_layers_below_its_own(room):
    assert all(LAYER[other] < LAYER[room] for other in ALLOWED[room])


def test_the_root_stands_below_the_rooms():
    for module in (m for m in MODULES if room_of(m) == "." and m not in ENTRANCES):
        assert {room_of(other) for other in imports(module)[0]} <= {"."}, module


def test_every_room_has_its_line():
    assert {room_of(m) for m in MODULES} - {"."} == set(ALLOWED)


def test_no_circle_of_modules():
    edges = {m: imports(m)[0] & set(MODULES) for m in MODULES}
    done: set[str] = set()

    def visit(module: str, path: tuple[str, ...]) -> None:
        assert module not in path, " -> ".join((*path, module))
        if module not in done:
            for other in edges[module]:
                visit(other, (*path, module))
            done.add(module)

    for module in sorted(edges):
        visit(module, ())


@pytest.mark.parametrize("module", sorted(m for m in MODULES if not m.startswith("page") and m != "panels"))
def test_physics_and_money_know_no_screen_and_no_paper(module):
    assert not imports(module)[1] & SCREEN_AND_PAPER


PAPER, SCREEN = {"jinja2", "markupsafe", "ezdxf"}, {"ipywidgets", "anywidget"}


@pytest.mark.parametrize("module", sorted(m for m in MODULES if m.startswith("page")))
def test_paper_and_screen_keep_to_their_rooms(module):
    other, room = imports(module)[1], room_of(module)
    assert room in ("page", "page/paper") or not other & PAPER, f"{module} imports {other & PAPER}"
    assert room == "page/panels" or not other & SCREEN, f"{module} imports {other & SCREEN}"
