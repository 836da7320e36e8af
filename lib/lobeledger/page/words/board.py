"""The board: one row a candidate with its cost and how it stands at each limit; and what has changed since a baseline.

The rows, as a page shows them            `board_of` -> `Board`, `board_html`
What has become of the answer             `change_text`
What of an answer is read first           `split_answer`

The scale of the costs is that of the cheap ones: a candidate far beyond them has a broken bar, so that it does not make
the others look alike.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from lobeledger.choice.results import CandidateResult
from lobeledger.doubt.limits import JudgedLimit
from lobeledger.page.palette import CandidateStyle
from lobeledger.page.templates import templates
from lobeledger.page.words.comparison import LIMITS, Comparison
from lobeledger.page.words.figures import in_tries, money_text
from lobeledger.page.words.judged import (
    LIMIT_NAMES,
    is_ordered,
    judged_text,
    limit_standing,
    remedy_price_text,
    remedy_text,
    room_text,
    standing_text,
)

__all__ = ["Board", "BoardCell", "BoardRow", "board_html", "board_of", "change_text", "split_answer"]

# A cost beyond so many times the cheapest has a broken bar.
_BEYOND = 2.2
# What stands first, and short heads of the limits; any other limit has its own name.
_ORDER = ("budget", "speed", "vacuum", "coil_bind", "retainer")
_HEADS = {
    "budget": "Budget",
    "speed": "Top rpm",
    "vacuum": "Brake vacuum",
    "coil_bind": "Coil bind",
    "retainer": "Retainer",
}
_SIGNS = {"holds": "\u2713", "in doubt": "?", "out": "\u2715", "": "\u2013"}


@dataclass(frozen=True)
class BoardCell:
    """One limit of one candidate: where it stands, the room left, and the whole sentence."""

    head: str
    standing: str
    room: str
    sentence: str

    @property
    def sign(self) -> str:
        """A sign that a grey print shows too."""
        return _SIGNS[self.standing]

    @property
    def css(self) -> str:
        """A class of its standing."""
        return self.standing.replace(" ", "-") or "none"


@dataclass(frozen=True)
class BoardRow:
    """One candidate. bar, low, high, was: places on the scale of cost in per cent of its width.

    was: the baseline's, None where nothing changed. is_beyond: the bar is broken. mark: what it is to us, empty for
    most. stop: what stops it whatever the tries. fitted: whether it is in the engine now.
    """

    candidate_id: str
    name: str
    mark: str
    standing: str
    tries: str
    stop: str
    fitted: bool
    cost: str
    span: str
    delta: str
    bar: float
    low: float
    high: float
    was: float | None
    is_beyond: bool
    cells: tuple[BoardCell, ...]

    @property
    def sign(self) -> str:
        """A sign of its standing over all limits."""
        return _SIGNS[self.standing]


@dataclass(frozen=True)
class Board:
    """Rows in the sheet's order, and the head of the cost."""

    cost_head: str
    rows: tuple[BoardRow, ...]


def signed(value: float) -> str:
    """A change of money, its sign before it; empty below half a unit.

    >>> signed(24.2), signed(-1073.0), signed(0.2)
    ('+24', '\u22121,073', '')
    """
    return "" if abs(value) < 0.5 else f"{'+' if value > 0 else chr(0x2212)}{abs(value):,.0f}"


def board_of(comparison: Comparison, before: Comparison | None = None) -> Board:
    """The board of a comparison; before: the baseline it is told against."""
    build = comparison.build
    old = {} if before is None or before is comparison else {r.candidate.id: r for r in before.results}
    costs = [r.figures["owning"] for r in comparison.results]
    cheapest = min(each.value for each in costs)
    near = [each for each in costs if each.value <= _BEYOND * cheapest]
    top = 1.03 * max(each.high for each in near)
    keys = [key for key in _ORDER if any(r.limit(key) is not None for r in comparison.results)]
    keys += [key for key in LIMITS if key not in _ORDER and any(r.limit(key) is not None for r in comparison.results)]

    def at(value: float) -> float:
        return round(100.0 * min(max(value / top, 0.0), 1.0), 2)

    rows = []
    for result in comparison.results:
        c, owning = result.candidate, result.figures["owning"]
        was = old[c.id].figures["owning"].value if c.id in old else None
        delta = "" if was is None else signed(owning.value - was)
        standing, tries = standing_text(result)
        rows.append(
            BoardRow(
                candidate_id=c.id,
                name=c.name,
                mark=_mark(comparison, c.id),
                standing=standing,
                tries=tries,
                stop=", ".join(LIMIT_NAMES[each.limit] for each in result.stops),
                fitted=c.is_fitted,
                cost=f"{owning.value:,.0f}",
                span=f"{owning.low:,.0f} to {owning.high:,.0f}" if owning.low != owning.high else "",
                delta=delta,
                bar=at(owning.value),
                low=at(owning.low),
                high=at(owning.high),
                was=at(was) if was is not None and delta and max(was, owning.value) <= top else None,
                is_beyond=owning.value > top,
                cells=tuple(_cell(comparison, result, key) for key in keys),
            )
        )
    return Board(f"Total cost over {build.use.years:g} years, {build.currency}", tuple(rows))


def _mark(comparison: Comparison, candidate_id: str) -> str:
    if comparison.winner_id is None:
        return "Comes closest" if candidate_id == comparison.nearest_id else ""
    if candidate_id not in comparison.tied_ids:
        return ""
    return "Tie" if len(comparison.tied_ids) > 1 else "Our pick"


def _cell(comparison: Comparison, result: CandidateResult, key: str) -> BoardCell:
    head, limit = _HEADS.get(key, LIMIT_NAMES.get(key, key).capitalize()), result.limit(key)
    if limit is None:
        return BoardCell(head, "", "", "")
    room = room_text(comparison.build, limit, comparison.system)
    if is_ordered(limit) and limit.standing != "holds":
        room = "with its machining"
    return BoardCell(head, limit_standing(limit), room, _sentence(comparison, limit))


def _sentence(comparison: Comparison, limit: JudgedLimit) -> str:
    said = judged_text(comparison.build, limit, comparison.system)
    fix = remedy_text(comparison.build, limit) if limit.standing != "holds" else ""
    price = remedy_price_text(comparison.build, limit)
    return f"{said[:1].upper()}{said[1:]}." + (f" Fix: {fix}." if fix and price else "")


def board_html(comparison: Comparison, styles: Mapping[str, CandidateStyle], before: Comparison | None = None) -> str:
    """The board for a screen or paper; styles: how each candidate is drawn."""
    board = board_of(comparison, before)
    return templates().get_template("board.html.j2").render(board=board, styles=styles)


def change_text(comparison: Comparison, before: Comparison | None, since: str) -> str:
    """What has become of the answer since the baseline, in a sentence; empty when nothing has. since: 'when opened'."""
    if before is None or before is comparison:
        return ""
    ids = {each.candidate.id for each in comparison.results}
    if before.winner_id != comparison.winner_id:
        if before.winner_id is None:
            return f"The answer has changed: {since} no cam was sure to do."
        return f"The answer has changed: {since} it was {before.build.candidate(before.winner_id).name}."
    if comparison.winner_id is None or comparison.winner_id not in ids:
        return ""
    now, then = (each.result(comparison.winner_id) for each in (comparison, before))
    gap = now.figures["owning"].value - then.figures["owning"].value
    money = money_text(comparison.build)
    if abs(gap) >= 0.5:
        return f"Same answer, {money(abs(gap))} {'more' if gap > 0 else 'less'} to own than {since}."
    if in_tries(now.chance_all) != in_tries(then.chance_all):
        return (
            f"Same answer; it meets every limit in {in_tries(now.chance_all)}, {since} in {in_tries(then.chance_all)}."
        )
    return ""


def split_answer(answer: str) -> tuple[str, list[str]]:
    """The words of an answer that are read first, and the sentences that follow.

    >>> split_answer("Choose Mild, 204 deg: 2,707 USD over 8 years; it holds. It is 90 USD better than Wild.")
    ('Choose Mild, 204 deg', ['2,707 USD over 8 years; it holds.', 'It is 90 USD better than Wild.'])
    >>> split_answer("A tie: Mild and Wild. Mild leads by 3 USD.")
    ('A tie: Mild and Wild', ['Mild leads by 3 USD.'])
    >>> split_answer("Mild, 204 deg, intake: contact is lost at 5,421 rpm.")
    ('Contact is lost at 5,421 rpm', ['Mild, 204 deg, intake.'])
    >>> split_answer("None of the 4 is sure to do. Mild comes nearest.")
    ('None of the 4 is sure to do', ['Mild comes nearest.'])
    """
    sentences = re.split(r"(?<=[a-z)%])\. (?=[A-Z])", answer)
    sentences = [each if each.endswith(".") else f"{each}." for each in sentences]
    first, colon, rest = sentences[0].partition(": ")
    rest = rest[:1].upper() + rest[1:]
    if colon and first.startswith(("Choose ", "No ", "Do not ")):
        return first, [rest, *sentences[1:]]
    if colon and first != "A tie" and len(first) < 60:
        return rest.removesuffix("."), [f"{first}.", *sentences[1:]]
    return sentences[0].removesuffix("."), sentences[1:]
