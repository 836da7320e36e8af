"""What a page must not lose, without a browser: desks as files, the keeper's answers, a panel that is brought back.

What a person sees of it is tested in `test_browser_keeper.py`.
"""

from __future__ import annotations

import json
import os
import stat
import time
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from lobeledger import panels
from lobeledger.errors import BuildError
from lobeledger.page.panels import keeper_desk
from lobeledger.page.panels.base import SheetPanel
from lobeledger.page.panels.cam import CamPanel
from lobeledger.page.panels.keeper import Keeper
from lobeledger.page.panels.keeper_desk import Desk, DeskMovedOn, Kept, asked_desk, is_desk_id
from lobeledger.page.panels.keeper_panel import Keeping
from lobeledger.parts.build import Build
from lobeledger.sheet.change import change
from lobeledger.sheet.open import build_from_text, read_build, starter_sheet

ONE, TWO = "0123456789abcdef", "fedcba9876543210"
posix = pytest.mark.skipif(os.name == "nt", reason="file modes and links as Unix knows them")


# -- desks ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["", "0123456789ABCDEF", ONE + "0", ONE[:-1], "../0123456789abc", f"{ONE}\n", "0123456789abcde/", "０" * 16]
)
def test_no_path_is_the_name_of_a_desk(text: str, tmp_path: Path) -> None:
    assert not is_desk_id(text)
    with pytest.raises(ValueError, match="16 hexadecimal"):
        Desk(tmp_path, text)


def test_a_desk_gives_back_what_was_put_on_it(tmp_path: Path) -> None:
    kept = Kept("schema = 1\nname = 'Möller\\'s ü'\n", "our own ü", 3, {"system": "metric"})
    Desk(tmp_path / "desks", ONE).write(kept, after=0)
    assert Desk(tmp_path / "desks", ONE).read() == kept
    assert Desk(tmp_path / "desks", TWO).read() is None, "two desks do not mix"


@posix
def test_a_desk_is_its_owners_alone_and_leaves_no_part(tmp_path: Path) -> None:
    folder = tmp_path / "desks"
    Desk(folder, ONE).write(Kept("a"), after=0)
    assert [p.name for p in folder.iterdir()] == [f"{ONE}.toml"]
    assert stat.S_IMODE((folder / f"{ONE}.toml").stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


@posix
def test_a_link_in_place_of_a_desk_is_not_followed(tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_text('# desk: {"name": "", "revision": 1, "view": {}}\nsecret', encoding="utf-8")
    (tmp_path / f"{ONE}.toml").symlink_to(other)
    assert Desk(tmp_path, ONE).read() is None
    Desk(tmp_path, ONE).write(Kept("mine"), after=0)
    assert "secret" in other.read_text(encoding="utf-8") and not (tmp_path / f"{ONE}.toml").is_symlink()


def test_a_later_revision_is_not_written_over(tmp_path: Path) -> None:
    Desk(tmp_path, ONE).write(Kept("first", revision=1), after=0)
    Desk(tmp_path, ONE).write(Kept("second", revision=2), after=1)
    with pytest.raises(DeskMovedOn):
        Desk(tmp_path, ONE).write(Kept("late", revision=2), after=1)
    found = Desk(tmp_path, ONE).read()
    assert found is not None and found.text == "second"


@pytest.mark.parametrize(
    "content",
    [b"", b"schema = 1\n", b"# desk: {}\nx", b"# desk: [1]\nx", b'# desk: {"name": "", "revision": "x", "view": {}}\nx',
     b"\xff\xfe", b"# desk: " + b"[" * 5000],
)  # fmt: skip
def test_what_is_no_desk_is_not_read(tmp_path: Path, content: bytes) -> None:
    (tmp_path / f"{ONE}.toml").write_bytes(content)
    assert Desk(tmp_path, ONE).read() is None


def test_a_desk_has_a_largest_size(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="bytes"):
        Desk(tmp_path, ONE).write(Kept("x" * 1_100_000), after=0)
    (tmp_path / f"{ONE}.toml").write_text('# desk: {"name": "", "revision": 1, "view": {}}\n' + "x" * 1_100_000)
    assert Desk(tmp_path, ONE).read() is None


def test_old_desks_and_too_many_are_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper_desk, "_MOST_DESKS", 5)
    for i in range(8):
        Desk(tmp_path, f"{i:016x}").write(Kept("x"), after=0)
        os.utime(tmp_path / f"{i:016x}.toml", (time.time() - 100 * (8 - i),) * 2)
    assert len(list(tmp_path.iterdir())) == 5
    os.utime(tmp_path / f"{7:016x}.toml", (time.time() - 31 * 86400,) * 2)
    Desk(tmp_path, ONE).write(Kept("x"), after=0)
    assert not (tmp_path / f"{7:016x}.toml").exists() and (tmp_path / f"{ONE}.toml").exists()


def test_the_address_names_a_desk_or_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    for query, expected in (
        (f"token=x&desk={ONE}", ONE),
        ("desk=../../etc/passwd", ""),
        ("", ""),
        (f"desk={ONE}/a", ""),
    ):
        monkeypatch.setenv("QUERY_STRING", query)
        assert asked_desk() == expected


def test_a_value_written_again_as_it_was_is_no_change() -> None:
    build = build_from_text(starter_sheet())
    same = Kept(change(build, {"use.years": build.use.years}).source)
    assert same.is_as(Kept(build.source)) and not same.is_as(Kept(build.source, "other name"))
    assert not Kept(change(build, {"use.years": build.use.years + 1}).source).is_as(Kept(build.source))


# -- the keeper ----------------------------------------------------------------------------------------------


class Page:
    """A keeper with the page's side played by hand."""

    def __init__(self, folder: Path) -> None:
        self.restored: list[Kept] = []
        self.said: list[str] = []
        self.failed: list[str] = []
        self.keeper = Keeper(self._restore, say=self.said.append, fail=self.failed.append, folder=folder)

    def _restore(self, kept: Kept) -> None:
        kept.builds()
        self.restored.append(kept)

    def says(self, **content: Any) -> None:
        self.keeper._heard(None, content, None)

    def note(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(unescape(self.keeper._note.value.split('"')[1]))
        return found

    def keeps(self, years: float) -> None:
        self.keeper.keep(build_from_text(starter_sheet()), {"use.years": years}, name="starter")
        assert self.keeper.wait()


@pytest.fixture()
def page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Page]:
    monkeypatch.delenv("QUERY_STRING", raising=False)
    made = Page(tmp_path)
    yield made
    made.keeper.close()


def years_on(folder: Path, desk: str) -> float:
    found = Desk(folder, desk).read()
    assert found is not None
    return found.builds()[1].use.years


def test_a_page_without_a_desk_writes_nothing(page: Page, tmp_path: Path) -> None:
    page.keeps(3)
    assert list(tmp_path.iterdir()) == [] and page.note()["desk"] == ""


def test_a_named_desk_gets_what_is_open_and_every_move(page: Page, tmp_path: Path) -> None:
    page.keeps(3)
    page.says(type="hello", desk=ONE)
    assert years_on(tmp_path, ONE) == 3
    page.keeps(9)
    assert years_on(tmp_path, ONE) == 9
    note = page.note()
    assert note["desk"] == ONE and note["name"] == "starter"
    assert build_from_text(note["sheet"]).use.years == 9 and "# ----" not in note["sheet"], "the copy is a plain sheet"
    found = Desk(tmp_path, ONE).read()
    assert found is not None and found.builds()[0].use.years == build_from_text(starter_sheet()).use.years


def test_a_ping_is_answered_and_a_lost_note_sent_again(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[str] = []
    monkeypatch.setattr(page.keeper._note, "send_state", sent.append)
    page.says(type="ping", number=7, have=page.note()["count"])
    assert 'value="7"' in page.keeper._pulse.value and sent == []
    page.says(type="ping", number=8, have=-1)
    assert sent == ["value"]


@pytest.mark.parametrize(
    "content",
    ["text", None, {}, {"type": "hello"}, {"type": "hello", "desk": "../x"}, {"type": "ping", "number": "<b>"},
     {"type": "x"}, {"type": "hello", "desk": TWO, "sheet": 5, "revision": "y"}],
)  # fmt: skip
def test_nonsense_from_a_page_does_no_harm(page: Page, tmp_path: Path, content: Any) -> None:
    page.keeper._heard(None, content, None)
    assert page.restored == [] and "<b>" not in page.keeper._pulse.value
    assert [p.name for p in tmp_path.iterdir()] == []


def test_another_page_of_the_desk_opens_with_it(page: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page.says(type="hello", desk=ONE)
    page.keeps(9)
    monkeypatch.setenv("QUERY_STRING", f"desk={ONE}")
    other = Page(tmp_path)
    first = other.keeper.first()
    assert first is not None and first.builds()[1].use.years == 9
    other.keeper.close()


def test_a_notebook_is_brought_back_when_its_page_names_the_desk(page: Page, tmp_path: Path) -> None:
    page.says(type="hello", desk=ONE)
    page.keeps(9)
    other = Page(tmp_path)
    other.keeps(1)
    other.says(type="hello", desk=ONE)
    assert [kept.builds()[1].use.years for kept in other.restored] == [9]
    assert years_on(tmp_path, ONE) == 9
    other.keeper.close()


def changed_on_another(page: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Page:
    """A second page on the desk of the first, on which the build was changed after it was kept by the first."""
    page.says(type="hello", desk=ONE)
    page.keeps(9)
    monkeypatch.setenv("QUERY_STRING", f"desk={ONE}")
    other = Page(tmp_path)
    other.keeper.first()
    other.keeps(2)
    return other


def test_the_later_revision_is_seen_on_looking(page: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    other = changed_on_another(page, tmp_path, monkeypatch)
    page.says(type="look")
    assert [kept.builds()[1].use.years for kept in page.restored] == [2] and "another page" in page.said[0]
    page.says(type="look")
    assert len(page.restored) == 1, "seen once"
    page.keeps(4)
    assert years_on(tmp_path, ONE) == 4
    other.keeper.close()


def test_changes_on_two_pages_at_once_lose_nothing(page: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    other = changed_on_another(page, tmp_path, monkeypatch)
    page.keeps(5)  # without having looked
    assert years_on(tmp_path, ONE) == 2
    own = page.note()["desk"]
    assert own != ONE and years_on(tmp_path, own) == 5 and "Nothing was written over" in page.said[0]
    other.keeper.close()


def test_the_browsers_copy_counts_where_the_desk_is_gone(page: Page, tmp_path: Path) -> None:
    text = change(build_from_text(starter_sheet()), {"use.years": 7}).source
    page.says(type="hello", desk=ONE, sheet=text, revision=4, name="starter")
    assert [kept.builds()[1].use.years for kept in page.restored] == [7]
    page.keeps(6)
    assert years_on(tmp_path, ONE) == 6


def test_an_older_copy_does_not_cover_the_desk(page: Page, tmp_path: Path) -> None:
    build = build_from_text(starter_sheet())
    Desk(tmp_path, ONE).write(Kept(change(build, {"use.years": 9}).source, revision=5), after=0)
    page.says(type="hello", desk=ONE, sheet=build.source, revision=4)
    assert [kept.builds()[1].use.years for kept in page.restored] == [9]


def test_a_copy_is_read_as_a_sheet_or_not_at_all(page: Page, tmp_path: Path) -> None:
    page.keeps(3)
    page.says(type="hello", desk=ONE, sheet="import os", revision=9)
    assert page.restored == [] and len(page.failed) == 1 and "kept from before" in page.failed[0]
    page.keeps(4)
    assert years_on(tmp_path, ONE) == 4, "what is open is kept in its place"


def test_a_disk_that_cannot_be_written_is_no_error(page: Page, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    page.keeper._folder = tmp_path / "file" / "desks"
    page.says(type="hello", desk=ONE)
    page.keeps(4)
    assert build_from_text(page.note()["sheet"]).use.years == 4 and page.failed == []


# -- a panel -------------------------------------------------------------------------------------------------


class Plain(SheetPanel[Any, Any]):
    def __init__(self, folder: Path, start: str) -> None:
        super().__init__(folder, "plain", lambda inputs, progress: inputs)
        self.shown: list[Any] = []
        self.widget = self.frame([])
        self.open_file(start)

    def make_controls(self, *_: Any) -> dict[str, list[Any]]:
        return {"Use": [self.slider("use.years", "Years", self.build.use.years, 1, 15, 1, "")]}

    def inputs(self) -> Any:
        return self.current()

    def show(self, result: Any) -> None:
        self.shown.append(result)


class Small(Keeping, Plain):
    pass


@pytest.fixture()
def desks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LOBELEDGER_DESKS", str(tmp_path / "desks"))
    monkeypatch.setenv("QUERY_STRING", f"desk={ONE}")
    return tmp_path / "desks"


def opened(folder: Path) -> Small:
    made = Small(folder, "budget-cruiser")
    assert made.runner.wait(30) and made.keeper.wait()
    return made


def test_the_next_page_opens_as_the_last_was_left(folder: Path, desks: Path) -> None:
    one = opened(folder)
    one.open_file("towing-engine")
    was = one.build.use.years
    one.move("use.years", was + 3)
    one.system.value = "metric"
    assert one.keeper.wait()
    two = opened(folder)
    assert two.build.name == read_build(folder / "towing-engine.toml").name and two.picker.value == "towing-engine"
    assert two.current().use.years == was + 3 and two.system.value == "metric"
    assert two.shown[-1].use.years == was + 3 and len(two.shown) == 1, (
        "the build that the page starts with is not computed"
    )
    two.reset.click()
    assert two.current().use.years == was, "Reset goes back to the sheet, not to what was carried"
    for panel in (one, two):
        panel.close()


class PlainCam(CamPanel[Any, Any]):
    def __init__(self, folder: Path, start: str) -> None:
        super().__init__(folder, "plain-cam", lambda inputs, progress: inputs)
        self.widget = self.frame([])
        self.open_file(start)

    def make_controls(self, build: Build) -> dict[str, list[Any]]:
        assert build.candidate(self.cam.value)
        return {}

    def inputs(self) -> Any:
        return self.current(), self.cam.value, self.which.value

    def show(self, result: Any) -> None:
        pass


class SmallCam(Keeping, PlainCam):
    pass


def test_a_page_about_one_cam_takes_the_kept_build_with_the_cam_chosen_on_the_last(folder: Path, desks: Path) -> None:
    one = opened(folder)  # a page that chooses no cam
    one.open_file("weekend-racer")
    assert one.keeper.wait()
    two = SmallCam(folder, "budget-cruiser")
    assert two.build.name == read_build(folder / "weekend-racer.toml").name
    ids = [c.id for c in two.build.candidates]
    assert two.cam.value == ids[0]
    two.cam.value, two.which.value = ids[1], "exhaust"
    assert two.keeper.wait()
    three = SmallCam(folder, "budget-cruiser")
    assert (three.cam.value, three.which.value) == (ids[1], "exhaust")
    for panel in (one, two, three):
        panel.close()


def test_a_build_of_no_file_goes_along_by_its_name(folder: Path, desks: Path) -> None:
    one = opened(folder)
    one.open_elsewhere(build_from_text(starter_sheet(), "new"), "new")
    label = one.picker.value
    assert one.keeper.wait()
    two = opened(folder)
    assert two.picker.value == label and two.build.name == build_from_text(starter_sheet()).name
    for panel in (one, two):
        panel.close()


def test_a_desk_that_no_longer_reads_is_said_and_the_page_still_opens(folder: Path, desks: Path) -> None:
    Desk(desks, ONE).write(Kept("schema = 99\n", "old", 3), after=0)
    one = opened(folder)
    assert "kept from before" in one.message.value and one.picker.value == "budget-cruiser"
    assert years_on(desks, ONE) == one.build.use.years
    one.close()


def test_loading_a_page_is_no_change(folder: Path, desks: Path) -> None:
    for panel in (opened(folder), opened(folder)):
        found = Desk(desks, ONE).read()
        assert found is not None and found.revision <= 2, "the build, then its name in the list"
        panel.close()


def test_keeping_costs_a_move_nothing(folder: Path, desks: Path) -> None:
    panel = opened(folder)
    begun = time.perf_counter()
    for _ in range(200):
        panel._keep()
    assert (time.perf_counter() - begun) / 200 < 0.002, "s a move on the kernel's thread"
    panel.close()


def test_a_build_that_cannot_stand_leaves_the_one_before(folder: Path, desks: Path) -> None:
    panel = opened(folder)
    with pytest.raises(BuildError):
        change(panel.build, {"use.years": "-5"})
    panel.keeper.keep(panel.build, {"use.years": "-5"}, name="budget-cruiser")
    assert panel.keeper.wait() and years_on(desks, ONE) == panel.build.use.years
    panel.close()


def test_every_page_keeps() -> None:
    assert {"_Choose", "_BreakIn", "_Lobes", "_Valvetrain"} <= {kind.__name__ for kind in Keeping.__subclasses__()}
    for name in panels.__all__:
        assert any(name.replace("_", "") == kind.__name__.lower().strip("_") for kind in Keeping.__subclasses__()), name
