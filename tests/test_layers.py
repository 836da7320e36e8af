"""The rooms stand in layers: imports point downward or sideways, never up, never round in a circle."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

LIB = Path(__file__).parents[1] / "lib"
ROOMS = LIB / "lobeledger"
LAYERS: dict[int, set[str]] = {
    0: {"errors", "units", "parts", "pairing"},
    1: {"engine", "lobe", "ring_spline"},
    2: {"lobe_card", "follower", "lobe_readings"},
    3: {
        "valvetrain",
        "contact",
        "breathing",
        "filling",
        "cycle",
        "wear",
        "outline",
        "lobe_task",
        "lobe_design",
        "lobe_share",
        "motion_solver",
        "train",
        "springs",
        "dynamics",
    },
    4: {
        "figures",
        "breakin",
        "runin",
        "limits",
        "cost",
        "assess",
        "best_for",
        "results",
        "flips",
        "decision",
        "stake",
        "speed_limits",
        "ride",
        "remedies",
    },
    5: {
        "palette",
        "report",
        "plots",
        "run_sheet",
        "break_in_views",
        "break_in_plots",
        "lobe_plots",
        "lobe_views",
        "design_plots",
        "profile_export",
        "valvetrain_plots",
        "valvetrain_views",
    },
    6: {
        "runner",
        "screen",
        "sheet_panel",
        "record_panel",
        "wear_panel",
        "choose_panel",
        "break_in_panel",
        "lobes_panel",
        "valvetrain_panel",
        "panels",
        "warm",
    },
}
READERS = {"files", "tables", "buildfile", "entries", "record", "readingsfile"}
ENTRANCES = {"__init__", "_startup"}
LAYER = {room: number for number, rooms in LAYERS.items() for room in rooms}
# What physics and money must do without.
SCREEN_AND_PAPER = ("plotly", "ipywidgets", "anywidget", "IPython", "jinja2", "markupsafe", "matplotlib", "ezdxf")


def imports(room: str) -> tuple[set[str], set[str]]:
    """Rooms of this package and top-level packages from elsewhere that a room imports, anywhere in its text."""
    own, other = set(), set()
    for node in ast.walk(ast.parse((ROOMS / f"{room}.py").read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{room} imports relatively"
            module = node.module or ""
            if module == "lobeledger":
                own |= {alias.name for alias in node.names}
            elif module.startswith("lobeledger."):
                own.add(module.split(".")[1])
            else:
                other.add(module.split(".")[0])
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.startswith("lobeledger."):
                    own.add(alias.name.split(".")[1])
                elif alias.name != "lobeledger":
                    other.add(alias.name.split(".")[0])
    return own, other


ALL = sorted(p.stem for p in ROOMS.glob("*.py"))


def test_every_room_has_its_layer():
    assert set(ALL) == set(LAYER) | READERS | ENTRANCES


@pytest.mark.parametrize("room", sorted(LAYER))
def test_imports_point_down_or_sideways(room):
    own, _ = imports(room)
    for other in own & set(LAYER):
        assert LAYER[other] <= LAYER[room], f"{room} (layer {LAYER[room]}) imports {other} (layer {LAYER[other]})"
    if 1 <= LAYER[room] <= 4:
        assert not own & READERS, f"{room} reads files: {own & READERS}"


@pytest.mark.parametrize("room", sorted(READERS))
def test_readers_stand_on_the_ground_floor_and_on_each_other(room):
    own, _ = imports(room)
    assert own <= LAYERS[0] | READERS


def test_no_room_leads_back_to_itself():
    edges = {room: imports(room)[0] & (set(LAYER) | READERS) for room in (set(LAYER) | READERS)}
    done: set[str] = set()

    def visit(room: str, path: tuple[str, ...]) -> None:
        assert room not in path, " -> ".join((*path, room))
        if room in done:
            return
        for other in edges[room]:
            visit(other, (*path, room))
        done.add(room)

    for room in sorted(edges):
        visit(room, ())


@pytest.mark.parametrize("room", sorted(r for r, n in LAYER.items() if n <= 4) + sorted(READERS))
def test_physics_and_money_know_no_screen_and_no_paper(room):
    _, other = imports(room)
    assert not other & set(SCREEN_AND_PAPER)


def test_layers_nought_to_four_work_without_screen_and_paper():
    rooms = sorted(r for r, n in LAYER.items() if n <= 4) + sorted(READERS)
    code = "\n".join(
        [
            "import sys, importlib",
            f"for name in {SCREEN_AND_PAPER!r}: sys.modules[name] = None",
            f"for room in {rooms!r}: importlib.import_module('lobeledger.' + room)",
            "from lobeledger.buildfile import build_from_text, starter_sheet",
            "build = build_from_text(starter_sheet())",
            "from lobeledger import cost",
            "fuel = cost.FuelUse(0.005, 2e4, 2400.0)",
            "print(cost.cost_of_owning(cost.cost_lines(build, build.candidates[0], fuel, cost.nominal(build))) > 0)",
        ]
    )
    env = {**os.environ, "PYTHONPATH": str(LIB)}
    run = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert run.stdout.strip() == "True"
