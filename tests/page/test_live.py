"""Widgets by state: the talk between the kernel's half and the browser's, with a browser that is played here."""

from __future__ import annotations

from typing import Any

import pytest

from lobeledger.page.panels import live
from lobeledger.page.panels.controls import Button, Controls, Download, Numbers, Pick, Slider, Tick
from lobeledger.page.panels.live import Live, Slot
from lobeledger.page.panels.steps import Step, Steps


class Clock:
    """Time that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 0.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture()
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(live, "time", made)
    return made


class Drawn(Live):
    _esm = "export default {}"


def said(slot: Slot, **content: Any) -> None:
    slot.live._handle_custom_msg(content, [])


def test_what_stands_is_not_sent_again() -> None:
    slot = Slot(Drawn, {"text": "a"}, lambda content: None)
    assert not slot.push({"text": "a"}) and slot.shown["rev"] == 0
    assert slot.push({"text": "b"}) and slot.shown == {"text": "b", "rev": 1}


def test_an_older_revision_is_answered_with_the_whole_state(monkeypatch: pytest.MonkeyPatch) -> None:
    slot = Slot(Drawn, {"text": "a"}, lambda content: None)
    again: list[int] = []
    monkeypatch.setattr(Drawn, "say_again", lambda self: again.append(self.state["rev"]))
    slot.push({"text": "b"})
    said(slot, type="have", rev=1)
    assert again == []
    said(slot, type="have", rev=0)
    assert again == [1]


def test_a_state_that_no_word_came_of_is_sent_again(monkeypatch: pytest.MonkeyPatch) -> None:
    slot = Slot(Drawn, {"text": "a"}, lambda content: None)
    again: list[int] = []
    monkeypatch.setattr(Drawn, "say_again", lambda self: again.append(self.state["rev"]))
    slot.push({"text": "b"})
    slot._look(0)
    said(slot, type="has", rev=1)
    slot._look(1)
    assert again == [1], "sent again until there was word of it"
    slot.push({"text": "c"})
    said(slot, type="has", rev=1)  # an older one has overtaken it
    slot._look(0)
    assert again == [1, 2]


def test_a_push_after_a_long_silence_is_looked_after_soon() -> None:
    slot = Slot(Drawn, {"text": "a"}, lambda content: None)
    slot.push({"text": "b"})
    slot._watch(2)
    for turn in (0, 1):
        slot._look(turn)
    assert slot._turn == 2
    slot.push({"text": "c"})
    assert slot._turn == 0


def test_a_deaf_half_is_replaced_and_a_late_answer_is_no_deafness(clock: Clock) -> None:
    slot = Slot(Drawn, {"text": "a"}, lambda content: None)
    slot.push({"text": "b"})
    first = slot.live
    said(slot, type="deaf")
    assert slot.live is first, "it was never answered: the kernel was busy"
    said(slot, type="have", rev=1)
    said(slot, type="deaf")
    assert slot.live is first, "the answer may be on its way"
    clock.now = 10.0
    said(slot, type="deaf")
    assert slot.live is not first and slot.children == (slot.live,)
    assert slot.shown == {"text": "b", "rev": 1} and slot.replaced == 1


def box() -> tuple[Controls, list[Any]]:
    moved: list[Any] = []
    controls = Controls()
    controls.fill(
        {
            "Money": [
                Slider("budget", "Budget", 2500, moved.append, low=0, high=7500, unit="USD"),
                Slider("odds", "Odds", 40, moved.append, stops=[2, 40, 1000]),
                Numbers("band", "Band", (1, 2), moved.append, parts=[{"low": 0, "high": 9}] * 2),
                Tick("in", "in", True, moved.append),
                Pick("units", "Units", "us", moved.append, options=[["us", "US"], ["metric", "Metric"]]),
                Button("go", "Go", lambda: moved.append("pressed")),
            ]
        }
    )
    return controls, moved


def by_hand(controls: Controls, key: str, value: Any) -> None:
    said(controls.box, type="set", key=key, value=value)


def test_what_a_person_sets_is_heard_and_not_sent_back() -> None:
    controls, moved = box()
    rev = controls.box.shown["rev"]
    for key, value in (
        ("budget", 3000),
        ("odds", 60),
        ("band", [3, 4]),
        ("in", False),
        ("units", "metric"),
        ("go", True),
    ):
        by_hand(controls, key, value)
    assert moved == [3000.0, 60.0, (3.0, 4.0), False, "metric", "pressed"]
    shown = {item["key"]: item["value"] for item in controls.box.shown["sections"][0]["items"]}
    assert controls.box.shown["rev"] == rev and shown["budget"] == 3000.0, "the browser shows it; a new half would too"


@pytest.mark.parametrize(
    ("key", "value", "held"),
    [("budget", 1e9, 7500.0), ("budget", "much", 2500), ("budget", None, 2500), ("odds", 0, 1.0),
     ("odds", 5000, 5000.0), ("band", [3], (1, 2)), ("band", [-5, 99], (0.0, 9.0)),
     ("units", "other", "us"), ("nobody", 1, None)],
)  # fmt: skip
def test_what_no_control_offers_is_not_taken(key: str, value: Any, held: Any) -> None:
    controls, _ = box()
    by_hand(controls, key, value)
    if held is not None:
        assert controls[key].value == held


def test_a_button_that_can_do_nothing_does_nothing() -> None:
    controls, moved = box()
    controls["go"].show(on=False)
    by_hand(controls, "go", True)
    assert moved == []


def test_values_set_quietly_are_shown_once_and_move_nothing() -> None:
    controls, moved = box()
    rev = controls.box.shown["rev"]
    with controls.quietly():
        controls["budget"].value = 100
        controls["in"].value = False
    assert moved == [] and controls.box.shown["rev"] == rev + 1
    controls["budget"].value = 200
    assert moved == [200] and controls.box.shown["rev"] == rev + 2


def test_a_file_stays_in_the_state_until_the_browser_has_it() -> None:
    controls = Controls()
    controls.fill({"": [Download("file", "Table", lambda: ("a.csv", "text/csv", "1,2"))]})
    by_hand(controls, "file", True)
    file = controls.box.shown["file"]
    assert (file["name"], file["text"]) == ("a.csv", "1,2")
    said(controls.box, type="given", id="another")
    assert controls.box.shown["file"] is not None
    said(controls.box, type="given", id=file["id"])
    assert controls.box.shown["file"] is None


def test_quick_moves_of_one_control_are_one_step() -> None:
    clock = Clock()
    steps = Steps(clock.monotonic)

    def step(what: str) -> Step:
        return Step(None, None, (), "", what)  # type: ignore[arg-type]

    steps.add(step("opened"))
    steps.add(step("a"), "a")
    clock.now = 0.5
    steps.add(step("a again"), "a")
    assert steps.undoes == "a again"
    clock.now = 3.0
    steps.add(step("a later"), "a")
    steps.add(step("b"), "b")
    back = [steps.go(-1) for _ in range(3)]
    assert [each.what for each in back if each] == ["a later", "a again", "opened"] and steps.go(-1) is None
    assert (steps.undoes, steps.redoes) == ("", "a again")
    steps.add(step("c"), "c")
    assert steps.redoes == "" and steps.go(1) is None
