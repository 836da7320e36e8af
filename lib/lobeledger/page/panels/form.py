"""Forms on a page: a cam, the list of cams, springs, lifters, prices, the build.

Any form                                  `FormBox`; its browser half `FormView`
A cam from its card, events or little     `CamForm`
The cams, copied, removed, renamed        `CamsForm`
One cam's springs, lifters, prices        `SpringsForm`, `LiftersForm`, `PricesForm`
The build                                 `BuildForm`

A form is made of a build as it is now and hands on another: `FormBox(current, on_build, system)`. What was wrong stands
beside its field and nothing is changed. Its browser half holds the whole state in one trait and has no initialisation;
where it hears nothing all the same, it says so and the box puts another in its place, with what was typed.
"""

from __future__ import annotations

import importlib.resources
import time
from collections.abc import Callable, Mapping
from typing import Any

import anywidget
import ipywidgets as w
import traitlets

from lobeledger.errors import LedgerError
from lobeledger.page.words import cam_form, sheet_forms
from lobeledger.page.words.forms import Form, trouble_by_key
from lobeledger.parts.build import Build

__all__ = ["BuildForm", "CamForm", "CamsForm", "FormBox", "FormView", "LiftersForm", "PricesForm", "SpringsForm"]

_MOST_FIELDS, _LONGEST = 400, 400
# A view that still complains so long after its answer did not hear it (s).
_HEARS_AFTER_S = 4.0
_TEMPLATES = importlib.resources.files("lobeledger").joinpath("templates")
# (the build after, what was wrong by field, one sentence)
Outcome = tuple[Build, Mapping[str, str], str]


class FormView(anywidget.AnyWidget):
    """The browser's half of a form.

    state: {rev, form, answer, fresh, typed, asked}. rev rises when the form is made anew; answer.n is that of the
    message it answers; fresh: what was typed is taken and goes; typed: what stands in it at first.
    """

    _esm = _TEMPLATES.joinpath("form.js").read_text(encoding="utf-8")
    _css = _TEMPLATES.joinpath("form.css").read_text(encoding="utf-8")
    state = traitlets.Dict().tag(sync=True)

    def __init__(self, state: dict[str, Any], heard: Callable[[dict[str, Any]], None]) -> None:
        super().__init__(state=state, layout=w.Layout(width="100%"))
        self._hear = heard
        self.on_msg(self._heard)

    def _heard(self, _widget: Any, content: Any, _buffers: Any) -> None:
        if isinstance(content, dict):
            self._hear(content)


class FormBox(w.Box):
    """A form over a build. current: the build as it is now. on_build: takes the build after, and what was done.

    system: "us" or "metric". Subclasses say what is asked (`describe`) and what an answer does (`apply`).
    """

    def __init__(
        self, current: Callable[[], Build], on_build: Callable[[Build, str], None], system: str = "us"
    ) -> None:
        super().__init__(layout=w.Layout(width="100%"))
        self.add_class("ll-form")
        self._current, self._on_build, self.system = current, on_build, system
        self.chosen = ""
        self._state: dict[str, Any] = {}
        self._answered_at = 0.0
        self._made(fresh=True)
        self._put(FormView(self._state, self._heard))

    # -- what a form is ---------------------------------------------------------------------------------------

    def describe(self, build: Build) -> Form:
        """What is asked."""
        raise NotImplementedError

    def apply(self, build: Build, answers: Mapping[str, str]) -> Outcome:
        """The build after an answer; the same build and what was wrong where it cannot be taken."""
        raise NotImplementedError

    def act(self, build: Build, act: str, key: str) -> tuple[Build, str]:
        """The build after a button beside a field was pressed, and what was done. Raises LedgerError."""
        return build, ""

    def ask(self, key: str, value: str) -> None:
        """Note that a field that makes the form anew was set to a value."""
        self.chosen = value

    # -- from outside -------------------------------------------------------------------------------------------

    def refresh(self, system: str | None = None) -> None:
        """Ask anew after the build was changed elsewhere; what has been typed stays, and nothing new is not sent."""
        is_other = system is not None and system != self.system
        self.system, before = system or self.system, self._state["form"]
        # What was typed in other units would be another number.
        self._made(fresh=is_other)
        if self._state["form"] != before:
            self.view.state = self._state
        else:
            self._state = dict(self.view.state)

    def answer(self, answers: Mapping[str, str], *, n: int = 0) -> Mapping[str, str]:
        """Take an answer as the page sends it; what was wrong by field, empty where it was taken."""
        build = self._current()
        try:
            after, wrong, said = self.apply(build, answers)
        except LedgerError as trouble:
            after, wrong, said = build, trouble_by_key(str(trouble), build.name, {}), ""
        self._tell(build, after, wrong, said, n)
        return wrong

    # -- from the page ------------------------------------------------------------------------------------------

    def _made(self, build: Build | None = None, *, fresh: bool = False, asked: str = "") -> None:
        self._state = {
            "rev": self._state.get("rev", 0) + 1,
            "form": self.describe(build or self._current()).as_data(),
            "answer": self._state.get("answer"),
            "fresh": fresh,
            "asked": asked,
            "typed": {},
        }

    def _tell(self, before: Build, after: Build, wrong: Mapping[str, str], said: str, n: int) -> None:
        answer = {"n": n, "wrong": dict(wrong), "said": said}
        is_new = not wrong and after is not before
        if is_new:
            self._made(after, fresh=True)
        self._state, self._answered_at = {**self._state, "answer": answer}, time.monotonic()
        # The form is told before the page, which may have much to do with a new build.
        self.view.state = self._state
        if is_new:
            self._on_build(after, said)

    def _heard(self, content: dict[str, Any]) -> None:
        kind, n = content.get("type"), content.get("n")
        n = n if isinstance(n, int) else 0
        answers = _answers(content.get("fields"))
        if kind == "use":
            self.answer(answers, n=n)
        elif kind == "act":
            build = self._current()
            try:
                after, said = self.act(build, str(content.get("act"))[:20], str(content.get("key"))[:80])
                wrong: Mapping[str, str] = {}
            except LedgerError as trouble:
                after, said, wrong = build, "", trouble_by_key(str(trouble), build.name, {})
            self._tell(build, after, wrong, said, n)
        elif kind == "ask":
            self.ask(str(content.get("key"))[:80], str(content.get("value"))[:80])
            self._made(fresh=True, asked=str(content.get("key"))[:80])
            answer = {"n": n, "wrong": {}, "said": ""}
            self._state, self._answered_at = {**self._state, "answer": answer}, time.monotonic()
            self.view.state = self._state
        elif kind == "have":
            if content.get("rev") != self._state["rev"]:
                self.view.send_state("state")
        elif kind == "deaf":
            self._replace(n, answers)

    def _replace(self, n: int, answers: Mapping[str, str]) -> None:
        """Put another view in place of one that has not heard its answer; not while the answer may be on its way."""
        answer = self._state["answer"] or {}
        is_answered = answer.get("n", -1) >= n
        if is_answered and time.monotonic() - self._answered_at < _HEARS_AFTER_S:
            return
        is_taken = is_answered and not answer["wrong"]
        self._put(FormView({**self._state, "typed": {} if is_taken else dict(answers)}, self._heard))

    def _put(self, view: FormView) -> None:
        old = getattr(self, "view", None)
        self.view = view
        self.children = [view]
        if old is not None:
            old.close()


def _answers(fields: Any) -> dict[str, str]:
    """What the page sent, bounded: nothing of it is trusted."""
    if not isinstance(fields, dict):
        return {}
    return {str(key)[:120]: str(value)[:_LONGEST] for key, value in list(fields.items())[:_MOST_FIELDS]}


class CamForm(FormBox):
    """A cam entered from its card, from events, or from the little that is known."""

    is_change = False

    def describe(self, build: Build) -> Form:
        """What is asked of a cam; of one on the list, with its card."""
        ids = [c.id for c in build.candidates]
        changing = (self.chosen if self.chosen in ids else ids[0]) if self.is_change else ""
        return cam_form.cam_form(build, self.system, changing=changing)

    def ask(self, key: str, value: str) -> None:
        """Whether it is a new cam, or which on the list."""
        if key == "do":
            self.is_change = value == "change"
        else:
            self.chosen = value

    def apply(self, build: Build, answers: Mapping[str, str]) -> Outcome:
        """The build with the cam added, or another's card changed."""
        after, entry = cam_form.cam_applied(build, answers, self.system)
        return after, entry.understood.wrong, entry.understood.said


class CamsForm(FormBox):
    """The cams of a build: copied, removed, renamed, one of them fitted."""

    def describe(self, build: Build) -> Form:
        """The list of cams."""
        return sheet_forms.cams_form(build, self.system)

    def apply(self, build: Build, answers: Mapping[str, str]) -> Outcome:
        """The build with cams renamed and the fitted one marked."""
        after, said = sheet_forms.cams_applied(build, answers, self.system)
        return after, said.wrong, said.said

    def act(self, build: Build, act: str, key: str) -> tuple[Build, str]:
        """A cam copied or removed."""
        return sheet_forms.cam_act(build, act, key.removeprefix("name "))


class _OfOneCam(FormBox):
    """A form about one cam, chosen in it."""

    def cam(self, build: Build) -> str:
        """Id of the cam chosen, the first where it is gone."""
        ids = [c.id for c in build.candidates]
        return self.chosen if self.chosen in ids else ids[0]


class SpringsForm(_OfOneCam):
    """The springs of one cam."""

    def describe(self, build: Build) -> Form:
        """Loads, rates, heights."""
        return sheet_forms.springs_form(build, self.cam(build), self.system)

    def apply(self, build: Build, answers: Mapping[str, str]) -> Outcome:
        """The build with that cam's springs changed."""
        return _lines(build, self.describe(build), answers, sheet_forms.cam_specs(build, self.cam(build)))


class LiftersForm(_OfOneCam):
    """The lifters of one cam."""

    def describe(self, build: Build) -> Form:
        """Sizes, mass, lash."""
        return sheet_forms.lifters_form(build, self.cam(build), self.system)

    def apply(self, build: Build, answers: Mapping[str, str]) -> Outcome:
        """The build with that cam's lifters changed."""
        return _lines(build, self.describe(build), answers, sheet_forms.cam_specs(build, self.cam(build)))


class PricesForm(_OfOneCam):
    """What must be bought for one cam, and for how much."""

    def describe(self, build: Build) -> Form:
        """Its price lines, what nobody priced, its hours."""
        return sheet_forms.prices_form(build, self.cam(build), self.system)

    def apply(self, build: Build, answers: Mapping[str, str]) -> Outcome:
        """The build with that cam's prices changed."""
        after, said = sheet_forms.prices_applied(build, self.cam(build), answers, self.system)
        return after, said.wrong, said.said


class BuildForm(FormBox):
    """The build: what a builder knows, the rest folded."""

    def describe(self, build: Build) -> Form:
        """Twelve inputs and the folded rest."""
        return sheet_forms.build_form(build, self.system)

    def apply(self, build: Build, answers: Mapping[str, str]) -> Outcome:
        """The build with its lines changed."""
        return _lines(build, self.describe(build), answers, sheet_forms.specs())


def _lines(build: Build, form: Form, answers: Mapping[str, str], known: Mapping[str, Any]) -> Outcome:
    after, said = sheet_forms.lines_applied(build, form, answers, known)
    return after, said.wrong, said.said
