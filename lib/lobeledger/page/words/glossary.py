"""Terms of the trade where they are used: a tooltip at the first use, and the whole list folded.

The first use of each term in a piece of HTML      `marked`
The folded list, with the style of both            `glossary_html`

A tooltip is a button and a popover that the browser itself opens and closes: by finger, by mouse, by Enter or Space;
Escape or a touch elsewhere closes it. No script of ours. Where a page strips what it does not know (a notebook that is
not trusted), the button keeps its title for the mouse and the folded list, which is plain `details`, still opens.
"""

from __future__ import annotations

import functools
import html
import importlib.resources
import re
import zlib

from lobeledger.page.templates import templates
from lobeledger.sheet.glossary import Term, read_glossary

__all__ = ["glossary_html", "marked"]

_PIECES = re.compile(r"(<!--.*?-->|<[^>]*>)", re.DOTALL)
_TAG = re.compile(r"<(/?)\s*([a-zA-Z][\w-]*)")
# Text in these is left as it is: a button in a button, a link or a heading, or something that is not read as text.
_CLOSED = frozenset("a button code h1 h2 h3 label math option script select style summary svg textarea title".split())
_TIP = re.compile(r'class="[^"]*\bll-tip\b')


def marked(piece: str, *, place: str = "", terms: tuple[Term, ...] | None = None) -> str:
    """A piece of HTML with a tooltip at the first use of each term.

    piece: HTML of ours, escaped as it must be. place: what tells its tooltips from those of other pieces on the page;
    by default the piece itself does. terms: by default those of glossary.csv. Longer terms go before shorter ones that
    lie in them; text of headings, links, buttons and drawings is left as it is,
    and so is a term that has its tooltip in the piece already.

    >>> told = marked("<p>Set the lash hot, then check lash again.</p>", place="run")
    >>> told.count("<button"), "popovertarget='ll-tip-run-lash'" in told, told.endswith("then check lash again.</p>")
    (1, True, True)
    """
    known = read_glossary() if terms is None else terms
    pattern, by_form = _search(known)
    where = place or f"{zlib.crc32(piece.encode()):x}"
    told = {term.name for term in known if f"-{_slug(term)}' popover" in piece}

    def tip(match: re.Match[str]) -> str:
        term = by_form[_plain(match.group(0))]
        if term.name in told:
            return match.group(0)
        told.add(term.name)
        return _tip(term, match.group(0), where)

    shut: list[str] = []
    parts = []
    for part in _PIECES.split(piece):
        if part.startswith("<"):
            _follow(part, shut)
            parts.append(part)
        else:
            parts.append(part if shut else pattern.sub(tip, part))
    return "".join(parts)


def _follow(tag: str, shut: list[str]) -> None:
    """Keep the list of open elements whose text is left as it is."""
    match = _TAG.match(tag)
    if match is None or tag.endswith("/>"):
        return
    closing, name = match.group(1), match.group(2).lower()
    if closing:
        if shut and shut[-1] == name:
            shut.pop()
    elif name in _CLOSED or _TIP.search(tag) or (shut and shut[-1] == name):
        shut.append(name)


def _plain(form: str) -> str:
    return re.sub(r"\s+", " ", html.unescape(form)).lower()


@functools.lru_cache(maxsize=4)
def _search(terms: tuple[Term, ...]) -> tuple[re.Pattern[str], dict[str, Term]]:
    """One search for every form, the longest first, and the term of each form."""
    by_form = {form.lower(): term for term in terms for form in term.forms}
    forms = sorted(by_form, key=len, reverse=True)
    choice = "|".join(re.escape(html.escape(form, quote=False)).replace(r"\ ", r"\s+") for form in forms)
    return re.compile(rf"(?<![\w.-])(?:{choice})(?![\w-])", re.IGNORECASE), by_form


def _slug(term: Term) -> str:
    return re.sub(r"[^a-z0-9]+", "-", term.name.lower()).strip("-")


def _tip(term: Term, said: str, where: str) -> str:
    name, text = f"ll-tip-{where}-{_slug(term)}", html.escape(term.text)
    return (
        f"<button type='button' class=\"ll-term\" popovertarget='{name}' title=\"{text}\">{said}</button>"
        f"<span class=\"ll-tip\" id='{name}' popover hidden><b>{html.escape(term.name)}</b>: {text}</span>"
    )


def glossary_html() -> str:
    """Every term in plain words, folded, in the order of the alphabet, with its style and that of the tooltips."""
    terms = sorted(read_glossary(), key=lambda term: term.name.lstrip(".").lower())
    style = importlib.resources.files("lobeledger").joinpath("templates/glossary.css").read_text(encoding="utf-8")
    return templates().get_template("glossary.html.j2").render(terms=terms, style=style)
