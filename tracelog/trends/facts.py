"""The facts of measurement: a figure read off a can of a known machine."""

from typing import ClassVar, Self

from pydantic import Field, model_validator

from tracelog.facts import Fact, Instant, Measure, Name, Number, RowId, fill_in_id


class MeasurementFact(Fact):
    """One measured value (measurements.csv); `subgroup` ties values taken together."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId = Field(default=None, validate_default=False)  # type: ignore[assignment]
    line: Number
    bodymaker: Number
    measured_at: Instant
    characteristic: Name
    unit: Name | None = None
    value: Measure
    subgroup: Name | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        names = ("line", "bodymaker", "measured_at", "characteristic", "subgroup")
        fill_in_id(self, "measurement", *names)
        return self
