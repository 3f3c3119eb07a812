"""The fact of a gauge study: a person measured a part once more."""

from typing import Annotated, ClassVar, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from tracelog.facts import Fact, Instant, Measure, Name, RowId, fill_in_id, whole_number

MOST_TRIALS = 100
Trial = Annotated[
    int,
    BeforeValidator(lambda value: whole_number(value, 1, MOST_TRIALS)),
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": MOST_TRIALS}),
]


class GaugeReadingFact(Fact):
    """One reading of a gauge study (gauge_readings.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId = Field(default=None, validate_default=False)  # type: ignore[assignment]
    study: Name
    characteristic: Name
    unit: Name | None = None
    part: Name
    appraiser: Name
    trial: Trial
    value: Measure
    measured_at: Instant

    @model_validator(mode="after")
    def _complete(self) -> Self:
        names = ("study", "characteristic", "part", "appraiser", "trial")
        fill_in_id(self, "gauge reading", *names)
        return self
