"""The sheets' templates and their style.

`templates`, `style_text`
"""

from __future__ import annotations

import functools
import importlib.resources

import jinja2

__all__ = ["style_text", "templates"]


@functools.cache
def templates() -> jinja2.Environment:
    """The sheets' templates, with escaping on."""
    # StrictUndefined: a name missing from a sheet is our mistake and must not print as nothing.
    return jinja2.Environment(
        loader=jinja2.PackageLoader("lobeledger"), autoescape=True, undefined=jinja2.StrictUndefined
    )


def style_text() -> str:
    """The style of printed sheets."""
    return importlib.resources.files("lobeledger").joinpath("templates/sheet.css").read_text(encoding="utf-8")
