"""What the tests of printed sheets share."""

from __future__ import annotations

import re
from html.parser import HTMLParser

# Tags that nothing closes.
VOID = {"meta", "br", "img", "hr", "link", "input", "col"}


class Page(HTMLParser):
    """What a browser would find: every tag with its attributes, its text, and whether all tags are closed."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.texts.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.texts))
