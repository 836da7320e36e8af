"""Candidates added, copied, removed and renamed: remarks kept, nothing half written, refusals in one sentence."""

from __future__ import annotations

import dataclasses
import tomllib

import pytest

from lobeledger.errors import BuildError
from lobeledger.parts.build import Build
from lobeledger.sheet.change import change, sheet_text
from lobeledger.sheet.edit import add_candidate, id_for, remove_candidate, rename_candidate, set_fitted, without_lines
from lobeledger.sheet.fields import MOST_CANDIDATES
from lobeledger.sheet.open import build_from_text, read_build, starter_sheet
from lobeledger.sheet.tables import DATA_DIR

BUDGET = read_build(DATA_DIR / "builds" / "budget-cruiser.toml")
EVERY = [read_build(path) for path in sorted((DATA_DIR / "builds").glob("*.toml"))]
_CARD = '{ lobe_lift = "0.28 in", durations = [{ at = "0.006 in", duration = "256 deg" }] }'
_CAM = ", ".join(
    (
        'id = "a", name = "A", follower = "flat", lifter = "hydraulic", lobe_separation = "112 deg"',
        f'intake_centreline = "108 deg", intake = {_CARD}, exhaust = "same as intake"',
        'parts = [{ item = "cam", price = "300 USD" }]',
    )
)
INLINE = starter_sheet().partition("[valvetrain]")[0].replace("[engine]", f"candidates = [{{ {_CAM} }}]\n\n[engine]")


def remarks(text: str) -> list[str]:
    return [line.partition("#")[2] for line in text.splitlines() if "#" in line]


def refused(do: object, *given: object, **more: object) -> str:
    with pytest.raises(BuildError) as caught:
        do(*given, **more)  # type: ignore[operator]
    message = str(caught.value)
    assert message.isprintable() and len(message) < 600 and "Traceback" not in message
    return message


def same_parts(one: Build, other: Build) -> bool:
    return all(
        getattr(one, f.name) == getattr(other, f.name)
        for f in dataclasses.fields(Build)
        if f.name not in ("data", "source")
    )


@pytest.mark.parametrize("build", EVERY, ids=lambda b: b.name)
def test_a_copy_is_the_same_but_for_its_name(build: Build) -> None:
    for each in build.candidates:
        more = add_candidate(build, name=f"{each.name} again", copy_of=each.id)
        new = more.candidates[-1]
        assert more.candidates[:-1] == build.candidates
        assert dataclasses.replace(new, id=each.id, name=each.name) == each
        assert remarks(sheet_text(more)) == remarks(sheet_text(build))


@pytest.mark.parametrize("build", EVERY, ids=lambda b: b.name)
def test_adding_and_removing_again_leaves_the_text_as_it_was(build: Build) -> None:
    more = add_candidate(build, name="For a moment", copy_of=build.candidates[0].id)
    text = sheet_text(remove_candidate(more, "for-a-moment"))
    assert [line for line in text.splitlines() if line] == [line for line in sheet_text(build).splitlines() if line]


@pytest.mark.parametrize("build", EVERY, ids=lambda b: b.name)
def test_removing_takes_its_own_lines_and_no_other_remark(build: Build) -> None:
    for each in build.candidates:
        less = remove_candidate(build, each.id)
        assert [c.id for c in less.candidates] == [c.id for c in build.candidates if c.id != each.id]
        assert less.candidates == tuple(c for c in build.candidates if c.id != each.id)
        kept, before = remarks(sheet_text(less)), remarks(sheet_text(build))
        assert set(kept) <= set(before) and len(kept) > 60 * (build is BUDGET)


def test_remarks_over_the_blocks_and_between_them_stay() -> None:
    text = sheet_text(remove_candidate(BUDGET, "h-flat"))
    assert "# One block a cam." in text and 'id = "h-flat"' not in text and "Optional, of the lifters" not in text
    first = remove_candidate(remove_candidate(BUDGET, "s-flat"), "h-roller")
    assert "# short, small letters, digits and hyphens" in sheet_text(first)


def test_a_remark_that_names_a_block_goes_with_it() -> None:
    text = starter_sheet().replace('[[candidates]]\nid = "h-roller"', '# the roller\n[[candidates]]\nid = "h-roller"')
    build = build_from_text(text)
    assert "# the roller" not in sheet_text(remove_candidate(build, "h-roller"))
    assert "# the roller" in sheet_text(remove_candidate(build, "h-flat"))


def test_a_new_one_takes_its_changes_and_gives_up_what_is_taken_away() -> None:
    more = add_candidate(
        BUDGET,
        name="Longer",
        copy_of="h-flat",
        changes={
            "intake": {"lobe_lift": "0.300 in", "durations": [{"at": "0.050 in", "duration": "214 deg"}]},
            "exhaust": "same as intake",
            "failure.seen_losses": 1,
            "failure.seen_builds": 30,
            "springs.rate": "",
        },
    )
    new = more.candidate("longer")
    assert new.intake == new.exhaust and len(new.intake.points) == 1
    assert new.failure.seen_builds == 30 and more.data["candidates.longer.springs.rate"].written is False
    text = sheet_text(more)
    assert '  { at = "0.050 in", duration = "214 deg" },\n' in text.rpartition("[[candidates]]")[2]
    assert same_parts(build_from_text(text, BUDGET.name), more)


def test_a_record_is_not_copied() -> None:
    seen = change(BUDGET, {"candidates.h-flat.failure.seen_losses": 1, "candidates.h-flat.failure.seen_builds": 30})
    assert add_candidate(seen, name="Other", copy_of="h-flat").candidate("other").failure.seen_builds is None


def test_one_from_nothing() -> None:
    card = {"lobe_lift": "0.300 in", "durations": [{"at": "0.050 in", "duration": "214 deg"}]}
    more = add_candidate(
        BUDGET,
        name="Out of a box",
        changes={
            "follower": "roller", "lifter": "solid", "lobe_separation": "110 deg", "intake_centreline": "106 deg",
            "intake": card, "exhaust": "same as intake", "parts": [{"item": "camshaft", "price": "400 USD"}],
        },
    )  # fmt: skip
    new = more.candidate("out-of-a-box")
    assert new.follower == "roller" and new.wheel_diameter_m and new.parts[0].price_money == 400.0
    assert "is missing" in refused(add_candidate, BUDGET, name="Nothing at all")


def test_moved_values_are_kept_by_an_edit() -> None:
    moved = change(BUDGET, {"use.years": 11, "candidates.h-roller.fitting_time": "20 h"})
    more = add_candidate(moved, name="One more", copy_of="h-roller")
    assert more.use.years == 11 and more.candidate("one-more").fitting_time_h == 20.0
    assert change(more, {"candidates.one-more.fitting_time": "3 h"}).candidate("one-more").fitting_time_h == 3.0


def test_renaming() -> None:
    named = rename_candidate(BUDGET, "s-flat", "  Noisy   one ", new_id="noisy")
    assert named.candidate("noisy").name == "Noisy one" and len(named.candidates) == 4
    assert remarks(sheet_text(named)) == remarks(sheet_text(BUDGET))
    assert rename_candidate(BUDGET, "s-flat", "solid flat, 212 DEG").candidate("s-flat").name == "solid flat, 212 DEG"


def test_what_cannot_be_done_is_said() -> None:
    assert "already; give this one another name" in refused(add_candidate, BUDGET, name="SOLID flat,  212 deg")
    assert "already" in refused(rename_candidate, BUDGET, "h-flat", "Solid flat, 212 deg")
    assert "already" in refused(rename_candidate, BUDGET, "h-flat", "Mine", new_id="s-flat")
    assert "needs a name" in refused(add_candidate, BUDGET, name="   ")
    assert "80" in refused(add_candidate, BUDGET, name="x" * 90, copy_of="h-flat")
    assert "did you mean 'h-flat'" in refused(remove_candidate, BUDGET, "h-flatt")
    assert "no 'x'" in refused(add_candidate, BUDGET, name="X", copy_of="x")
    last = build_from_text(INLINE)
    assert "is the last one" in refused(remove_candidate, last, "a")
    assert "intake.lobe_lift" in refused(
        add_candidate, BUDGET, name="X", copy_of="h-flat", changes={"intake.lobe_lift": "9 in"}
    )


def test_no_more_than_a_sheet_holds() -> None:
    build = BUDGET
    while len(build.candidates) < MOST_CANDIDATES:
        build = add_candidate(build, name=f"Cam {len(build.candidates)}", copy_of="h-flat")
    assert "remove one first" in refused(add_candidate, build, name="One too many", copy_of="h-flat")


def test_a_sheet_written_otherwise_is_edited_all_the_same() -> None:
    build = build_from_text(INLINE)
    more = add_candidate(build, name="B", copy_of="a")
    assert [c.id for c in more.candidates] == ["a", "b"]
    less = remove_candidate(more, "a")
    assert [c.id for c in less.candidates] == ["b"]
    assert [c.id for c in rename_candidate(less, "b", "C", new_id="c").candidates] == ["c"]


def test_headings_in_text_do_not_mislead() -> None:
    text = starter_sheet().replace('name = "My build"', 'name = "My build"\nnote = """\n[[candidates]]\n[shop]\n"""')
    build = build_from_text(text)
    assert [c.id for c in remove_candidate(build, "h-flat").candidates] == ["h-roller"]
    assert len(add_candidate(build, name="More", copy_of="h-flat").candidates) == 3


def test_tables_after_the_candidates_stay_after_them() -> None:
    build = build_from_text(starter_sheet() + '\n# what we charge\n[shop]\nlabour_rate = "77 USD/h"\n')
    more = add_candidate(build, name="More", copy_of="h-roller")
    text = sheet_text(more)
    assert text.index('id = "more"') < text.index("# what we charge") < text.index("[shop]")
    assert sheet_text(remove_candidate(more, "more")).endswith('# what we charge\n[shop]\nlabour_rate = "77 USD/h"\n')


def test_ids_are_made_from_names() -> None:
    assert id_for(BUDGET, "Müller's 3/4-race cam!") == "muller-s-3-4-race-cam"
    assert id_for(BUDGET, "°°°") == "cam" and id_for(BUDGET, "S flat") == "s-flat-2"
    assert len(id_for(BUDGET, "long " * 30)) <= 40


def test_changed_lists_and_ranges_stay_on_their_lines() -> None:
    bands = [{"from": "1200 rpm", "to": "4500 rpm", "share": 1.0}]
    cost = {"value": "2000 USD", "low": "1800 USD", "high": "2500 USD"}
    text = sheet_text(change(BUDGET, {"use.bands": bands, "candidates.s-flat.failure.cost": cost}))
    assert 'bands = [\n  { from = "1200 rpm", to = "4500 rpm", share = 1.0 },\n]' in text
    assert 'cost = { value = "2000 USD", low = "1800 USD", high = "2500 USD" }' in text
    assert tomllib.loads(text)["use"]["bands"] == bands


# -- the cam that is fitted ------------------------------------------------------------------------------------


def test_one_cam_at_most_is_fitted() -> None:
    one = set_fitted(BUDGET, "h-flat")
    assert one.fitted is not None and one.fitted.id == "h-flat" and BUDGET.fitted is None
    other = set_fitted(one, "h-roller")
    assert other.fitted is not None and other.fitted.id == "h-roller" and other.candidate("h-flat").parts
    assert same_parts(set_fitted(other, None), change(BUDGET, {}))
    both = {"candidates.h-flat.fitted": True, "candidates.s-flat.fitted": True}
    assert "h-flat and s-flat are both fitted" in refused(change, BUDGET, both)


def test_what_it_would_cost_stays_in_the_sheet_and_counts_for_nothing() -> None:
    one = set_fitted(BUDGET, "h-flat")
    assert one.fitted is not None
    assert one.fitted.parts == () and one.fitted.fitting_time_h == one.fitted.run_in_time_s == 0.0
    assert not [path for path in one.data if path.startswith("candidates.h-flat.parts.")]
    assert one.data["candidates.h-flat.fitting_time"].note == "already fitted"
    assert sheet_text(one).count("290 USD") == sheet_text(BUDGET).count("290 USD") > 0


def test_the_block_learns_from_the_fitted_cam() -> None:
    one = set_fitted(BUDGET, "h-flat")
    assert one.block.fitted_lifter == "flat" and one.data["block.fitted_lifter"].origin == "computed"
    assert one.block.fitted_base_circle_radius_m == pytest.approx(0.55 * 0.0254)
    wrong = change(BUDGET, {"block.fitted_lifter": "roller"})
    assert "which is fitted, is flat" in refused(set_fitted, wrong, "h-flat")


def test_hours_and_wear_are_of_the_fitted_cam_alone() -> None:
    wear = {"candidates.h-flat.hours_run": "900 h", "candidates.h-flat.lobe_wear": "0.001 in"}
    assert "write fitted = true or remove it" in refused(change, BUDGET, wear)
    worn = change(set_fitted(BUDGET, "h-flat"), wear)
    assert worn.fitted is not None and worn.fitted.hours_run_h == 900.0
    fresh = add_candidate(worn, name="The same, new", copy_of="h-flat")
    assert fresh.candidates[-1].hours_run_h is None and fresh.candidates[-1].parts


def test_a_cam_that_is_not_fitted_needs_something_bought() -> None:
    text = starter_sheet().partition("[[candidates.parts]]")[0]
    assert "parts: is missing" in refused(build_from_text, text)
    fitted = build_from_text(text.replace('id = "h-flat"', 'id = "h-flat"\nfitted = true'))
    assert fitted.fitted is not None


def test_lines_taken_out_leave_the_library_s_figure() -> None:
    paths = ["vehicle.idle_speed", "candidates.h-flat.springs.rate", "candidates.h-flat.parts.2", "use.nothing", "x.y"]
    less = without_lines(BUDGET, paths)
    assert not less.data["vehicle.idle_speed"].written and not less.data["candidates.h-flat.springs.rate"].written
    assert [p.item for p in less.candidate("h-flat").parts] == [
        p.item for i, p in enumerate(BUDGET.candidate("h-flat").parts) if i != 2
    ]
    assert len(remarks(sheet_text(less))) >= len(remarks(sheet_text(BUDGET))) - 2
    assert "engine.bore: is missing" in refused(without_lines, BUDGET, ["engine.bore"])
