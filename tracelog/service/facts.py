"""The facts of service: which services there are, and which were done."""

from typing import Annotated, ClassVar

from tracelog.facts import (
    Fact,
    Instant,
    Name,
    Note,
    Number,
    Positive,
    PositiveMeasure,
    YesNo,
    one_of,
)
from tracelog.plant.facts import RemovalReason


class ServiceLevelFact(Fact):
    """One level of service of a station's machines (service_levels.csv).

    Due after `interval_strokes` or `interval_days`, whichever comes first; `hours` the machine
    stands, `people` it takes.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("station", "service")
    station: Name
    service: Name
    interval_strokes: Positive | None = None
    interval_days: Positive | None = None
    hours: PositiveMeasure | None = None
    people: Positive | None = None


class ServiceFact(Fact):
    """A service that was done (services.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "service", "done_at")
    line: Number
    bodymaker: Number
    service: Name
    done_at: Instant
    unplanned: YesNo = False
    note: Note | None = None


class ReplacementCostFact(Fact):
    """What replacing a tool of one type costs, and when it is done today (replacement_costs.csv).

    Both costs in one unit, whatever it is: only their ratio decides when to replace.
    `interval_strokes` blank: the expected life of the tools is today's interval.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("tool_type",)
    tool_type: Name
    planned_cost: PositiveMeasure | None = None
    unplanned_cost: PositiveMeasure | None = None
    interval_strokes: Positive | None = None
    note: Note | None = None


class ToolChangeFact(Fact):
    """A tool change as people report it: what was taken out and why, and what went in.

    `serial` blank: the position was left empty. `tool_type` is that of a tool that is new here.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "position", "at")
    line: Number
    bodymaker: Number
    position: Name
    at: Instant
    removal_reason: Annotated[RemovalReason, one_of(RemovalReason)] | None = None
    serial: Name | None = None
    tool_type: Name | None = None
