"""Sentences of what is at stake.

With one candidate                                     `stake_answer`
With a whole comparison, break-evens first             `stake_answers`
"""

from __future__ import annotations

from lobeledger.choice.stake import Stake, Stakes
from lobeledger.page.words.figures import chance_text, given_money_text, money_text, near_money
from lobeledger.page.words.flips import break_even_text
from lobeledger.parts.build import Build

__all__ = ["stake_answer", "stake_answers"]


def stake_answer(build: Build, one: Stake) -> str:
    """How likely a failure is, what it costs, and what one engine costs to own."""
    c, realised = one.candidate, one.realised
    money = money_text(build)
    names = [f.text for f in build.factors_on(c)] + [p.text for p in build.precautions_on(c)]
    because = f" with {'; '.join(names)}" if names else ""
    return (
        f"{c.name}: {c.failure.what} in about {chance_text(one.chance.value)}{because}, "
        f"{given_money_text(build)(c.failure.cost_money)} each time, {money(one.expected_loss.value)} a build on "
        f"average. One engine costs {near_money(realised.low):,.0f} to {money(realised.high)} to own in nine of ten "
        "tries."
    )


def stake_answers(stakes: Stakes) -> tuple[str, ...]:
    """What is at stake, in plain sentences: break-evens first, then each candidate."""
    build = stakes.decision.build
    evens = (break_even_text(build, even) for even in stakes.decision.break_evens)
    return (*evens, *(stake_answer(build, one) for one in stakes.stakes))
