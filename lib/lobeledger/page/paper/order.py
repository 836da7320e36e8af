"""The order list of one candidate, to print.

`order_sheet_html`
"""

from __future__ import annotations

import datetime
import math

import markupsafe

from lobeledger.page.paper.quote import letterhead
from lobeledger.page.templates import style_text, templates
from lobeledger.page.words.break_in import VERBS, orders_of
from lobeledger.page.words.comparison import Comparison
from lobeledger.page.words.figures import in_one_system
from lobeledger.page.words.run_in import reasons_not_to_run

__all__ = ["order_sheet_html"]


def order_sheet_html(
    comparison: Comparison, candidate_id: str, *, number: str = "", date: datetime.date | None = None
) -> str:
    """The order list of one candidate as a page to print, with a box to tick on each line.

    number: the running number of the quote it goes with, else the sheet's, else a line to write it on.
    """
    build = comparison.build
    candidate = build.candidate(candidate_id)
    orders = orders_of(build, candidate, comparison.system)
    parts = [
        {
            "title": title,
            "has_hours": any(o.hours for o in orders[verb]),
            "is_found": verb in ("measure", "keep"),
            "rows": [
                {
                    "what": in_one_system(o.what, comparison.system),
                    "why": in_one_system(o.why, comparison.system),
                    "part_number": o.part_number,
                    "supplier": o.supplier,
                    "count": o.count,
                    "price": "ask" if o.price is None else o.price_text(build.currency),
                    "hours": f"{o.hours:g}" if o.hours else "",
                }
                for o in orders[verb]
            ],
        }
        for verb, title in VERBS.items()
        if verb != "stop" and orders[verb]
    ]
    every = [o for each in orders.values() for o in each]
    # Of the prices as printed, so that they add up to the cent.
    total = math.fsum(round(o.price or 0.0, 2) for o in every)
    unpriced = sum(o.price is None for o in every)
    deposits = math.fsum(p.core_charge_money * p.quantity for p in candidate.parts)
    return (
        templates()
        .get_template("order_sheet.html.j2")
        .render(
            title=f"{build.name}: order list",
            style=markupsafe.Markup(style_text()),
            build=build,
            candidate=candidate,
            shop=letterhead(build, number=number),
            date=(date or datetime.date.today()).isoformat(),
            stops=[f"{b.text}. To fix it: {b.give}" for b in reasons_not_to_run(comparison, candidate_id)],
            parts=parts,
            total=f"{total:,.2f}",
            unpriced=f"{unpriced} thing{'s' if unpriced > 1 else ''}" if unpriced else "",
            deposits=f"{deposits:,.2f}" if deposits else "",
            hours=f"{sum(o.hours for o in every) + candidate.fitting_time_h:g}",
        )
    )
