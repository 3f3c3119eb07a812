"""What an explanation said when a case was opened, beside what it says now. Pure."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.cases.explain.evidence import CauseKind
from tracelog.cases.explain.hypotheses import Cause
from tracelog.cases.explain.ranking import Likely
from tracelog.cases.explain.wording import title
from tracelog.language import _

# What is less likely than this, then and now, is not told.
LEAST = 0.01
# A probability that moved by less is said to be the same. Common practice, no source.
MOVED = 0.1


@dataclass(frozen=True)
class Beside:
    """One explanation, or nothing special: its probability then and now.

    `then` or `now` is None where it was, or is, not among those that are told.
    """

    title: str
    then: float | None
    now: float | None

    @property
    def became(self) -> str:
        """Likelier, less likely, new, gone, or the same, in words."""
        if self.then is None:
            return _("new")
        if self.now is None:
            return _("gone")
        if abs(self.now - self.then) < MOVED:
            return _("the same")
        return _("likelier") if self.now > self.then else _("less likely")


def named(one: Mapping[str, Any], zone: ZoneInfo) -> str:
    """An explanation of the documented answer in a few words; instants in plant time."""
    chance = float(one["probability"])
    none, no = 0.0, None
    return title(
        Likely(_cause(one), chance, no, no, no, none, none, none, no, no, none, none), zone
    )


def _cause(one: Mapping[str, Any]) -> Cause:
    return Cause(CauseKind(one["kind"]), one["name"], one["position"])


def beside(then: Mapping[str, Any], now: Mapping[str, Any], zone: ZoneInfo) -> list[Beside]:
    """Every explanation of some weight, then and now, the likeliest now first.

    A tool is the same tool whether it was called bad then and worn now; where one answer told it
    twice, both count.

    Args:
        then, now: documented answers of `explain`.
        zone: the plant's.
    """
    told: dict[Hashable, list[float | None]] = {}
    names: dict[Hashable, str] = {}
    for place, answer in ((1, now), (0, then)):
        for one in answer["explanations"]:
            if one["probability"] >= LEAST:
                thing = _cause(one).thing
                names.setdefault(thing, named(one, zone))
                chances = told.setdefault(thing, [None, None])
                chances[place] = (chances[place] or 0.0) + float(one["probability"])
    found = [Beside(names[thing], *chances) for thing, chances in told.items()]
    found.sort(key=lambda one: (-(one.now or 0.0), -(one.then or 0.0)))
    nothing = Beside(
        _("nothing special"), float(then["no_special_cause"]), float(now["no_special_cause"])
    )
    return [*found, nothing]
