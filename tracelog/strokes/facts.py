"""The facts of the counters: what they showed, and what was done to them."""

from enum import StrEnum
from typing import Annotated, ClassVar, Self

from pydantic import model_validator

from tracelog.facts import Count, Fact, Instant, Name, Note, Number, WrongField, one_of
from tracelog.language import _


class CounterEvent(StrEnum):
    """What makes a counter jump without strokes."""

    RESET = "reset"
    PRESET = "preset"
    REPLACED = "replaced"


class ReadingFact(Fact):
    """The raw figure on a machine's cumulative counter at an instant (readings.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "read_at")
    line: Number
    bodymaker: Number
    read_at: Instant
    strokes: Count


class CounterEventFact(Fact):
    """A counter that was reset, preset or replaced (counter_events.csv).

    `strokes_after` is the figure it showed right after.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "at")
    line: Number
    bodymaker: Number
    at: Instant
    event: Annotated[CounterEvent, one_of(CounterEvent)]
    strokes_after: Count


class Verdict(StrEnum):
    """What somebody can say of a jump of a counter.

    `made`: so many strokes were made in the stretch. `misread`: the reading is wrong and counts
    for nothing. `open`: what was said before is taken back.
    """

    MADE = "made"
    MISREAD = "misread"
    OPEN = "open"


class CounterSettlementFact(Fact):
    """What somebody decided on a jump of a counter (counter_settlements.csv).

    It is about the reading taken at `to_at`; the latest `settled_at` about a reading stands.
    `made` says that `strokes` were made since `from_at`, and stands while the stretch that ends
    at the reading begins there.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "to_at", "settled_at")
    line: Number
    bodymaker: Number
    to_at: Instant
    settled_at: Instant
    verdict: Annotated[Verdict, one_of(Verdict)]
    from_at: Instant | None = None
    strokes: Count | None = None
    settled_by: Name | None = None
    note: Note | None = None

    @model_validator(mode="after")
    def _says_what_the_verdict_needs(self) -> Self:
        for name in ("from_at", "strokes"):
            given = getattr(self, name) is not None
            if given != (self.verdict is Verdict.MADE):
                sentence = (
                    _("belongs to the verdict made alone; leave it blank")
                    if given
                    else _("is missing; the verdict made needs it")
                )
                raise WrongField(name, sentence)
        if self.from_at is None:
            return self
        if self.from_at > self.to_at:
            raise WrongField("from_at", _("lies after to_at; a stretch begins before it ends"))
        if self.from_at == self.to_at and self.strokes:
            raise WrongField("strokes", _("no stroke is made in no time; write 0"))
        return self


class CounterDecisionFact(CounterSettlementFact):
    """A settlement as it is decided now: by somebody who looked at the question.

    `settled_at` blank: now. `last_settled_at` is the latest settlement of this reading that they
    saw, blank if there was none; if there is another by now, theirs is not kept.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "to_at")
    settled_at: Instant | None = None  # type: ignore[assignment]
    last_settled_at: Instant | None = None
