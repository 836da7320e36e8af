"""Facts below, words at the edge: no unit system and no sentence tool under page/words, and facts that travel."""

from __future__ import annotations

import ast
import copy
import pickle
from pathlib import Path

import pytest

import lobeledger as ll
from lobeledger.page.words import limits as limit_words

ROOT = Path(__file__).parents[1]
ROOMS = ROOT / "lib" / "lobeledger"
# Above or beside the facts: the pages, and of the root's own leaves the front doors and the units themselves.
NOT_BELOW = {"page", "__init__", "_startup", "panels", "units", "warm"}
FILES = sorted(p for p in ROOMS.rglob("*.py") if p.relative_to(ROOMS).with_suffix("").parts[0] not in NOT_BELOW)
SHOWN_IN_ONE_SYSTEM = {"show", "from_si", "shown_unit"}


def names_of(path: Path) -> str:
    return str(path.relative_to(ROOMS))


def parameters(tree: ast.AST) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            a = node.args
            found |= {arg.arg for arg in (*a.posonlyargs, *a.args, *a.kwonlyargs, a.vararg, a.kwarg) if arg}
    return found


def shown(tree: ast.AST) -> set[str]:
    """Tools of the edge that a module calls by attribute of `units`, or imports from it."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "units":
            found.add(node.attr)
        if isinstance(node, ast.ImportFrom) and node.module == "lobeledger.units":
            found |= {alias.name for alias in node.names}
    return found & SHOWN_IN_ONE_SYSTEM


def test_the_rooms_below_are_all_there():
    rooms = {p.relative_to(ROOMS).parts[0] for p in FILES}
    assert rooms >= {"assess", "best", "choice", "engine", "lobe", "parts", "record", "sheet", "train"}
    assert len(FILES) > 60


@pytest.mark.parametrize("path", FILES, ids=names_of)
def test_no_function_below_the_words_knows_a_unit_system(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert "system" not in parameters(tree), f"{names_of(path)} takes a unit system"
    assert not shown(tree), f"{names_of(path)} writes figures in one unit system; give a fact, or `units.both`"


def test_the_walk_finds_what_it_looks_for():
    bad = ast.parse("from lobeledger.units import show\ndef f(a, *, system): return units.from_si(a, 'lift', system)")
    assert "system" in parameters(bad) and shown(bad) == {"show", "from_si"}


# -- the same decision in two languages ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def comparison() -> ll.Comparison:
    build = ll.read_build(ROOT / "data" / "builds" / "weekend-racer.toml")
    return ll.compare(ll.change(build, {"use.highest_speed": "9900 rpm", "limits.budget": "900 USD"}))


def test_other_units_are_the_same_decision_told_anew(comparison):
    metric = comparison.in_units("metric")
    assert metric.decision is comparison.decision and metric.system == "metric"
    assert metric.to_json() == ll.compare(comparison.build, system="metric").to_json()
    assert metric.in_units("us").to_json() == comparison.to_json()
    with pytest.raises(ll.OutOfRange, match="imperial"):
        comparison.in_units("imperial")


def test_every_broken_limit_carries_what_its_sentence_says(comparison):
    broken = [(r, b) for r in comparison.results for b in r.broken]
    assert {b.limit for _, b in broken} >= {"speed", "budget"}
    for result, fact in broken:
        if fact.side == 0:
            continue
        assert fact.have == result.figures[fact.subject]
        assert fact.side * (fact.have.value - fact.need) < 0.0
        assert 0.0 < fact.short_share
        assert fact.ways and any(way.value is not None for way in fact.ways)
    for result in comparison.results:
        told = comparison.broken(result.candidate.id)
        assert [t.limit for t in told] == [b.limit for b in result.broken]
        assert all(t.text and t.give for t in told)


def test_a_way_to_mend_a_speed_limit_knows_the_price_of_springs():
    build = ll.read_build(ROOT / "data" / "builds" / "weekend-racer.toml")
    asked = {"use.highest_speed": "9900 rpm", "candidates.s-flat.spring_set_price": "321 USD"}
    found = ll.compare(ll.change(build, asked)).result("s-flat").broken
    ways = {way.what: way for b in found if b.limit == "speed" for way in b.ways}
    assert ways["more_spring"].price_money == 321.0 and {"lower_speed", "stiffer_valvetrain"} <= set(ways)


def test_every_caution_that_physics_gives_has_a_sentence():
    keys = {
        node.args[0].value
        for path in (ROOMS / "assess" / "limits.py",)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Caution"
        if isinstance(node.args[0], ast.Constant)
    }
    assert len(keys) >= 10 and keys == set(limit_words._CAUTIONS)


def test_facts_of_limits_and_reasons_travel(comparison):
    for fact in (
        *(b for r in comparison.results for b in r.broken),
        *(c for r in comparison.results for c in r.assessment.cautions),
        *comparison.decision.reasons,
        *comparison.flips,
        *comparison.break_evens,
    ):
        assert pickle.loads(pickle.dumps(fact)) == fact == copy.deepcopy(fact)
