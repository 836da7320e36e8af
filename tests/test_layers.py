"""Rooms stand in layers: a room imports only the rooms named beside it, and modules never run in a circle."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOMS = Path(__file__).parents[1] / "lib" / "lobeledger"
# room -> the rooms that it may import, besides its own and the root's `errors` and `units`
ALLOWED: dict[str, set[str]] = {
    "assess": {"best", "engine", "lobe", "parts", "train"},
    "best": {"lobe", "train"},
    "choice": {"assess", "best", "doubt", "engine", "lobe", "parts", "train"},
    "doubt": {"assess", "engine", "lobe", "parts", "train"},
    "engine": {"lobe", "parts"},
    "lobe": {"parts"},
    "page": set(),
    "page/panels": {
        "assess",
        "best",
        "choice",
        "lobe",
        "page",
        "page/paper",
        "page/plots",
        "page/words",
        "parts",
        "record",
        "sheet",
        "train",
    },
    "page/paper": {"assess", "choice", "lobe", "page", "page/words", "parts", "sheet"},
    "page/plots": {"best", "choice", "engine", "lobe", "page", "page/words", "record", "train"},
    "page/words": {"assess", "best", "choice", "lobe", "page", "parts", "record", "sheet", "train"},
    "parts": set(),
    "record": {"sheet"},
    "sheet": {"parts"},
    "train": {"lobe", "parts"},
}
SCREEN_AND_PAPER = {"plotly", "ipywidgets", "anywidget", "IPython", "jinja2", "markupsafe", "matplotlib", "ezdxf"}
FILES = (p for p in ROOMS.rglob("*.py") if p.name != "__init__.py")
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


@pytest.mark.parametrize("module", sorted(m for m in MODULES if room_of(m) != "."))
def test_a_room_imports_only_what_it_may(module):
    room = room_of(module)
    for other in imports(module)[0]:
        there = room_of(other)
        assert there in {".", room} | ALLOWED[room], f"{module} imports {other}"


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
