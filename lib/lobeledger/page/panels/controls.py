"""What a person sets, out of native parts: names for those who listen, number boxes, everything by keyboard.

A number on a track with a box, odds too        `Slider`
Numbers that belong together                    `Numbers`
A box to tick, one of a few, one of many        `Tick`, `Pick`, `Select`
A line or more of text; words between           `Text`, `Note`
A button                                        `Button`
A button that hands a file to the browser       `Download`
Where they stand, in folds under titles         `Controls`

A control is plain Python: setting its `value` shows it and calls `moved`, as a person's move does; inside
`Controls.quietly` it is only shown. All controls of a box share one widget, which is by state (`live`).
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from lobeledger.page.panels.live import Live, Slot, script

__all__ = ["Button", "Control", "Controls", "Download", "Note", "Numbers", "Pick", "Select", "Slider", "Text", "Tick"]

_FILE_NUMBERS = itertools.count(1)


class Control:
    """One thing to set. key: its name in its box; css: classes of its row. What else it shows is in `facts`."""

    kind = ""

    def __init__(
        self,
        key: str,
        label: str,
        value: Any = None,
        moved: Callable[[Any], None] = lambda value: None,
        *,
        css: str = "",
        hint: str = "",
        **facts: Any,
    ) -> None:
        self.key, self.moved, self._value = key, moved, value
        self.facts: dict[str, Any] = {"label": label, "css": css, "hint": hint, **facts}
        self.changed: Callable[[Control, bool], None] = lambda control, is_person: control.moved(control.value)

    @property
    def label(self) -> str:
        """What it is called."""
        return str(self.facts["label"])

    @property
    def value(self) -> Any:
        """What is set."""
        return self._value

    @value.setter
    def value(self, value: Any) -> None:
        if value != self._value:
            self._value = value
            self.changed(self, False)

    def taken(self, value: Any) -> Any:
        """What a person set, as this control holds it. Raises ValueError or TypeError on what is none."""
        return value

    def heard(self, value: Any) -> None:
        """A person has set it."""
        try:
            new = self.taken(value)
        except (TypeError, ValueError):
            return
        if new != self._value:
            self._value = new
            self.changed(self, True)

    def show(self, **facts: Any) -> None:
        """Change what it shows besides its value; shown with the next push of its box."""
        self.facts |= facts

    def state(self) -> dict[str, Any]:
        """What the browser draws."""
        return {"kind": self.kind, "key": self.key, "value": self._value, **self.facts}


class Slider(Control):
    """A number between `low` and `high`. before: where the baseline has it. stops: the only places of the track, as for
    odds, where the box takes others too; prefix: what is said before the number. turns: with a button that runs it."""

    kind = "slider"

    def __init__(
        self,
        key: str,
        label: str,
        value: float,
        moved: Callable[[Any], None] = lambda value: None,
        *,
        low: float = 0.0,
        high: float = 1.0,
        step: float = 1.0,
        unit: str = "",
        prefix: str = "",
        stops: Sequence[float] | None = None,
        turns: bool = False,
        css: str = "",
        hint: str = "",
    ) -> None:
        super().__init__(key, label, value, moved, css=css, hint=hint, low=low, high=high, step=step, unit=unit)
        self.facts |= {"prefix": prefix, "stops": list(stops) if stops else None, "turns": turns, "before": None}

    @property
    def low(self) -> float:
        """The lower end."""
        stops = self.facts["stops"]
        return float(stops[0] if stops else self.facts["low"])

    @property
    def high(self) -> float:
        """The upper end."""
        stops = self.facts["stops"]
        return float(stops[-1] if stops else self.facts["high"])

    def taken(self, value: Any) -> float:
        """The number, kept between the ends; odds may lie beyond the last stop."""
        number = float(value)
        if number != number:
            raise ValueError("not a number")
        if self.facts["stops"]:
            return max(1.0, number)
        return min(max(number, self.low), self.high)


class Numbers(Control):
    """Some numbers under one name. parts: of each its label, unit, low and high."""

    kind = "numbers"

    def taken(self, value: Any) -> tuple[float, ...]:
        """As many numbers as there are parts, each between its ends."""
        parts = self.facts["parts"]
        if len(value) != len(parts):
            raise ValueError("so many numbers are not asked")
        return tuple(min(max(float(each), part["low"]), part["high"]) for each, part in zip(value, parts, strict=True))


class Tick(Control):
    """A box to tick."""

    kind = "tick"

    def taken(self, value: Any) -> bool:
        """Ticked or not."""
        return bool(value)


class Pick(Control):
    """One of a few, all in sight. options: pairs of value and text."""

    kind = "pick"

    @property
    def options(self) -> list[Any]:
        """The values there are."""
        return [value for value, _ in self.facts["options"]]

    def taken(self, value: Any) -> Any:
        """One of the options."""
        if value not in self.options:
            raise ValueError("no option")
        return value


class Select(Pick):
    """One of many."""

    kind = "select"


class Text(Control):
    """Words a person writes. lines: how many are in sight."""

    kind = "text"

    def taken(self, value: Any) -> str:
        """The words."""
        return str(value)


class Note(Control):
    """Words between controls; strong: the name of what follows."""

    kind = "note"


class Button(Control):
    """A button; `act` is called when it is pressed. on: whether it can do anything now. main: the one to press first.
    expanded: whether what it opens is open, None where it opens nothing. does: "print" is done by the browser.
    shortcut: a letter that presses it with Ctrl, on a page."""

    kind = "button"

    def __init__(
        self,
        key: str,
        label: str,
        act: Callable[[], None] = lambda: None,
        *,
        on: bool = True,
        main: bool = False,
        expanded: bool | None = None,
        does: str = "",
        shortcut: str = "",
        css: str = "",
        hint: str = "",
    ) -> None:
        super().__init__(key, label, css=css, hint=hint, on=on, main=main, expanded=expanded, does=does)
        self.facts["shortcut"] = shortcut
        self._act = act

    def click(self) -> None:
        """Press it."""
        if self.facts["on"]:
            self._act()

    def heard(self, value: Any) -> None:
        """A person has pressed it."""
        self.click()


class _ControlsView(Live):
    _esm = script("live", "controls")


class Controls:
    """Controls in folds under their titles; `box` is what the page shows. A title of '' has no fold."""

    def __init__(self, label: str = "", css: str = "") -> None:
        self._label = label
        self.sections: dict[str, list[Control]] = {}
        self._open: tuple[str, ...] = ()
        self._file: dict[str, Any] | None = None
        self._quiet = 0
        self._lock = threading.RLock()
        self.box = Slot(_ControlsView, self._state(), self._heard)
        self.box.add_class("ll-controls")
        if css:
            self.box.add_class(css)

    def fill(self, sections: Mapping[str, Sequence[Control]], opened: Sequence[str] | None = None) -> None:
        """Put these controls in place of what stands. opened: titles whose fold is open at first; None: all."""
        with self._lock:
            self.sections = {title: list(each) for title, each in sections.items()}
            self._open = tuple(sections if opened is None else opened)
            for control in self.every():
                control.changed = self._changed
                if isinstance(control, Download):
                    control.into = self
        self.push()

    def every(self) -> list[Control]:
        """All controls in order."""
        return [control for section in self.sections.values() for control in section]

    def __getitem__(self, key: str) -> Control:
        for control in self.every():
            if control.key == key:
                return control
        raise KeyError(key)

    def __contains__(self, key: str) -> bool:
        return any(control.key == key for control in self.every())

    def values(self) -> dict[str, Any]:
        """What is set, by key."""
        return {control.key: control.value for control in self.every() if control.kind not in ("note", "button")}

    @contextmanager
    def quietly(self) -> Iterator[None]:
        """Values set within are shown together at the end, and move nothing."""
        self._quiet += 1
        try:
            yield
        finally:
            self._quiet -= 1
            if not self._quiet:
                self.push()

    def push(self) -> None:
        """Show all as it stands."""
        with self._lock:
            self.box.push(self._state())

    def hand_out(self, name: str, mime: str, text: str) -> None:
        """Hand a file to the browser. It goes with the state, so that it arrives or is sent again."""
        self._file = {"id": f"{id(self)}-{next(_FILE_NUMBERS)}", "name": name, "mime": mime, "text": text}
        self.push()

    def _state(self) -> dict[str, Any]:
        sections = [
            {"title": title, "open": title in self._open, "items": [control.state() for control in each]}
            for title, each in self.sections.items()
        ]
        return {"label": self._label, "sections": sections, "file": self._file}

    def _changed(self, control: Control, is_person: bool) -> None:
        if is_person:
            # The browser shows it already; the state it would be sent anew must hold it too.
            with self._lock:
                self.box.live.state.update(self._state())
        if self._quiet:
            return
        if not is_person:
            self.push()
        control.moved(control.value)

    def _heard(self, content: dict[str, Any]) -> None:
        match content.get("type"):
            case "set" if str(content.get("key")) in self:
                self[content["key"]].heard(content.get("value"))
            case "given" if self._file is not None and content.get("id") == self._file["id"]:
                self._file = None
                self.box.live.state.update(file=None)


class Download(Button):
    """A button that hands a file to the browser. make(): its name, media type and text, or None when there is none."""

    def __init__(
        self, key: str, label: str, make: Callable[[], tuple[str, str, str] | None], hint: str = "", css: str = ""
    ) -> None:
        super().__init__(key, label, self._give, hint=hint, css=css)
        self._make = make
        self.into: Any = None  # the `Controls` it stands in

    def _give(self) -> None:
        made = self._make()
        if made is not None and self.into is not None:
            self.into.hand_out(*made)
