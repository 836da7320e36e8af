"""A panel whose build goes with the person: kept at every move, brought back on the next page.

Mixed in before a panel          `Keeping`
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger.errors import LedgerError
from lobeledger.page.panels.base import SheetPanel
from lobeledger.page.panels.keeper import Keeper
from lobeledger.page.panels.keeper_desk import Kept

__all__ = ["Keeping"]

# Controls that follow to the next page with the build, where it has them too.
_FOLLOWING = ("system", "cam", "which")


class Keeping(SheetPanel[Any, Any]):
    """Mixed in before a panel's own class: `class Kept(Keeping, ChoosePanel)`."""

    def __init__(self, folder: Path, *arguments: Any, **named: Any) -> None:
        self.keeper = Keeper(self.restore, say=self.say, fail=self.fail)
        self._starts = True
        super().__init__(folder, *arguments, **named)

    def frame(self, body: Iterable[w.Widget]) -> w.Widget:
        """The panel, with the keeper first."""
        widget = super().frame(body)
        assert isinstance(widget, w.Box)
        widget.children = (self.keeper.widget, *widget.children)
        # The list of builds is brought to a build's name after it is open.
        self.picker.observe(lambda _: self._keep(), names="value")
        return widget

    def close(self) -> None:
        """Stop all work of this panel for good."""
        self.keeper.close()
        super().close()

    def open_file(self, name: str) -> None:
        """Open a build by name; the first time, the one that this tab of the browser was left with."""
        kept, self._starts = self.keeper.first() if self._starts else None, False
        if kept is not None:
            try:
                self.restore(kept)
                return
            except LedgerError as trouble:
                super().open_file(name)
                self.fail(str(trouble))
                return
        super().open_file(name)

    def request(self) -> None:
        """Ask for the result of the controls as they stand, and keep the build as it stands."""
        super().request()
        if not self._quiet:
            self._keep()

    def restore(self, kept: Kept) -> None:
        """Bring back a kept build with what was moved in it; Reset goes to it as it was read. Raises LedgerError."""
        as_read, now = kept.builds()

        def bring() -> None:
            cam, ids = getattr(self, "cam", None), [c.id for c in now.candidates]
            if cam is not None and kept.view.get("cam") in ids:
                # Where another page chose a cam, this one's list must hold it first; else the panel chooses as ever.
                self.forget()  # type: ignore[attr-defined]
                cam.options = [(c.name, c.id) for c in now.candidates]
            for name in _FOLLOWING:
                control, value = getattr(self, name, None), kept.view.get(name)
                if control is not None and value in _values(control):
                    control.value = value

        self.quietly(bring)
        if kept.view.get("system", now.system) != now.system:
            self._units_chosen = (
                True  # units that differ from the sheet's own were chosen by hand, on this page or another
            )
        self.open(now)
        self._as_read = as_read
        self._steps.amend(self._step("bringing the build back"))
        if kept.name in self.names():
            self._elsewhere = {}
            self.list_builds(kept.name)
        else:
            label = kept.name or f"{now.name} (kept)"
            self._elsewhere = {label: as_read}
            self.list_builds(label)

    def _keep(self) -> None:
        view = {name: str(c.value) for name in _FOLLOWING if (c := getattr(self, name, None)) is not None}
        self.keeper.keep(self.build, self._moved, name=str(self.picker.value or ""), view=view)


def _values(control: Any) -> list[Any]:
    """What a control can be set to: widgets have pairs of text and value, our own controls of value and text."""
    facts = getattr(control, "facts", None)
    if facts is not None:
        return [value for value, _ in facts["options"]]
    return [each[1] if isinstance(each, tuple) else each for each in control.options]
