"""What a page must not lose: the build that is open, over pages, dead kernels and dead servers.

The widget that keeps it             `Keeper`

A panel hands every state of its build to `Keeper.keep`, and brings one back when `restore` is called. The keeper puts
it on the tab's desk (`keeper_desk`) at once, gives the browser a copy for the day when no server is there, and answers
the page's question whether anybody is still there.

A model of anywidget that is slow to initialise hears nothing from the kernel ever after, while what it sends is heard.
So the page's script only asks, again and again until it is answered, and the answers stand in two plain HTML widgets
that cannot go deaf: the pulse, and the note with the desk and the copy.
"""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import Any

import anywidget
import ipywidgets as w

from lobeledger.errors import LedgerError
from lobeledger.page.panels.keeper_desk import (
    Desk,
    DeskMovedOn,
    Kept,
    asked_desk,
    desks_folder,
    is_desk_id,
    new_desk_id,
)
from lobeledger.parts.build import Build
from lobeledger.sheet.change import change, sheet_text
from lobeledger.sheet.fields import LARGEST_SHEET_BYTES

__all__ = ["Keeper"]

_HERE = Path(__file__).parent
# The copy for the browser has its changes folded in among the sheet's comments, which takes longer than a move may.
_COPY_AFTER_S = 0.7
_ELSEWHERE = "This build was changed on another page; it is shown here as it stands there now."
_ON_ITS_OWN = (
    "This build was changed on two pages at once. Nothing was written over: this page goes on by itself from here."
)


class _Script(anywidget.AnyWidget):
    _esm = _HERE / "keeper.js"
    _css = _HERE / "keeper.css"


@dataclass(frozen=True)
class _State:
    """A build as a panel has it."""

    build: Build
    moved: tuple[tuple[str, Any], ...]
    name: str
    view: tuple[tuple[str, str], ...]

    def now(self) -> Build:
        return change(self.build, dict(self.moved)) if self.moved else self.build


class Keeper:
    """Keeps the open build of one panel; `widget` stands first in the panel and shows nothing while all is well.

    restore(kept) brings a kept build back, may raise LedgerError, and is called on the kernel's own thread; say(sentence)
    tells something in passing; fail(sentence) says what could not be brought back. folder: where desks are kept.
    """

    def __init__(
        self,
        restore: Callable[[Kept], None],
        *,
        say: Callable[[str], None] = lambda sentence: None,
        fail: Callable[[str], None] = lambda sentence: None,
        folder: Path | None = None,
    ) -> None:
        self._restore, self._say, self._fail = restore, say, fail
        self._folder = folder or desks_folder()
        self._last: Kept | None = None
        self._sheet, self._count = "", 0
        self._waiting: _State | None = None
        self._copy_of: _State | None = None
        self._closed = self._writing = False
        self._alone = threading.RLock()  # what lies on the desk
        self._asked = threading.Condition()  # what waits to be put there
        self._thread: threading.Thread | None = None
        asked = asked_desk()
        self._desk = Desk(self._folder, asked) if asked else None
        hidden = w.Layout(display="none")
        self._pulse, self._note = w.HTML(layout=hidden), w.HTML(layout=hidden)
        self._pulse.add_class("ll-keeper-pulse")
        self._note.add_class("ll-keeper-note")
        script = _Script()
        script.on_msg(self._heard)
        self.widget = w.Box([script, self._pulse, self._note])
        self.widget.add_class("ll-keeper")
        self._tell()

    # -- what a panel calls --------------------------------------------------------------------------------

    @property
    def desk_id(self) -> str:
        """The desk that this page keeps on; nothing while the browser has not named one."""
        return self._desk.id if self._desk else ""

    def first(self) -> Kept | None:
        """What the page's address asks for: to be opened in place of the build that the page would start with."""
        with self._alone:
            found = self._desk.read() if self._desk else None
            self._last = found or self._last
            return found

    def keep(
        self, build: Build, moved: Mapping[str, Any], *, name: str = "", view: Mapping[str, str] | None = None
    ) -> None:
        """Keep a build with what has been moved in it since; returns at once, and the newest of several wins.

        name: how the list of builds calls it. view: what else should follow to another page, such as the units.
        """
        state = _State(build, tuple(moved.items()), name, tuple(sorted((view or {}).items())))
        with self._asked:
            if self._closed:
                return
            self._waiting = state
            if self._thread is None:
                self._thread = threading.Thread(target=self._loop, name="lobeledger-keeper", daemon=True)
                self._thread.start()
            self._asked.notify_all()

    def wait(self, timeout_s: float = 10.0) -> bool:
        """Block until all is on the desk and the browser has its copy; False if that takes longer."""

        def done() -> bool:
            return self._waiting is None and self._copy_of is None and not self._writing

        with self._asked:
            return self._asked.wait_for(done, timeout_s)

    def close(self) -> None:
        """Stop for good; what lies on the desk stays there."""
        with self._asked:
            self._closed = True
            self._asked.notify_all()

    # -- keeping, on a thread of its own -------------------------------------------------------------------

    def _loop(self) -> None:
        due = 0.0
        while True:
            with self._asked:
                while not self._closed and self._waiting is None:
                    left = due - time.monotonic() if self._copy_of is not None else None
                    if left is not None and left <= 0.0:
                        break
                    self._asked.wait(left)
                if self._closed:
                    return
                state, self._waiting = self._waiting, None
                copy = None
                if state is not None:
                    self._copy_of, due = state, time.monotonic() + _COPY_AFTER_S
                else:
                    copy, self._copy_of = self._copy_of, None
                self._writing = True
            try:
                if state is not None:
                    self._put(state)
                elif copy is not None:
                    self._hand_out(copy)
            except LedgerError:
                pass  # a build that cannot stand is said by the panel; the one before it stays kept
            finally:
                with self._asked:
                    self._writing = False
                    self._asked.notify_all()

    def _put(self, state: _State) -> None:
        now = state.now()
        with self._alone:
            after = self._last.revision if self._last else 0
            kept = Kept(now.source, state.name, after + 1, dict(state.view))
            if self._last is not None and kept.is_as(self._last):
                return
            self._last = kept
            self._write(kept, after)

    def _write(self, kept: Kept, after: int) -> None:
        if self._desk is None:
            return
        try:
            try:
                self._desk.write(kept, after=after)
            except DeskMovedOn:
                self._desk = Desk(self._folder, new_desk_id())
                self._desk.write(kept, after=0)
                self._tell()
                self._say(_ON_ITS_OWN)
        except (OSError, ValueError):
            pass  # a full or a locked disk: the browser still has its copy

    def _hand_out(self, state: _State) -> None:
        sheet = sheet_text(state.now())
        with self._alone:
            self._sheet = sheet
            self._tell()

    def _tell(self) -> None:
        """Write the note that the page reads."""
        with self._alone:
            self._count += 1
            last = self._last
            note = {
                "count": self._count,
                "desk": self.desk_id,
                "kernel": _kernel_id(),
                "revision": last.revision if last else 0,
                "name": last.name if last else "",
                "sheet": self._sheet,
            }
            self._note.value = f'<data value="{escape(json.dumps(note), quote=True)}"></data>'

    # -- what the page asks --------------------------------------------------------------------------------

    def _heard(self, _widget: Any, content: Any, _buffers: Any) -> None:
        if not isinstance(content, dict):
            return
        kind = content.get("type")
        if kind == "ping":
            number = content.get("number")
            if isinstance(number, int):
                self._pulse.value = f'<data value="{number}"></data>'
            if content.get("have") != self._count:
                self._note.send_state("value")
        elif kind == "hello":
            self._hello(content)
        elif kind == "look":
            self._look()

    def _hello(self, content: Mapping[str, Any]) -> None:
        """A page that carries a desk, and perhaps a copy of what lay on it."""
        desk_id, text = content.get("desk"), content.get("sheet")
        if self._desk is not None or not isinstance(desk_id, str) or not is_desk_id(desk_id):
            self._tell()
            return
        with self._alone:
            self._desk = Desk(self._folder, desk_id)
            found = self._desk.read()
            revision = content.get("revision")
            if isinstance(text, str) and 0 < len(text) <= LARGEST_SHEET_BYTES and isinstance(revision, int):
                if found is None or revision > found.revision:
                    found = Kept(text, str(content.get("name", ""))[:120], revision)
            if found is None:
                if self._last is not None:
                    self._write(self._last, 0)
                self._tell()
                return
        self._bring_back(found)

    def _look(self) -> None:
        """Somebody looks at this page again: show what another page of the same desk has made of the build."""
        with self._asked:
            if self._waiting is not None:
                return
        with self._alone:
            found = self._desk.read() if self._desk else None
            if found is None or found.revision <= (self._last.revision if self._last else 0):
                return
        if self._bring_back(found):
            self._say(_ELSEWHERE)

    def _bring_back(self, kept: Kept) -> bool:
        with self._alone:
            before, self._last = self._last, kept
        try:
            self._restore(kept)
        except LedgerError as trouble:
            # What cannot be read is left behind; the build that is open is kept in its place from the next move on.
            with self._alone:
                self._last = replace(before or Kept(""), revision=kept.revision)
            self._fail(str(trouble))
            return False
        finally:
            self._tell()
        return True


def _kernel_id() -> str:
    """The kernel's name at its server, by the file it was started with; nothing outside a kernel."""
    try:
        from ipykernel.connect import get_connection_file

        found = re.fullmatch(r"kernel-([\w-]+)\.json", Path(get_connection_file()).name)
    except (ImportError, RuntimeError, OSError):
        return ""
    return found.group(1) if found else ""
