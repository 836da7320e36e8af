"""Plain words: one name for one thing, nothing hard on the first screen, a glossary whose terms are used."""

from __future__ import annotations

import ast
import csv
import functools
import html.parser
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import lobeledger as ll
from lobeledger.assess.figures import COLUMNS
from lobeledger.page.words.glossary import glossary_html, marked
from lobeledger.page.words.plain import NEVER_FIRST, RETIRED, first_screen, hard_in, retired_in
from lobeledger.sheet.glossary import Term, read_glossary
from lobeledger.sheet.tables import data_dir

ROOT = Path(__file__).parents[2]
LIBRARY = ROOT / "lib" / "lobeledger"
# Rooms whose texts people read. The physics speaks to programmers, and in comments the code keeps its own spelling.
ROOMS = ("assess", "choice", "lobe", "page", "parts", "sheet")
TABLES = sorted(path for path in data_dir().glob("*.csv") if path.name != "sample_record.csv")
# Columns of the tables that people read; the others are keys, conditions and values of a sheet.
READ = ("also", "caution", "item", "note", "reason", "remedy", "term", "text", "watch", "where")
BUILDS = ("budget-cruiser", "towing-engine", "weekend-racer")
# What keeps a retired word, and why.
KEPT = ("CENTRE",)  # a layer of the DXF file, which other programs may already look for


def prose(path: Path) -> Iterator[tuple[int, str]]:
    """String literals of a module that are not docstrings and not names of something in code or sheet."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
            if not re.fullmatch(r"[a-z0-9_.\-/*#%<>=\"' ]*_[\w.]*|[a-z_.]+|[\w-]+:.*px.*", node.value):
                yield node.lineno, node.value


def template_text(path: Path) -> str:
    """A template without its expressions, tags and style."""
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"\{#.*?#\}|\{%.*?%\}|<style>.*?</style>", " ", text, flags=re.DOTALL)
    # What an expression says in quotes is read too; its names are not.
    text = re.sub(r"\{\{(.*?)\}\}", lambda m: " ".join(re.findall(r'"([^"]*)"', m.group(1))), text, flags=re.DOTALL)
    return re.sub(r"<[^>]*>", " ", text)


@functools.cache
def texts() -> tuple[tuple[str, str], ...]:
    """Everything people read, with where it stands."""
    found = []
    for room in ROOMS:
        for path in sorted((LIBRARY / room).rglob("*.py")):
            if path.name != "plain.py":
                found += [(f"{path.relative_to(LIBRARY)}:{line}", text) for line, text in prose(path)]
    for table in TABLES:
        lines = [line for line in table.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
        for row in csv.DictReader(lines):
            found += [(f"{table.name}: {next(iter(row.values()))}", row[key]) for key in READ if row.get(key)]
    for path in sorted((LIBRARY / "templates").glob("*.j2")):
        found.append((path.name, template_text(path)))
    return tuple(found)


# -- one name for one thing ---------------------------------------------------------------------------------------


def test_no_text_has_a_retired_word() -> None:
    wrong = [
        f"{where}: '{old}' is called '{new}': {text.strip()[:80]!r}"
        for where, text in texts()
        for old, new in retired_in(text)
        if not any(kept in text for kept in KEPT)
    ]
    assert not wrong, "\n".join(wrong)


def test_what_is_read_is_really_read() -> None:
    """A search that read nothing would find nothing: each kind of source has texts, and a retired word is seen."""
    read = dict(texts())
    assert len(read) > 1500
    for name in ("order_sheet.html.j2", "page/words/answer.py", "runin.csv", "assess/figures.py"):
        assert any(where.startswith(name) for where in read), name
    assert retired_in("Hand out the first cost") and len(RETIRED) > 20


# -- nothing hard on the first screen --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", BUILDS)
@pytest.mark.parametrize("system", ["us", "metric"])
def test_the_first_screen_says_nothing_hard(name: str, system: str) -> None:
    said = list(first_screen(answered(name).in_units(system)))
    assert len(said) > 40 and any("tries" in each or "every try" in each for each in said)
    hard = {word: each for each in said for word in hard_in(each)}
    assert not hard
    ids = {each.id for each in answered(name).build.candidates}
    assert not [each for each in said for one in ids if re.search(rf"(?<![\w-]){one}(?![\w-])", each)]
    assert not [each for each in said if retired_in(each)]


@functools.cache
def answered(name: str) -> ll.Comparison:
    return ll.compare(ll.read_build(data_dir() / "builds" / f"{name}.toml"), trials=0)


def test_every_hard_word_is_seen() -> None:
    for word in ("jerk", "Poisson", "Mach index", "residual", "nominal", "draws", "opinion", "rigid limit", "harmonic"):
        assert hard_in(f"It has {word} in it."), word
    assert hard_in("modulus, damping ratio, polytropic, torque trust, odds multiplier, linear program") and NEVER_FIRST


# -- the glossary ------------------------------------------------------------------------------------------------


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", text).lower()


def test_every_term_of_the_glossary_is_used() -> None:
    said = " | ".join(plain(text) for where, text in texts() if not where.startswith("glossary.csv"))
    said += " | ".join(plain(f"{column.heading} {column.meaning}") for column in COLUMNS)
    unused = [
        term.name
        for term in read_glossary()
        if not any(re.search(rf"(?<![\w.-]){re.escape(form.lower())}(?![\w-])", said) for form in term.forms)
    ]
    assert not unused


def test_terms_are_told_in_a_few_plain_words() -> None:
    terms = read_glossary()
    assert len(terms) >= 40
    for term in terms:
        assert len(term.text.split()) <= 32 and not term.text.endswith("."), term.name
        assert term.name.lower() != term.text.lower() and not hard_in(term.text), term.name


class Reader(html.parser.HTMLParser):
    """Buttons and popovers of a piece, its text without the popovers, and whether its elements close."""

    def __init__(self, piece: str) -> None:
        super().__init__()
        self.targets: list[str] = []
        self.tips: dict[str, str] = {}
        self.text = ""
        self.open: list[tuple[str, str]] = []
        self.feed(piece)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = dict(attrs)
        if tag == "button":
            assert said["type"] == "button" and said["title"]
            self.targets.append(str(said["popovertarget"]))
        self.open.append((tag, str(said.get("id")) if "popover" in said else ""))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop()[0] == tag

    def handle_data(self, data: str) -> None:
        tip = next((name for _, name in self.open if name), "")
        if tip:
            self.tips[tip] = self.tips.get(tip, "") + data
        else:
            self.text += data


PIECE = (
    "<h2>Why lash</h2><ul><li>Lash &amp; seat load, then lash again; lobe nose stress at the nose.</li>"
    "<li title='open load'>Its valves float; open load</li></ul><svg><text>overlap</text></svg><p>a<br>break-in</p>"
)


def test_the_first_use_of_each_term_opens_its_meaning() -> None:
    read = Reader(marked(PIECE.replace("<br>", " "), place="why"))
    names = [name.removeprefix("ll-tip-why-") for name in read.targets]
    assert names == ["lash", "seat-load", "nose-stress", "nose", "valve-float", "open-load", "break-in"]
    assert list(read.tips) == read.targets, "each button opens the popover beside it"
    assert all(name in read.tips for name in read.targets)
    meaning = {term.name: term.text for term in read_glossary()}
    assert read.tips["ll-tip-why-seat-load"] == f"seat load: {meaning['seat load']}"


def test_marking_changes_no_word_and_is_done_once() -> None:
    piece = PIECE.replace("<br>", " ")
    once = marked(piece, place="why")
    assert Reader(once).text == Reader(piece).text
    assert marked(once, place="again") == once, "a marked term is not marked again"
    assert "<h2>Why lash</h2>" in once and "<text>overlap</text>" in once and "title='open load'" in once


def test_two_pieces_of_a_page_have_tooltips_of_their_own() -> None:
    one, other = marked("<p>lash</p>"), marked("<p>lash, again</p>")
    assert Reader(one).targets != Reader(other).targets


def test_longer_terms_go_first_and_parts_of_words_are_left() -> None:
    terms = (Term("duration", (), "how long"), Term("duration at .050", (), "how long, at .050"))
    assert len(Reader(marked("<p>duration at .050, Duration</p>", terms=terms)).targets) == 2
    assert marked("<p>durations, re-duration, duration-like</p>", terms=terms).count("<button") == 0
    odd = (Term("a & b", (), "x < y \"z\" 'q'"),)
    read = Reader(marked("<p>a &amp; b</p>", terms=odd, place="p"))
    assert read.tips == {"ll-tip-p-a-b": "a & b: x < y \"z\" 'q'"} and read.text == "a & b"


def test_the_folded_list_has_every_term_in_order() -> None:
    listed = glossary_html()
    names = re.findall(r"<dt>(.*?)</dt>", listed)
    assert names == sorted(names, key=str.lower) and len(names) == len(read_glossary())
    assert listed.count("<details") == 1 and "<script" not in listed
    # A page that strips unknown attributes leaves `hidden`, so that a tooltip's text does not run into the sentence.
    assert ".ll-tip[hidden]:popover-open" in listed and " popover hidden>" in marked("<p>lash</p>")
