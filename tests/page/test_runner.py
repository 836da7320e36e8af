"""The panel runner without a browser: ordering, cancel, error, progress."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lobeledger.errors import NoSolution
from lobeledger.page.panels.runner import PATIENCE_S, Kept, Progress, Runner, log_path


class Desk:
    """Collects what a runner says."""

    def __init__(self) -> None:
        self.shown: list[Any] = []
        self.failed: list[str] = []
        self.busy: list[float | None] = []

    def runner(self, compute: Any) -> Runner[Any, Any]:
        return Runner(compute, self.shown.append, fail=self.failed.append, busy=self.busy.append)


@pytest.fixture()
def desk() -> Iterator[Desk]:
    yield Desk()


def test_what_was_found_is_kept_by_an_equal_key_and_the_oldest_goes() -> None:
    kept: Kept[list[int], list[str]] = Kept(2)
    asked: list[str] = []

    def find(text: str) -> list[str]:
        asked.append(text)
        return [text]

    first = kept.of([1], lambda: find("one"))
    assert kept.of([1], lambda: find("again")) is first and asked == ["one"]
    kept.of([2], lambda: find("two"))
    kept.of([3], lambda: find("three"))
    assert kept.of([1], lambda: find("anew")) == ["anew"]


def test_what_fails_is_not_kept() -> None:
    kept: Kept[int, int] = Kept()

    def fails() -> int:
        raise NoSolution("no")

    with pytest.raises(NoSolution):
        kept.of(1, fails)
    assert kept.of(1, lambda: 7) == 7


def test_result_is_shown(desk: Desk) -> None:
    runner = desk.runner(lambda x, progress: x * 2)
    runner.request(21)
    assert runner.wait(5)
    assert desk.shown == [42] and desk.failed == [] and desk.busy == []


def test_newest_request_wins_and_stale_results_are_never_shown(desk: Desk) -> None:
    gate, started = threading.Event(), threading.Event()
    ran: list[int] = []

    def compute(x: int, progress: Progress) -> int:
        ran.append(x)
        started.set()
        if x == 0:
            gate.wait(5)
        return x

    runner = desk.runner(compute)
    runner.request(0)
    assert started.wait(5)
    for x in range(1, 50):
        runner.request(x)
    gate.set()
    assert runner.wait(5)
    assert desk.shown == [49]
    assert ran == [0, 49], "requests in between must not be computed"


def test_running_work_stops_at_its_next_step_when_superseded(desk: Desk) -> None:
    started = threading.Event()
    steps: list[int] = []

    def compute(x: str, progress: Progress) -> str:
        if x == "long":
            started.set()
            for i in range(10_000):
                steps.append(i)
                time.sleep(0.001)
                progress.step(i, 10_000)
        return x

    runner = desk.runner(compute)
    runner.request("long")
    assert started.wait(5)
    runner.request("short")
    assert runner.wait(5)
    assert desk.shown == ["short"]
    assert len(steps) < 5_000


def test_cancel_keeps_what_was_shown(desk: Desk) -> None:
    started = threading.Event()

    def compute(x: str, progress: Progress) -> str:
        if x == "long":
            started.set()
            while True:
                time.sleep(0.001)
                progress.step(0.5)
        return x

    runner = desk.runner(compute)
    runner.request("first")
    assert runner.wait(5)
    runner.request("long")
    assert started.wait(5)
    runner.cancel()
    assert runner.wait(5), "cancel must end the work"
    assert desk.shown == ["first"] and desk.failed == []
    runner.request("after")
    assert runner.wait(5)
    assert desk.shown == ["first", "after"]


def test_our_own_error_is_its_one_sentence(desk: Desk) -> None:
    def compute(x: int, progress: Progress) -> int:
        raise NoSolution("the face is too small: use one of at least 0.875 in")

    runner = desk.runner(compute)
    runner.request(1)
    assert runner.wait(5)
    assert desk.failed == ["the face is too small: use one of at least 0.875 in"]
    assert desk.shown == []


def test_any_other_error_is_our_fault_and_logged(desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOBELEDGER_LOG", str(tmp_path / "ü log" / "lobeledger.log"))

    def compute(x: int, progress: Progress) -> float:
        return 1 / x

    runner = desk.runner(compute)
    runner.request(0)
    assert runner.wait(5)
    assert len(desk.failed) == 1 and "our fault" in desk.failed[0] and str(log_path()) in desk.failed[0]
    assert "ZeroDivisionError" in log_path().read_text(encoding="utf-8")
    runner.request(4)
    assert runner.wait(5)
    assert desk.shown == [0.25], "the runner lives on after an error"


def test_progress_is_shown_only_for_work_over_half_a_second(desk: Desk) -> None:
    def compute(seconds: float, progress: Progress) -> float:
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            progress.step(1 - left / seconds)
            time.sleep(0.01)
        return seconds

    runner = desk.runner(compute)
    runner.request(0.1)
    assert runner.wait(5) and desk.busy == []
    runner.request(PATIENCE_S + 0.3)
    assert runner.wait(5)
    shares = [s for s in desk.busy if s is not None]
    assert shares and all(0.0 < s <= 1.0 for s in shares) and shares == sorted(shares)
    assert desk.busy[-1] is None, "the bar goes away when the work has ended"


def test_work_without_steps_still_shows_that_it_is_under_way(desk: Desk) -> None:
    runner = desk.runner(lambda x, progress: time.sleep(PATIENCE_S + 0.3))
    runner.request(1)
    assert runner.wait(5)
    assert desk.busy == [0.0, None]


def test_an_older_result_of_another_runner_never_covers_a_newer_one() -> None:
    """Two runners draw on one panel; the slow one's result is ready while the quick one is drawing a newer answer."""
    shown: list[str] = []
    drawing, ready, quick_draws = threading.Lock(), threading.Event(), threading.Event()

    def look_up(x: str, progress: Progress) -> str:
        if x == "old":
            assert quick_draws.wait(5)
            ready.set()
        return x

    slow: Runner[str, str] = Runner(look_up, lambda x: shown.append(f"{x} details"), fail=shown.append, drawing=drawing)

    def show(x: str) -> None:
        quick_draws.set()
        assert ready.wait(5)
        time.sleep(0.2)  # the slow one now waits for the lock
        slow.request(x)
        shown.append(x)

    quick: Runner[str, str] = Runner(lambda x, progress: x, show, fail=shown.append, drawing=drawing)
    slow.request("old")
    quick.request("new")
    assert quick.wait(5) and slow.wait(5)
    assert shown == ["new", "new details"]


def test_closed_runner_does_nothing(desk: Desk) -> None:
    runner = desk.runner(lambda x, progress: x)
    runner.close()
    runner.request(1)
    time.sleep(0.05)
    assert desk.shown == []
