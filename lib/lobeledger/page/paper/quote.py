"""A quote for one candidate, to print: what is paid at the start, line by line.

The quote                             `quote_html`
The shop's name over a sheet          `letterhead`
"""

from __future__ import annotations

import datetime
import math
from typing import Any

import markupsafe

from lobeledger.choice.results import CandidateResult
from lobeledger.errors import BuildError
from lobeledger.page.templates import style_text, templates
from lobeledger.page.words.comparison import Comparison
from lobeledger.parts.build import Build

__all__ = ["letterhead", "quote_html"]

# What a line of the cost is called on a quote, where that differs.
_LABELS = {
    "Labor to install it": "Labor to install it",
    "Oil, filter, additive and first service": "Break-in oil, filter, additive and first service",
    "Fuel for the lobe break-in": "Fuel for the break-in",
}
_STARTS = {"Also needed: ": "", "Precaution: ": "", "Labor: ": "Labor: "}


def letterhead(build: Build, *, number: str = "") -> dict[str, str]:
    """What the sheet says of the shop itself, and the number of the paper; empty texts where it says nothing."""
    shop = build.shop
    return {
        "name": (shop.name or "").strip(),
        "address": (shop.address or "").strip(),
        "tax_number": (shop.tax_number or "").strip(),
        "number": (number or shop.quote_number or "").strip(),
    }


def quote_html(
    comparison: Comparison,
    *,
    candidate_id: str | None = None,
    number: str = "",
    date: datetime.date | None = None,
) -> str:
    """A quote for one candidate (the answer, unless told otherwise): what is paid at the start, line by line.

    number: the running number, else that of the sheet, else a line to write it on. Upkeep, risk and the allowance for
    surprises are not billed and stay out, and so does everything that is said to the shop alone: a customer's sheet
    says what a choice meets. Lines of nothing are left out. Validity and terms are left for the shop to fill in. Raises
    BuildError when no candidate is in the running and none is named, and for the cam that is fitted.
    """
    chosen = candidate_id or comparison.winner_id
    if chosen is None:
        raise BuildError("there is nothing to quote: no cam is sure to do; name one, or change the limits")
    result, build = comparison.result(chosen), comparison.build
    c = result.candidate
    if c.is_fitted:
        raise BuildError(f"{c.name} is already fitted: there is nothing to buy, and so nothing to quote")
    goods, work, carried = _lines(build, result)
    deposits = round(math.fsum(p.core_charge_money * p.quantity for p in c.parts), 2)
    # Of the amounts as printed, so that they add up to the cent.
    total = math.fsum(line["money"] for line in (*goods, *work, *carried)) + deposits
    every = [*goods, *work]
    return (
        templates()
        .get_template("quote.html.j2")
        .render(
            title=f"{build.name}: quote",
            style=markupsafe.Markup(style_text()),
            build=build,
            candidate=c,
            shop=letterhead(build, number=number),
            date=(date or datetime.date.today()).isoformat(),
            parts=[(title, lines) for title, lines in (("Parts and supplies", goods), ("Work", work)) if lines],
            subtotal=_money(math.fsum(line["money"] for line in every)),
            carried=carried,
            has_numbers=any(line["part_number"] for line in every),
            has_suppliers=any(line["supplier"] for line in every),
            deposits=_money(deposits) if deposits else "",
            total=_money(total),
            unpriced=[each.what for b in result.broken if b.limit == "unpriced" for each in b.lines],
        )
    )


def _money(amount: float) -> str:
    return f"{amount:,.2f}"


def _called(text: str) -> str:
    for start, said in _STARTS.items():
        if text.startswith(start):
            text = said + text[len(start) :]
            return text[:1].upper() + text[1:]
    return _LABELS.get(text, text[:1].upper() + text[1:])


_Rows = list[dict[str, Any]]


def _lines(build: Build, result: CandidateResult) -> tuple[_Rows, _Rows, _Rows]:
    """Goods, work, and what is laid over them: freight and tax, each with its rate."""
    shop = build.shop
    rates = {
        "Freight on goods": ("Freight on parts", shop.freight),
        "Tax on goods and freight": ("Tax on parts and freight", shop.tax),
        "Tax on labor": ("Tax on labor and machining", shop.tax_labour),
    }
    own = list(result.candidate.parts)
    goods: _Rows = []
    work: _Rows = []
    carried: _Rows = []
    # The sheet's own price lines come first, in its order (`cost.cost_lines`).
    for i, line in enumerate(result.lines):
        amount = round(float(line.amount), 2)
        if not line.is_first or line.group == "surprises" or not amount:
            continue
        part = own[i] if i < len(own) else None
        text = _called(line.text)
        if line.group == "freight and tax":
            name, rate = rates[line.text]
            text = f"{name}, {rate * 100:.4g}%"
        row = {
            "text": text,
            "part_number": (part.part_number or "") if part else "",
            "supplier": (part.supplier or "") if part else "",
            "quantity": f"{line.count:g} {line.unit}".strip(),
            "each": _money(float(line.amount) / line.count) if line.count else "",
            "amount": _money(amount),
            "money": amount,
        }
        if line.group == "freight and tax":
            carried.append(row)
        elif line.unit == "h" or line.group == "machining":
            work.append(row)
        else:
            goods.append(row)
    return goods, work, carried
