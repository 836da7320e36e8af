"""What the break-in page and its sheets show: order list, stakes, record and wear as HTML.

What must be ordered, machined, measured?     `order_tables`, `orders_of`, `Order`
How is it broken in, what does that cost?        `run_in_tables`
What is at stake?                             `stake_tables`, `input_name`
What has the shop written down?               `record_tables`
Which lobe is losing lift?                    `watch_tables`

Text goes through templates with escaping on; `Table` is what they are given.
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from lobeledger.assess.figures import Figure
from lobeledger.choice.run_in import RunInPlan
from lobeledger.choice.stake import Stake, Stakes
from lobeledger.page.templates import templates
from lobeledger.page.words.comparison import Comparison
from lobeledger.page.words.figures import chance_text, given_money_text
from lobeledger.page.words.glossary import marked
from lobeledger.page.words.limits import NO_REASON_TO_SKIP
from lobeledger.page.words.run_in import (
    reasons_not_to_run,
    run_answer,
    run_cautions,
    run_fuel,
    run_springs,
    speed_span,
)
from lobeledger.page.words.wear import VERDICT_WORDS
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import LIGHT_SPRINGS, Candidate
from lobeledger.parts.pairing import OrderLine, order_list
from lobeledger.parts.rules import RunInLine
from lobeledger.record.entries import Entry
from lobeledger.record.wear import Watch
from lobeledger.sheet.tables import LIBRARY_CURRENCY
from lobeledger.units import from_si, shown_unit
from lobeledger.units import show as show_unit

__all__ = [
    "VERBS",
    "Order",
    "Row",
    "Table",
    "input_name",
    "order_tables",
    "orders_of",
    "record_tables",
    "run_in_tables",
    "stake_tables",
    "tables_html",
    "watch_tables",
]

VERBS = {
    "stop": "Won't work together",
    "buy": "Buy",
    "change": "Change",
    "machine": "Machine",
    "measure": "Measure",
    "do": "Also do",
    "keep": "Keep in mind",
}


@dataclass(frozen=True)
class Row:
    """One row of a table."""

    cells: tuple[str, ...]
    strong: bool = False


@dataclass(frozen=True)
class Table:
    """A table for the screen; `numbers` are the columns set to the right."""

    title: str = ""
    intro: str = ""
    heads: tuple[str, ...] = ()
    rows: tuple[Row, ...] = field(default=())
    numbers: tuple[int, ...] = ()


def tables_html(tables: Iterable[Table]) -> str:
    """Tables as HTML for a panel, with a tooltip at the first use of each term of the trade."""
    return marked(templates().get_template("tables.html.j2").render(tables=[t for t in tables if t.rows or t.intro]))


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _span(figure: Figure, digits: int = 0) -> str:
    low, high = (f"{end:,.{digits}f}" for end in figure[1:])
    return f"{figure.value:,.{digits}f}" + (f" ({low} to {high})" if low != high else "")


# -- order list ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Order:
    """One thing to do, from a price line or a rule; a price of None is not known in the sheet's currency."""

    verb: str
    what: str
    why: str
    origin: str
    count: str = "1"
    price: float | None = 0.0
    hours: float = 0.0
    is_added: bool = False
    part_number: str = ""
    supplier: str = ""

    def price_text(self, currency: str) -> str:
        """The price as it stands in the list; empty for what costs nothing."""
        if self.price is None:
            return f"no price in {currency}: write one"
        return f"{self.price:,.2f}" if self.price else ""


def _price_lines(candidate: Candidate, reasons: dict[str, str]) -> list[Order]:
    """The sheet's own lines, each with the reason of the rule it serves."""
    return [
        Order(
            "machine" if p.group == "machining" else "buy",
            p.item,
            "; ".join(
                each
                for each in (
                    reasons.get(p.item, ""),
                    f"and a core charge of {p.core_charge_money * p.quantity:,.2f}, refunded for the old part"
                    if p.core_charge_money * p.quantity
                    else "",
                )
                if each
            ),
            "on the sheet",
            f"{p.quantity:g}",
            p.price_money * p.quantity,
            part_number=p.part_number or "",
            supplier=p.supplier or "",
        )
        for p in candidate.parts
    ]


def _rule_line(line: OrderLine, system: str) -> Order:
    why = line.told
    if line.change_m is not None:
        way = "longer" if line.change_m > 0 else "shorter"
        why += f"; by lifter height and base circle {_length(abs(line.change_m), system)} {way} than now"
    if line.covered_by:
        why += f" (on the sheet: {line.covered_by})"
    price: float | None = 0.0
    if line.is_added:
        price = None if line.price_money is None else line.price_money * line.quantity
    hours = line.time_h * line.quantity if line.is_added else 0.0
    return Order(line.verb, line.what, why, line.origin, f"{line.quantity:g}", price, hours, line.is_added)


def orders_of(build: Build, candidate: Candidate, system: str) -> dict[str, list[Order]]:
    """Everything to do by verb; a rule that a price line already serves is not listed twice."""
    found: dict[str, list[Order]] = {verb: [] for verb in VERBS}
    rules = order_list(build, candidate)
    reasons: dict[str, str] = {}
    for line in rules:
        if line.covered_by and line.verb in ("buy", "change", "machine"):
            reasons.setdefault(line.covered_by, line.told)
    for order in _price_lines(candidate, reasons):
        found[order.verb].append(order)
    if not candidate.is_fitted:
        found["buy"].append(_run_in_oil(build, candidate))
    for each in build.precautions_on(candidate):
        verb = "buy" if each.price_money else "do"
        why = "precaution against failure"
        if each.id == LIGHT_SPRINGS:
            why += f"; {2.0 * candidate.spring_labour_h:g} h, charged with the break-in"
        found[verb].append(Order(verb, each.text, why, each.origin, price=each.price_money, hours=each.time_h))
    for line in rules:
        if line.covered_by and line.verb in ("buy", "change", "machine"):
            continue
        found[line.verb].append(_rule_line(line, system))
    return found


def _run_in_oil(build: Build, candidate: Candidate) -> Order:
    """What the run-in and the first service use up; its price is a charge of the run-in."""
    what = (
        "break-in oil, or oil and the additive, with a filter; oil and filter for the first service"
        if candidate.follower == "flat"
        else "the engine's own oil and a filter, twice: for the first start and the first service"
    )
    origin = "on the sheet" if build.data["shop.run_in_oil"].written else "assumed"
    return Order("buy", what, "charged with the break-in", origin, price=build.shop.run_in_oil_money)


def order_tables(comparison: Comparison, candidate_id: str) -> list[Table]:
    """What to buy, change, machine and measure, for the screen."""
    build = comparison.build
    candidate = build.candidate(candidate_id)
    tables = [
        Table("Don't order this yet", f"{_upper(b.text)}. To fix it: {b.give}.")
        for b in reasons_not_to_run(comparison, candidate_id)
        if b.limit != "pairing"
    ]
    for verb, orders in orders_of(build, candidate, comparison.system).items():
        if not orders:
            continue
        with_money = any(o.price != 0.0 or o.hours for o in orders)
        heads: tuple[str, ...] = (VERBS[verb], "why", "origin")
        if with_money:
            heads += (build.currency, "hours")
        rows = []
        for o in orders:
            cells: tuple[str, ...] = (o.what if o.count == "1" else f"{o.count} x {o.what}", o.why, o.origin)
            if with_money:
                cells += (o.price_text(build.currency), f"{o.hours:g}" if o.hours else "")
            rows.append(Row(cells, o.is_added))
        tables.append(Table(heads=heads, rows=tuple(rows), numbers=(3, 4)))
    return tables


def _length(value_m: float, system: str) -> str:
    return f"{from_si(value_m, 'lift', system):.3f} {shown_unit('lift', system)}"


# -- break-in ------------------------------------------------------------------------------------------------


def run_in_tables(comparison: Comparison, plan: RunInPlan) -> list[Table]:
    """Steps, when to stop, cost, springs, and what is done before and after; the maker's instruction first."""
    system, currency = comparison.system, comparison.build.currency
    maker = plan.maker_instruction or (
        "None on your sheet. It comes before everything here: enter it under Break-in, Maker's instruction."
    )
    tables = [
        Table("Do not run this", f"{_upper(b.text)}. To fix it: {b.give}.")
        for b in reasons_not_to_run(comparison, plan.candidate.id)
    ]
    tables += [Table("The part maker's instruction", maker), Table("", run_answer(plan))]
    tables += [Table("", f"Note: {warning}") for warning in run_cautions(plan)]
    show = functools.partial(show_unit, system=system)
    steps = [
        Row(
            (
                f"{i}",
                f"{speed_span(step.from_rpm, step.to_rpm)}",
                f"{step.time_s / 60.0:.3g}",
                step.line.text,
                step.line.watch or "",
                show(step.fuel_m3.value, "volume"),
                show(step.heat_w.value, "heat"),
            )
        )
        for i, step in enumerate(plan.steps, 1)
    ]
    heads = ("step", "rpm", "min", "do", "watch", "fuel", "heat")
    tables.append(Table("", "", heads, tuple(steps), (0, 1, 2, 5, 6)))
    tables.append(_acts("Stop at once when", plan.stop))
    charges = [Row((each.text, f"{float(each.amount):,.2f}")) for each in plan.charges]
    low, high = (f"{end:,.2f}" for end in plan.total_money[1:])
    moved = f" ({low} to {high} with the inputs varied)" if low != high else ""
    total = math.fsum(round(float(each.amount), 2) for each in plan.charges)
    charges.append(Row((f"Break-in, {currency}{moved}", f"{total:,.2f}"), True))
    tables.append(Table("What the break-in costs", " ".join(run_fuel(plan, system)), (), tuple(charges), (1,)))
    tables.append(Table("Springs", " ".join(run_springs(plan, system))))
    tables.append(_acts("Before", (*plan.prepare, *plan.prime, *plan.ready)))
    tables.append(_acts("Start, and after a stop", (*plan.start, *plan.restart)))
    tables.append(_acts("After", plan.after))
    return tables


def _acts(title: str, lines: Iterable[RunInLine]) -> Table:
    rows = tuple(Row((line.where, line.text, line.caution or "")) for line in lines)
    return Table(title, "", ("", "", "caution"), rows)


# -- stakes -------------------------------------------------------------------------------------------------


def input_name(build: Build, path: str) -> str:
    """An input of the cost in words, from its path."""
    steps = path.split(".")
    if steps[0] == "factors":
        return "how much this raises the odds: " + next(f.text for f in build.factors if f.id == steps[1])
    if steps[0] == "precautions":
        return f"{steps[2]} of: " + next(p.text for p in build.precautions if p.id == steps[1])
    if steps[0] == "pairing":
        return f"{steps[2]} of: " + next(r.item for r in build.pairing if r.id == steps[1])
    if steps[0] == "candidates":
        if steps[2] == "parts":
            return f"{steps[4]} of: " + build.candidate(steps[1]).parts[int(steps[3])].item
        steps = steps[2:]
        if steps[0] == "failure":
            return {"chance": "odds of failure", "cost": "cost if it fails"}.get(steps[1], steps[1])
    else:
        steps = steps[1:]
    return " ".join(steps).replace("_", " ")


def stake_tables(stakes: Stakes, candidate_id: str) -> list[Table]:
    """What is at stake with one candidate: precautions by worth, factors, luck."""
    build = stakes.decision.build
    one = stakes.of(candidate_id)
    return [
        _left_out_table(build, one),
        _precaution_table(build, one),
        _factor_table(one),
        _luck_table(stakes, one),
    ]


def _left_out_table(build: Build, one: Stake) -> Table:
    money = given_money_text(build)
    c = one.candidate
    intro = (
        "The odds count on all of this being done; its time is in the install hours. "
        f"A failure costs {money(c.failure.cost_money)} ({c.failure.what}). {NO_REASON_TO_SKIP}"
    )
    rows = tuple(
        Row(
            (
                each.factor.text,
                f"x {each.factor.odds:g} ({each.factor.low:g} to {each.factor.high:g})",
                chance_text(each.chance_after),
                _span(each.loss_added),
                each.factor.reason,
                each.factor.origin,
            )
        )
        for each in one.left_out
    )
    heads = (
        "left out",
        "odds",
        "odds of failure then",
        f"adds on average, {build.currency} (5 to 95%)",
        "why",
        "origin",
    )
    return Table("What leaving out good practice costs", intro, heads, rows, (1, 2, 3))


def _precaution_table(build: Build, one: Stake) -> Table:
    intro = "Each alone: failure cost saved on average, less its own price and time with freight, tax and surprises."
    if any(not w.pays for w in one.precautions):
        intro += f" {NO_REASON_TO_SKIP}"
    if build.currency != LIBRARY_CURRENCY:
        intro += f" What must be bought is left out: the library's prices are in {LIBRARY_CURRENCY}."
    rows = tuple(
        Row(
            (
                w.text,
                chance_text(w.chance_after),
                f"{w.loss_saved:,.0f}",
                f"{w.price:,.0f}",
                _span(w.worth),
                w.origin,
            ),
            w.pays,
        )
        for w in one.precautions
    )
    heads = ("precaution", "odds of failure with it", "saves", "costs", f"worth, {build.currency} (5 to 95%)", "origin")
    return Table("Beyond good practice, by what it is worth", intro, heads, rows, (2, 3, 4))


def _factor_table(one: Stake) -> Table:
    rows = tuple(
        Row(
            (
                ("on" if f.is_on else "off") + (", by its figures" if f.is_automatic else ""),
                f.factor.text,
                f"x {f.factor.odds:g} ({f.factor.low:g} to {f.factor.high:g})",
                f.factor.reason,
                f.factor.origin,
            ),
            f.is_on,
        )
        for f in one.factors
    )
    return Table(
        "What raises the odds of failure",
        f"Your starting odds: {chance_text(one.opinion)}; with those that are on, {chance_text(one.chance.value)}.",
        ("", "what", "odds", "why", "origin"),
        rows,
        (2,),
    )


def _luck_table(stakes: Stakes, one: Stake) -> Table:
    names = {r.candidate.id: r.candidate.name for r in stakes.decision.results}
    rows = tuple(
        Row((names[p.flat_id], names[p.roller_id], f"{p.expected_share:.0%}", f"{p.realised_share:.0%}"))
        for p in stakes.pairs
        if one.candidate.id in (p.flat_id, p.roller_id)
    )
    return Table(
        "How often the flat costs less to own",
        f"On average, and for one engine, luck included ({stakes.count:,} engines tried).",
        ("flat", "roller", "on average", "in one engine"),
        rows,
        (2, 3),
    )


# -- record and wear ----------------------------------------------------------------------------------------


def record_tables(entries: Sequence[Entry], *, most: int = 60) -> list[Table]:
    """Entries of the record, newest first."""
    shown = list(entries)[::-1][:most]
    rows = []
    for e in shown:
        said = _said(e)
        version = "" if e.version == 1 else f"version {e.version}"
        rows.append(Row((str(e.id), e.kind, str(e.values.get("date") or e.made_at[:10]), said, version)))
    left = len(entries) - len(shown)
    intro = f"{len(entries)} entries" + (f", the newest {most} shown" if left > 0 else "") + "."
    return [Table("", intro, ("entry", "kind", "date", "says", ""), tuple(rows), (0,))]


def _said(e: Entry) -> str:
    """What an entry says, as a person would read it."""
    v = e.values
    if e.kind == "reading":
        doubt = f" ± {v['uncertainty']:g}" if v["uncertainty"] is not None else ""
        where = " ".join(str(x) for x in (f"cylinder {v['cylinder']}" if v["cylinder"] else "", v["valve"]) if x)
        parts = [
            f"build {v['build_id']}: {v['what']} {v['value']:g}{doubt} {v['unit']}",
            where,
            v["stage"],
            "" if v["hours"] is None else f"at {v['hours']:g} h",
            v["place"],
            v["note"],
        ]
        return ", ".join(str(x) for x in parts if x)
    if e.kind == "plan":
        plan = json.loads(v["plan"])
        minutes, school = (plan.get(key) for key in ("minutes", "school")) if isinstance(plan, dict) else (None, None)
        told = f"{minutes:g} minutes, {school}" if minutes else "no break-in at speed"
        return f"build {v['build_id']}, candidate {v['candidate_id'] or 'unknown'}: {told}"
    return ", ".join(
        f"{name.removesuffix('_id').replace('_', ' ')} {value:g}"
        if isinstance(value, float)
        else f"{name.removesuffix('_id').replace('_', ' ')} {value}"
        for name, value in v.items()
        if value not in (None, "") and name not in ("date", "sheet", "plan")
    )


def watch_tables(watch: Watch, system: str) -> list[Table]:
    """Every lobe of an inspection: what it lost, how sure, verdict."""
    unit = shown_unit("lift", system)
    digits = 4 if system == "us" else 3

    def length(value_m: float) -> str:
        return f"{from_si(value_m, 'lift', system):.{digits}f}"

    rows = tuple(
        Row(
            (
                lobe.name,
                f"{length(lobe.loss.loss_m)} ({length(lobe.loss.low_m)} to {length(lobe.loss.high_m)})",
                "" if lobe.excess_m is None else length(lobe.excess_m),
                f"{lobe.loss.chance_over_limit:.0%}",
                VERDICT_WORDS[lobe.verdict],
            ),
            lobe.verdict != "go on",
        )
        for lobe in watch.lobes
    )
    heads = ("lobe", f"lift lost, {unit} (95%)", "beyond its neighbors", f"over {length(watch.limit_m)} {unit}", "")
    return [Table(heads=heads, rows=rows, numbers=(1, 2, 3))]
