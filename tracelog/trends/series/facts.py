"""The fact of a frozen baseline: the period that somebody chose to judge a series by."""

from datetime import timedelta
from typing import Annotated, Any, ClassVar, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from tracelog.facts import (
    Fact,
    Instant,
    Note,
    Number,
    RowId,
    WrongField,
    fill_in_id,
    one_of,
    plain_text,
)
from tracelog.language import _
from tracelog.trends.series.rules import SeriesEvidence, kinds_in, kinds_text

LONGEST_OF = 2_000
# No control chart needs more to set its limits.
LONGEST_BASELINE = timedelta(days=366 * 5)

Of = Annotated[
    str,
    BeforeValidator(lambda value: plain_text(value, LONGEST_OF)),
    WithJsonSchema({"type": "string", "maxLength": LONGEST_OF}),
]
Person = Annotated[
    str,
    BeforeValidator(lambda value: plain_text(value, 120)),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 120}),
]


class BaselineWish(Fact):
    """What somebody wants a series to be judged by, as a page or program sends it.

    Without `line` and `bodymaker` the series is the plant's; `of` is kinds of defect with commas
    between them, blank for all together, or a measured characteristic. Without a period the
    series goes back to the usual baseline. `instead_of` is the id of the baseline that the person
    saw, blank if there was none.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "evidence", "of")
    line: Number | None = None
    bodymaker: Number | None = None
    evidence: Annotated[SeriesEvidence, one_of(SeriesEvidence)]
    of: Of = ""
    starts_at: Instant | None = None
    ends_at: Instant | None = None
    reason: Note
    instead_of: RowId | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        check_series(self)
        return self


class BaselineFact(Fact):
    """A frozen baseline (baselines.csv). The latest of a series counts.

    A row without an `id` is known by its series, by when it was frozen and by whom.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId = Field(default=None, validate_default=False)  # type: ignore[assignment]
    line: Number | None = None
    bodymaker: Number | None = None
    evidence: Annotated[SeriesEvidence, one_of(SeriesEvidence)]
    of: Of = ""
    starts_at: Instant | None = None
    ends_at: Instant | None = None
    reason: Note
    frozen_at: Instant
    frozen_by: Person

    @model_validator(mode="after")
    def _complete(self) -> Self:
        check_series(self)
        names = ("line", "bodymaker", "evidence", "of", "frozen_at", "frozen_by")
        fill_in_id(self, "baseline", *names)
        return self


def check_series(fact: Any) -> None:
    """What both facts hold to: a place, a subject in order, and a whole period or none.

    Raises:
        WrongField: at the field that is wrong.
    """
    if fact.bodymaker is not None and fact.line is None:
        raise WrongField("line", _("is missing; a bodymaker is known by its line and number"))
    if fact.evidence is SeriesEvidence.MEASUREMENTS:
        if not fact.of:
            raise WrongField("of", _("is missing; write the measured characteristic"))
    else:
        object.__setattr__(fact, "of", kinds_text(kinds_in(fact.of)))
    if fact.starts_at is None and fact.ends_at is None:
        return
    if fact.starts_at is None or fact.ends_at is None:
        missing = "starts_at" if fact.starts_at is None else "ends_at"
        raise WrongField(
            missing, _("is missing; give both ends of the period, or neither for the usual one")
        )
    if fact.ends_at <= fact.starts_at:
        raise WrongField("ends_at", _("is not after starts_at; a baseline ends after it starts"))
    if fact.ends_at - fact.starts_at > LONGEST_BASELINE:
        raise WrongField("starts_at", _("is more than five years before ends_at; choose less"))
