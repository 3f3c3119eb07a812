"""What people say about signals: decisions, and the budget of false ones."""

from typing import Annotated, ClassVar

from pydantic import AfterValidator

from tracelog.facts import Fact, Instant, Measure, Name, Note, RowId, one_of
from tracelog.language import _
from tracelog.trends.signals.rules import (
    ANY_DEFECT,
    LEAST_BUDGET,
    MOST_BUDGET,
    Decision,
    Kind,
)


class DecisionFact(Fact):
    """What is decided about one signal; without a defect it is that of a silent log."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    machine: Name
    defect: Name = ANY_DEFECT
    kind: Annotated[Kind, one_of(Kind)]
    raised_at: Instant
    decision: Annotated[Decision, one_of(Decision)]
    reason: Note | None = None


def _within(value: float) -> float:
    if not LEAST_BUDGET <= value <= MOST_BUDGET:
        raise ValueError(
            _(
                "give a number of false signals a week from %(least)s to %(most)s",
                least=f"{LEAST_BUDGET:g}",
                most=f"{MOST_BUDGET:g}",
            )
        )
    return value


class BudgetFact(Fact):
    """How many false signals a week the whole plant accepts, and why so many."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    false_signals_a_week: Annotated[Measure, AfterValidator(_within)]
    reason: Note
