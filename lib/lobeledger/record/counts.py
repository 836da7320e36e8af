"""What the shop has learnt from its record.

How often was a cam lost?              `Counts.outcomes_by_follower`
What goes to the wear watch?           `Counts.lobe_readings`, `before_and_after` -> `Pair`, `over_hours`
"""

from __future__ import annotations

from typing import NamedTuple

from lobeledger.record.entries import LOSSES, Entry, uncertainty_si, value_si
from lobeledger.record.ledger import Ledger

__all__ = ["Counts", "Pair"]


class Pair(NamedTuple):
    """One lobe before and after, in SI units; an uncertainty nobody wrote down is None."""

    before_si: float
    after_si: float
    before_uncertainty_si: float | None
    after_uncertainty_si: float | None


class Counts(Ledger):
    """A record that answers what its entries add up to."""

    def outcomes_by_follower(self) -> dict[str, tuple[int, int]]:
        """(losses, builds) for flat and for roller: what updates an opinion about the chance of a loss.

        A fitted candidate counts once however many outcomes it has, and as a loss if one of them is a wiped lobe or a
        roller failure; 'other' trouble is no loss of the cam.
        """
        lost: dict[int, bool] = {}
        with self._reading():
            for e in self.search(kind="outcome"):
                lost[e["candidate_id"]] = lost.get(e["candidate_id"], False) or e["result"] in LOSSES
            follower = {e.id: e["follower"] for e in self._newest("candidate")}
        counts = {"flat": (0, 0), "roller": (0, 0)}
        for candidate, loss in lost.items():
            losses, builds = counts[follower[candidate]]
            counts[follower[candidate]] = (losses + loss, builds + 1)
        return counts

    def lobe_readings(self, build_id: int, what: str = "lobe lift") -> dict[tuple[int, str, str], Entry]:
        """Last reading of each (cylinder, valve, stage)."""
        found = self.search(kind="reading", build_id=build_id, what=what)
        return {
            (e["cylinder"], e["valve"], e["stage"]): e
            for e in sorted(found, key=lambda e: (e["date"], e["hours"] or 0.0, e.id))
            if e["cylinder"] and e["valve"] and e["stage"]
        }

    def before_and_after(self, build_id: int, what: str = "lobe lift") -> dict[tuple[int, str], Pair]:
        """Last reading before and last reading after of each (cylinder, valve) that has both, in SI units."""
        last = self.lobe_readings(build_id, what)
        pairs = {}
        for cylinder, valve in sorted({(cylinder, valve) for cylinder, valve, _ in last}):
            before, after = (last.get((cylinder, valve, stage)) for stage in ("before", "after"))
            if before and after:
                pairs[cylinder, valve] = Pair(
                    value_si(before), value_si(after), uncertainty_si(before), uncertainty_si(after)
                )
        return pairs

    def over_hours(
        self, build_id: int, *, cylinder: int, valve: str, what: str = "lash"
    ) -> tuple[list[float], list[float], list[float | None]]:
        """Running hours, values and uncertainties (SI units) of one valve's readings, by rising hours."""
        found = [
            e
            for e in self.search(kind="reading", build_id=build_id, what=what)
            if e["cylinder"] == cylinder and e["valve"] == valve and e["hours"] is not None
        ]
        found.sort(key=lambda e: (e["hours"], e.id))
        return [e["hours"] for e in found], [value_si(e) for e in found], [uncertainty_si(e) for e in found]
