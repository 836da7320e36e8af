"""Widgets by state: what stands on the page is the whole of what the kernel last said, or heals until it is.

A widget whose whole state is one trait        `Live`
A place on the page that holds one             `Slot`
The JavaScript of one                          `script`

A message that changes something relative to what stood before is lost for good when the browser's half is not
listening yet. Here one synced trait holds everything with a revision; the browser says which revision it has, is sent
the state again when that is an older one or no word comes, and asks by itself after a while and when it wakes up.

A browser's half can also be deaf for good. anywidget gives a model two seconds to initialise; when they pass, as on a
slow or busy computer, every later message to it is thrown away although it is drawn and its own messages arrive. So
nothing here waits in its initialisation, and a half that gets no answer says so and is replaced by a new one in its
`Slot`, a plain box, which cannot be deaf.
"""

from __future__ import annotations

import importlib.resources
import threading
import time
from collections.abc import Callable
from typing import Any

import anywidget
import ipywidgets as w
import traitlets

__all__ = ["Live", "Slot", "script"]

# After so long without a word the state is sent again (s).
_AGAIN_S = (3.0, 8.0, 20.0)
# One that was answered longer ago than this and still complains did not hear the answer (s); before that the answer
# may be on its way, as when a busy kernel takes up questions and complaint at once.
_HEARS_AFTER_S = 5.0


def script(*names: str) -> str:
    """The JavaScript files of that name, one after another, as one module."""
    templates = importlib.resources.files("lobeledger").joinpath("templates")
    return "\n".join(templates.joinpath(f"{name}.js").read_text(encoding="utf-8") for name in names)


class Live(anywidget.AnyWidget):
    """One browser's half: it draws `state` and answers with the revision it has."""

    state: Any = traitlets.Dict({"rev": 0}).tag(sync=True)

    def __init__(self, state: dict[str, Any], heard: Callable[[dict[str, Any]], None]) -> None:
        """heard(message) is called with what the browser's half says for itself, on the kernel's thread."""
        super().__init__(state=state)
        self.has_rev = -1
        self._answered_at: float | None = None
        self._on_own = heard
        self.on_msg(self._heard)

    def say_again(self) -> None:
        """Send the whole state once more."""
        if self.comm is not None:
            self.send_state("state")

    @property
    def is_deaf(self) -> bool:
        """Whether an answer has been on its way so long that it cannot have been heard."""
        return self._answered_at is not None and time.monotonic() - self._answered_at > _HEARS_AFTER_S

    def _heard(self, _widget: Any, content: Any, _buffers: Any) -> None:
        if not isinstance(content, dict):
            return
        match content.get("type"):
            case "has":
                self.has_rev = int(content["rev"])
            case "have":
                self.send({"type": "newest", "rev": self.state["rev"]})
                if self._answered_at is None:
                    self._answered_at = time.monotonic()
                if int(content["rev"]) != self.state["rev"]:
                    self.say_again()
            case _:
                self._on_own(content)


class Slot(w.Box):
    """Where a `Live` stands. `push` brings it to a state; a deaf one is replaced by another with the same state."""

    def __init__(self, kind: type[Live], state: dict[str, Any], heard: Callable[[dict[str, Any]], None]) -> None:
        super().__init__()
        self.add_class("ll-slot")
        self._kind, self._heard_own = kind, heard
        self._lock = threading.RLock()
        self._timer: threading.Timer | None = None
        self._turn = 0
        self.replaced = 0
        self._put({**state, "rev": 0})

    def _put(self, state: dict[str, Any]) -> None:
        self.live = self._kind(state, self._hears)
        self.children = [self.live]

    @property
    def shown(self) -> dict[str, Any]:
        """The state as it was last pushed, its revision in it."""
        return dict(self.live.state)

    def push(self, state: dict[str, Any]) -> bool:
        """Bring the widget to this state; False, and nothing is sent, where nothing differs. Safe from any thread."""
        with self._lock:
            rev = self.live.state["rev"]
            if {**state, "rev": rev} == self.live.state:
                return False
            self.live.state = {**state, "rev": rev + 1}
            self._watch(0)
            return True

    def _watch(self, turn: int) -> None:
        """Look after a while whether the newest state has arrived; one look is due at a time, and soon after a push."""
        if self._timer is not None:
            if self._turn <= turn:
                return
            self._timer.cancel()
        self._turn = turn
        self._timer = threading.Timer(_AGAIN_S[turn], self._look, (turn,))
        self._timer.daemon = True
        self._timer.start()

    def _look(self, turn: int) -> None:
        with self._lock:
            self._timer = None
            if self.live.has_rev != self.live.state["rev"]:
                self.live.say_again()
                if turn + 1 < len(_AGAIN_S):
                    self._watch(turn + 1)

    def _hears(self, content: dict[str, Any]) -> None:
        if content.get("type") == "deaf":
            self._replace()
        else:
            self._heard_own(content)

    def _replace(self) -> None:
        with self._lock:
            old = self.live
            if not old.is_deaf:
                return
            self.replaced += 1
            self._put(old.state)
        old.close()
