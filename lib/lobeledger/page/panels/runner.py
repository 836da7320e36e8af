"""The panel runner: slow work off the kernel's thread, so that a panel stays alive.

Run compute for the newest inputs           `Runner.request`
Stop what is running                        `Runner.cancel`
Report progress, notice a cancel            `Progress.step`
Is this what was asked before?              `Kept`
Where are unexpected errors written?        `log_path`

A kernel runs callbacks one after another on its own thread; a callback that computes there cannot hear of the next
move or of a cancel. So compute runs in one worker thread. The newest request wins: a running compute learns at its
next `Progress.step` that it is no longer wanted. What was shown stays until the next result is ready. Our own
errors are shown as their sentence; anything else is logged and shown as our fault. Nothing here knows widgets.
"""

from __future__ import annotations

import logging
import logging.handlers
import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Generic, TypeVar

from lobeledger.errors import LedgerError

__all__ = ["Cancelled", "Kept", "Progress", "Runner", "log_path"]

Inputs = TypeVar("Inputs")
Result = TypeVar("Result")
PATIENCE_S = 0.5


class Cancelled(Exception):
    """Raised inside compute by `Progress.step` when its result is no longer wanted."""


def log_path() -> Path:
    """The log file for unexpected errors: inside the environment, which belongs to the user."""
    return Path(os.environ.get("LOBELEDGER_LOG") or Path(sys.prefix) / "var" / "lobeledger.log")


def _log() -> logging.Logger:
    log = logging.getLogger("lobeledger")
    target = str(log_path())
    if not any(getattr(h, "baseFilename", None) == os.path.abspath(target) for h in log.handlers):
        Path(target).parent.mkdir(parents=True, exist_ok=True)
        handler = logging.handlers.RotatingFileHandler(target, maxBytes=1_000_000, backupCount=1, encoding="utf-8")
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
        log.addHandler(handler)
        log.propagate = False
    return log


class Progress:
    """Handed to compute: `step` between chunks reports progress and stops unwanted work."""

    def __init__(self, wanted: Callable[[], bool], report: Callable[[float], None]) -> None:
        self._wanted, self._report = wanted, report

    def step(self, done: float, total: float = 1.0) -> None:
        """Say that `done` of `total` is finished. Raises Cancelled when nobody wants the rest."""
        if not self._wanted():
            raise Cancelled
        self._report(done / total if total else 1.0)


class Kept(Generic[Inputs, Result]):
    """The last few results by what they were found from: asked the same again, nothing is found anew.

    So a panel that only changes its units shows the same facts. Keys are compared, not hashed, for a build is no key of
    a dictionary; they hold no unit system. Threads may share one; two that ask at once for the same may both find it.
    """

    def __init__(self, most: int = 3) -> None:
        self._most, self._lock = most, threading.Lock()
        self._kept: list[tuple[Inputs, Result]] = []

    def of(self, key: Inputs, find: Callable[[], Result]) -> Result:
        """The result of `find()`, or the one kept for an equal key. What `find` raises passes through."""
        with self._lock:
            kept = list(self._kept)
        for known, result in kept:
            if known == key:
                return result
        result = find()
        with self._lock:
            self._kept = [(key, result), *self._kept][: self._most]
        return result


class Runner(Generic[Inputs, Result]):
    """Runs `compute(inputs, progress)` in a worker thread and hands the newest result to `show`.

    show(result), fail(sentence) and busy(share) are called from the worker: busy with a share from 0 to 1 once
    work has taken half a second, then with None when it has ended. Requests made while work is under way replace
    one another; only the last is run. Runners that draw on one panel share a `drawing` lock: whether a result or
    failure is still wanted is asked once it is held, so an older one never covers a newer one.
    """

    def __init__(
        self,
        compute: Callable[[Inputs, Progress], Result],
        show: Callable[[Result], None],
        *,
        fail: Callable[[str], None],
        busy: Callable[[float | None], None] = lambda share: None,
        name: str = "panel",
        drawing: threading.Lock | None = None,
    ) -> None:
        self._compute, self._show, self._fail, self._busy = compute, show, fail, busy
        self._drawing = drawing or threading.Lock()
        self._condition = threading.Condition()
        self._waiting: list[Inputs] = []
        self._newest = 0
        self._closed = self._running = False
        self._thread = threading.Thread(target=self._loop, name=f"lobeledger-{name}", daemon=True)
        self._thread.start()

    def request(self, inputs: Inputs) -> None:
        """Ask for a result; anything asked for earlier and not yet shown is dropped."""
        with self._condition:
            if self._closed:
                return
            self._newest += 1
            self._waiting = [inputs]
            self._condition.notify_all()

    def cancel(self) -> None:
        """Drop what is waiting and tell what is running to stop; what is shown stays."""
        with self._condition:
            self._newest += 1
            self._waiting = []
            self._condition.notify_all()

    def wait(self, timeout_s: float = 60.0) -> bool:
        """Block until nothing is waiting or running; False if that takes longer than `timeout_s`."""
        with self._condition:
            return self._condition.wait_for(lambda: not self._waiting and not self._running, timeout_s)

    def close(self) -> None:
        """Stop for good; the worker ends at its next step."""
        with self._condition:
            self._closed = True
            self._newest += 1
            self._waiting = []
            self._condition.notify_all()

    def _loop(self) -> None:
        while True:
            with self._condition:
                self._condition.wait_for(lambda: self._waiting or self._closed)
                if self._closed:
                    return
                (inputs,), self._waiting = self._waiting, []
                ticket, self._running = self._newest, True
            try:
                self._run(inputs, ticket)
            finally:
                with self._condition:
                    self._running = False
                    self._condition.notify_all()

    def _run(self, inputs: Inputs, ticket: int) -> None:
        started, said = time.monotonic(), False

        def wanted() -> bool:
            return ticket == self._newest

        def hand_over(say: Callable[[], None]) -> None:
            with self._drawing:
                if wanted():
                    say()

        lock = threading.Lock()
        share = 0.0
        over = False

        def report(value: float) -> None:
            nonlocal share, said
            with lock:
                share = value
                if not over and time.monotonic() - started >= PATIENCE_S:
                    said = True
                    self._busy(value)

        # Work that takes no step in its first half second still shows that it is under way.
        timer = threading.Timer(PATIENCE_S, lambda: report(share))
        timer.daemon = True
        timer.start()
        try:
            result = self._compute(inputs, Progress(wanted, report))
            hand_over(lambda: self._show(result))
        except Cancelled:
            pass
        except LedgerError as trouble:
            sentence = str(trouble)
            hand_over(lambda: self._fail(sentence))
        except Exception:
            _log().exception("unexpected error in a panel; inputs: %r", inputs)
            hand_over(
                lambda: self._fail(
                    f"This is our fault, not yours: something unexpected went wrong. The details are in {log_path()}."
                )
            )
        finally:
            timer.cancel()
            with lock:
                over = True
                if said:
                    self._busy(None)
