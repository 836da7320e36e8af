"""The forms on a page, in process: what a page sends, what it is told, and what is handed on."""

from __future__ import annotations

from typing import Any

import pytest

import lobeledger as ll
from lobeledger.page.panels.form import (
    BuildForm,
    CamForm,
    CamsForm,
    FormBox,
    FormView,
    LiftersForm,
    PricesForm,
    SpringsForm,
)
from lobeledger.parts.build import Build
from lobeledger.sheet.tables import DATA_DIR

BUDGET = ll.read_build(DATA_DIR / "builds" / "budget-cruiser.toml")
EVERY = (BuildForm, CamForm, CamsForm, LiftersForm, PricesForm, SpringsForm)
CAM = {"name": "New", "same": "yes", "intake_mid": "210", "intake_lift": "0.29", "lsa": "110"}


class Bench:
    """A page's place around a form: the build as it is, and what the form handed on."""

    def __init__(self, kind: type[FormBox], build: Build = BUDGET) -> None:
        self.build = build
        self.done: list[str] = []
        self.form = kind(lambda: self.build, self.take)

    def take(self, build: Build, words: str) -> None:
        self.build = build
        self.done.append(words)
        self.form.refresh()

    def send(self, content: Any) -> None:
        self.form.view._heard(self.form.view, content, [])

    @property
    def state(self) -> dict[str, Any]:
        assert isinstance(self.form.view, FormView)
        assert self.form.children == (self.form.view,)
        return dict(self.form.view.state)


@pytest.mark.parametrize("kind", EVERY)
@pytest.mark.parametrize("system", ["us", "metric"])
def test_every_form_stands(kind: type[FormBox], system: str) -> None:
    bench = Bench(kind)
    bench.form.refresh(system)
    form = bench.state["form"]
    fields = [each for group in form["groups"] for each in group["fields"]]
    assert form["title"] and form["button"] and len(fields) > 5
    assert all(each["label"] for each in fields)
    assert (
        kind(lambda: BUDGET, bench.take).view._esm == bench.form.view._esm and "initialize" not in bench.form.view._esm
    )


def test_a_cam_is_entered() -> None:
    bench = Bench(CamForm)
    bench.send({"type": "use", "n": 1, "fields": CAM})
    assert [c.id for c in bench.build.candidates][-1] == "new" and bench.done[0].startswith("Added New.")
    assert bench.state["answer"]["n"] == 1 and bench.state["answer"]["wrong"] == {} and bench.state["fresh"]
    assert ("new", "New") in [tuple(x) for x in bench.state["form"]["groups"][0]["fields"][3]["options"]]
    bench.send({"type": "use", "n": 2, "fields": CAM})
    assert list(bench.state["answer"]["wrong"]) == ["name"] and len(bench.done) == 1


def test_what_is_wrong_changes_nothing() -> None:
    bench = Bench(CamForm)
    before = bench.state["rev"]
    bench.send({"type": "use", "n": 7, "fields": {}})
    assert bench.build is BUDGET and bench.done == [] and bench.state["rev"] == before
    assert bench.state["answer"]["n"] == 7 and "name" in bench.state["answer"]["wrong"]


def test_an_answer_meets_the_build_as_it_is_now() -> None:
    bench = Bench(SpringsForm)
    bench.build = ll.change(bench.build, {"use.years": 11})
    bench.send({"type": "use", "n": 1, "fields": {"candidates.h-flat.springs.rate": "333"}})
    assert bench.build.use.years == 11 and bench.done == ["1 line changed."]


def test_other_units_begin_anew_and_nothing_new_is_not_sent() -> None:
    bench = Bench(SpringsForm)
    before = bench.form.view.state
    bench.form.refresh()
    assert bench.form.view.state is before
    bench.form.refresh("metric")
    assert bench.state["fresh"] and bench.state["rev"] > before["rev"]
    bench.build = ll.change(bench.build, {"candidates.h-flat.springs.rate": "333 lbf/in"})
    bench.form.refresh()
    assert not bench.state["fresh"] and "58.3" in str(bench.state["form"])


def test_another_cam_is_asked_about() -> None:
    bench = Bench(PricesForm)
    bench.send({"type": "ask", "n": 1, "key": "cam", "value": "h-roller", "fields": {}})
    keys = [each["key"] for each in bench.state["form"]["groups"][0]["fields"]]
    assert "serves link-bars" in keys and bench.state["asked"] == "cam"
    bench.send({"type": "use", "n": 2, "fields": {"cam": "h-roller", "serves link-bars": "444"}})
    assert [p.price_money for p in bench.build.candidate("h-roller").parts if p.serves == "link-bars"] == [444.0]
    bench.send({"type": "ask", "n": 3, "key": "cam", "value": "gone", "fields": {}})
    assert bench.state["form"]["groups"][0]["fields"][0]["value"] == "h-flat"


def test_cams_are_copied_and_removed_by_their_buttons() -> None:
    bench = Bench(CamsForm)
    bench.send({"type": "act", "n": 1, "act": "copy", "key": "name h-flat", "fields": {}})
    bench.send({"type": "act", "n": 2, "act": "remove", "key": "name s-flat", "fields": {}})
    assert [c.id for c in bench.build.candidates] == ["h-flat", "h-roller", "s-roller", "hydraulic-flat-204-deg-copy"]
    for n, cid in enumerate(("h-flat", "h-roller", "s-roller"), 3):
        bench.send({"type": "act", "n": n, "act": "remove", "key": f"name {cid}", "fields": {}})
    bench.send({"type": "act", "n": 9, "act": "remove", "key": "name hydraulic-flat-204-deg-copy", "fields": {}})
    assert len(bench.build.candidates) == 1 and "is the last one" in str(bench.state["answer"]["wrong"]).lower()


def test_a_deaf_view_is_replaced_with_what_was_typed() -> None:
    bench = Bench(CamForm)
    old = bench.form.view
    bench.send({"type": "deaf", "fields": {"name": "Half ty"}})
    assert bench.form.view is not old and bench.state["typed"] == {"name": "Half ty"}
    bench.send({"type": "use", "n": 1, "fields": CAM})
    assert bench.done


@pytest.mark.parametrize(
    "content",
    ["", None, {}, {"type": "use"}, {"type": "use", "fields": 3, "n": "x"}, {"type": "act", "act": 3, "key": None},
     {"type": "ask"}, {"type": "use", "fields": {"name": ["a"], "x" * 900: "y" * 9000}}, {"type": "have"}],
)  # fmt: skip
@pytest.mark.parametrize("kind", [CamForm, CamsForm, PricesForm])
def test_nothing_a_page_sends_breaks_it(kind: type[FormBox], content: Any) -> None:
    bench = Bench(kind)
    try:
        bench.send(content)
    except ll.OutOfRange:
        pytest.fail("a refusal went up to the kernel")
    assert bench.build is BUDGET and bench.state["form"]["groups"]


def test_a_cam_on_the_list_is_shown_with_its_card() -> None:
    bench = Bench(CamForm)
    bench.send({"type": "ask", "n": 1, "key": "do", "value": "change", "fields": {}})
    bench.send({"type": "ask", "n": 2, "key": "target", "value": "h-roller", "fields": {}})
    shown = {each["key"]: each["value"] for group in bench.state["form"]["groups"] for each in group["fields"]}
    assert (shown["do"], shown["target"], shown["intake_mid"]) == ("change", "h-roller", "206")
    bench.send({"type": "use", "n": 3, "fields": {**shown, "intake_mid": "210"}})
    assert bench.done == ["Changed Hydraulic roller, 206 deg."] and len(bench.build.candidates) == 4
    bench.send({"type": "ask", "n": 4, "key": "do", "value": "new", "fields": {}})
    assert bench.state["form"]["groups"][0]["fields"][1]["value"] == "new"
