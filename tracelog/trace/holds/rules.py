"""Decisions about stock on hold that need no database.

A pallet stays on hold until somebody with the right to do so decides about it: nothing leaves a
hold by itself, and nobody releases what they put on hold themselves.
"""

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from zoneinfo import ZoneInfo

from tracelog.facts import known_words
from tracelog.instants import show_instant
from tracelog.language import _
from tracelog.outcomes import Outcome, conflict, refused
from tracelog.trace.holds.facts import (
    DECISIONS,
    INSPECTIONS,
    WINDOW_STEPS,
    HoldStepFact,
    StepKind,
)

# What changes whether a pallet is on hold.
STATUS_STEPS = DECISIONS | {StepKind.HELD}
# Steps of which the last one counts.
ORDERED_STEPS = STATUS_STEPS | {StepKind.FOUND, StepKind.MISSING}


@dataclass(frozen=True)
class StepSeen:
    """A step as it is kept; instants in UTC."""

    id: uuid.UUID
    step: StepKind
    pallet: str | None
    at: datetime
    written_at: datetime
    by: str
    reason: str | None = None
    place: str | None = None
    expected_suspect: float | None = None
    chance_of_none: float | None = None
    inspected: int | None = None
    defective: int | None = None
    made_from: datetime | None = None
    made_to: datetime | None = None


@dataclass(frozen=True)
class PalletStanding:
    """A pallet in a hold, from its steps in the order in which they were written."""

    pallet: str
    steps: tuple[StepSeen, ...]

    @cached_property
    def _status(self) -> StepSeen:
        return [one for one in self.steps if one.step in STATUS_STEPS][-1]

    @property
    def is_held(self) -> bool:
        """Whether nobody has decided about it since it was last put on hold."""
        return self._status.step is StepKind.HELD

    @property
    def decision(self) -> StepSeen | None:
        """What was decided about it last; None while it is on hold."""
        return None if self.is_held else self._status

    @cached_property
    def held(self) -> StepSeen:
        """When, by whom and why it was put on hold last."""
        return [one for one in self.steps if one.step is StepKind.HELD][-1]

    @cached_property
    def whereabouts(self) -> StepSeen | None:
        """What was written last of where it is: `found` or `missing`."""
        told = (StepKind.FOUND, StepKind.MISSING)
        return next((one for one in reversed(self.steps) if one.step in told), None)

    @property
    def is_missing(self) -> bool:
        """Whether somebody looked for it in vain, and nobody found it since."""
        return self.whereabouts is not None and self.whereabouts.step is StepKind.MISSING

    @property
    def is_found(self) -> bool:
        """Whether somebody found it."""
        return self.whereabouts is not None and self.whereabouts.step is StepKind.FOUND

    @cached_property
    def inspections(self) -> tuple[StepSeen, ...]:
        """Every inspection, also those that could not see the defect."""
        return tuple(one for one in self.steps if one.step in INSPECTIONS)

    @property
    def was_inspected(self) -> bool:
        """Whether an inspection looked at it that can see the defect."""
        return any(one.step is StepKind.INSPECTED for one in self.inspections)


@dataclass(frozen=True)
class HoldStanding:
    """A hold as it stands; `pallets` by number, in the order in which they were put on hold."""

    number: int
    raised_by: str
    made_from: datetime | None
    made_to: datetime | None
    pallets: Mapping[str, PalletStanding]
    closed: StepSeen | None = None

    @property
    def undecided(self) -> list[PalletStanding]:
        """Pallets that are on hold still."""
        return [one for one in self.pallets.values() if one.is_held]


def stand(
    number: int,
    raised_by: str,
    window: tuple[datetime | None, datetime | None],
    steps: Iterable[StepSeen],
) -> HoldStanding:
    """A hold as it stands after its steps.

    Args:
        number: of the hold.
        raised_by: who raised it.
        window: the suspect window with which it was raised, UTC.
        steps: in the order in which they were written.
    """
    made_from, made_to = window
    closed: StepSeen | None = None
    by_pallet: dict[str, list[StepSeen]] = {}
    for one in steps:
        if one.pallet is not None:
            by_pallet.setdefault(one.pallet, []).append(one)
        elif one.step in WINDOW_STEPS:
            made_from, made_to = one.made_from or made_from, one.made_to or made_to
        elif one.step is StepKind.CLOSED:
            closed = one
    pallets = {name: PalletStanding(name, tuple(own)) for name, own in by_pallet.items()}
    return HoldStanding(number, raised_by, made_from, made_to, pallets, closed)


def person_of(name: str) -> str:
    """Who acts: a person's programs act for them, such as ``sara/gateway`` for ``sara``."""
    return name.partition("/")[0].casefold()


def judge(fact: HoldStepFact, hold: HoldStanding, by: str, zone: ZoneInfo) -> Outcome | None:
    """Why a step cannot be written on a hold as it stands; None: it can.

    Args:
        fact: the step.
        hold: as it stands.
        by: who writes it.
        zone: the plant's, for times in sentences.
    """
    if hold.closed is not None:
        sentence = _("hold %(number)d is closed; raise another one", number=hold.number)
        return conflict("step", sentence)
    if fact.step in WINDOW_STEPS:
        return _of_window(fact, hold)
    if fact.step is StepKind.CLOSED:
        return _of_end(hold)
    if fact.pallet is None:
        return None
    standing = hold.pallets.get(fact.pallet)
    if fact.step is StepKind.HELD:
        return _of_holding(fact, hold, standing)
    if standing is None:
        return refused(
            "pallet",
            _(
                "'%(pallet)s' is not in hold %(number)d; put it on hold first",
                pallet=fact.pallet,
                number=hold.number,
            ),
        )
    if not standing.is_held:
        return conflict("pallet", _decided(standing, zone))
    if fact.step in DECISIONS:
        return _of_decision(fact, hold, standing, by)
    if fact.step in INSPECTIONS and standing.is_missing:
        return conflict("pallet", _is_missing(standing))
    return None


def _decided(standing: PalletStanding, zone: ZoneInfo) -> str:
    decision = standing.decision
    assert decision is not None  # noqa: S101
    return _(
        "'%(pallet)s' was %(decision)s by %(name)s at %(at)s; look at the hold anew",
        pallet=standing.pallet,
        decision=_(decision.step.value),
        name=decision.by,
        at=show_instant(decision.written_at, zone),
    )


def _is_missing(standing: PalletStanding) -> str:
    return _("'%(pallet)s' is missing; write first where it was found", pallet=standing.pallet)


def _of_holding(
    fact: HoldStepFact, hold: HoldStanding, standing: PalletStanding | None
) -> Outcome | None:
    if standing is not None and standing.is_held:
        return conflict(
            "pallet",
            _(
                "'%(pallet)s' is in hold %(number)d already",
                pallet=standing.pallet,
                number=hold.number,
            ),
        )
    decision = standing.decision if standing is not None else None
    if decision is not None and decision.step is StepKind.SCRAPPED:
        sentence = _("'%(pallet)s' was scrapped; there is nothing left to hold", pallet=fact.pallet)
        return conflict("pallet", sentence)
    if fact.from_pallet is not None and fact.from_pallet not in hold.pallets:
        return refused(
            "from_pallet",
            _(
                "'%(pallet)s' is not in hold %(number)d; name one that is, or leave it blank",
                pallet=fact.from_pallet,
                number=hold.number,
            ),
        )
    return None


def _of_decision(
    fact: HoldStepFact, hold: HoldStanding, standing: PalletStanding, by: str
) -> Outcome | None:
    if standing.is_missing:
        return conflict("pallet", _is_missing(standing))
    if fact.at < standing.held.at:
        return refused("at", _("is before the pallet was put on hold; give a later time"))
    owners = {person_of(hold.raised_by), person_of(standing.held.by)}
    if fact.step is not StepKind.SCRAPPED and person_of(by) in owners:
        return refused(
            "pallet",
            _(
                "'%(pallet)s' was put on hold by you; somebody else of quality must release it",
                pallet=standing.pallet,
            ),
        )
    return None


def _of_window(fact: HoldStepFact, hold: HoldStanding) -> Outcome | None:
    start, end = fact.made_from or hold.made_from, fact.made_to or hold.made_to
    if start is None or end is None:
        missing = "made_from" if start is None else "made_to"
        return refused(missing, _("is missing; the hold has no window yet, so give both ends"))
    if end < start:
        return refused("made_to", _("is before made_from; the window ends after it begins"))
    had_start, had_end = hold.made_from or start, hold.made_to or end
    if fact.step is StepKind.WIDENED and (start > had_start or end < had_end):
        name = "made_from" if start > had_start else "made_to"
        return refused(name, _("makes the window smaller; that is a step 'narrowed'"))
    if fact.step is StepKind.NARROWED and (start < had_start or end > had_end):
        name = "made_from" if start < had_start else "made_to"
        return refused(name, _("makes the window larger; that is a step 'widened'"))
    return None


def _of_end(hold: HoldStanding) -> Outcome | None:
    left = hold.undecided
    if not left:
        return None
    return refused(
        "step",
        _(
            "%(count)d pallets of hold %(number)d are not decided yet: %(pallets)s",
            count=len(left),
            number=hold.number,
            pallets=known_words([one.pallet for one in left], 5),
        ),
    )
