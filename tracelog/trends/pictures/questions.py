"""What can be asked of the funnel, the heat map and year against year, read from text."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from tracelog.facts import whole_number
from tracelog.instants import day_of
from tracelog.plant.queries import MachineView
from tracelog.trends.page import day_or_moment
from tracelog.trends.questions import Known, RateQuestion, Reader, one_word, read_rate_question

FUNNEL_FIELDS = ("by", "line", "defect", "from", "to", "as_of")
HEAT_FIELDS = ("line", "machine", "defect", "from", "to", "as_of", "columns", "against")
YEAR_FIELDS = ("line", "machine", "defect", "year", "step", "as_of")
EARLIEST_YEAR, LATEST_YEAR = 1990, 2200
# Up to this many days are shown one by one, up to so many as weeks, and beyond that as months.
MOST_DAYS, MOST_WEEK_DAYS = 93, 366
_SCOPE = ("line", "machine", "defect", "from", "to", "as_of")
Values = Mapping[str, Sequence[str]]


class Compared(StrEnum):
    """What a funnel sets side by side."""

    MACHINE = "machine"
    LINE = "line"


class Columns(StrEnum):
    """What the columns of a heat map are."""

    SHIFT = "shift"
    DAY = "day"
    WEEK = "week"
    MONTH = "month"
    DEFECT = "defect"


class Against(StrEnum):
    """What a cell of a heat map is judged by."""

    PLANT = "plant"
    OWN = "own"


class Step(StrEnum):
    """How long the periods are that one year is set against the other by."""

    MONTH = "month"
    WEEK = "week"


@dataclass(frozen=True)
class HeatQuestion:
    """Which heat map: the rates it is made of, what its columns are, what cells are judged by."""

    rates: RateQuestion
    columns: Columns
    against: Against


@dataclass(frozen=True)
class YearQuestion:
    """Which years: `year` beside the one before.

    Attributes:
        year: of the calendar, or of ISO 8601 weeks where the step is a week.
        step: months or weeks.
        reached: the end of what is on record (UTC); after it nothing is known yet.
        defects: kinds of defect, counted together; empty: every kind.
        line, machine: only this one; None: the whole plant.
        as_of: only what was known by then; None: all that is known.
    """

    year: int
    step: Step
    reached: datetime
    defects: tuple[str, ...] = ()
    line: int | None = None
    machine: MachineView | None = None
    as_of: datetime | None = None


def read_funnel(values: Values, known: Known) -> RateQuestion:
    """The rates of a funnel, by machine unless said otherwise.

    Raises:
        BadChoice: one fault for each choice that is wrong.
    """
    reader = Reader(values, known)
    reader.refuse_unknown(FUNNEL_FIELDS)
    reader.word("by", Compared, Compared.MACHINE)
    reader.finish()
    return read_rate_question(values, known)


def read_heat(values: Values, known: Known) -> HeatQuestion:
    """The heat map asked for: columns as long as the period calls for unless said otherwise.

    Raises:
        BadChoice: one fault for each choice that is wrong.
    """
    reader = Reader(values, known)
    reader.refuse_unknown(HEAT_FIELDS)
    columns = reader.read("columns", lambda given: one_word(given, Columns), None)
    against = reader.word("against", Against, Against.PLANT)
    reader.finish()
    scope = {name: given for name, given in values.items() if name in _SCOPE}
    rates = read_rate_question(scope, known)
    return HeatQuestion(rates, columns or _usual_columns(rates), against)


def _usual_columns(rates: RateQuestion) -> Columns:
    days = (rates.end - rates.start).days
    if days <= MOST_DAYS:
        return Columns.DAY
    return Columns.WEEK if days <= MOST_WEEK_DAYS else Columns.MONTH


def read_years(values: Values, known: Known) -> YearQuestion:
    """The years asked for: that of the latest data unless said otherwise.

    Raises:
        BadChoice: one fault for each choice that is wrong.
    """
    reader = Reader(values, known)
    reader.refuse_unknown(YEAR_FIELDS)
    scope = {name: given for name, given in values.items() if name in _SCOPE}
    step = reader.word("step", Step, Step.MONTH)
    year = reader.read("year", lambda given: whole_number(given, EARLIEST_YEAR, LATEST_YEAR), None)
    reader.finish()
    rates = read_rate_question(scope, known)
    last = day_of(rates.end - timedelta(microseconds=1), known.zone)
    usual = last.isocalendar().year if step is Step.WEEK else last.year
    return YearQuestion(
        year=year or usual,
        step=step,
        reached=rates.end,
        defects=rates.defects,
        line=rates.line,
        machine=rates.machine,
        as_of=rates.as_of,
    )


def funnel_query(asked: RateQuestion, zone: ZoneInfo, *, with_by: bool = True) -> str:
    """The choices of a funnel as the query string that leads back to them."""
    by = [("by", str(asked.by))] if with_by else []
    return urlencode([*by, *_scope_pairs(asked, zone)])


def heat_pairs(asked: HeatQuestion, zone: ZoneInfo) -> list[tuple[str, str]]:
    """The choices of a heat map as names and values."""
    return [
        *_scope_pairs(asked.rates, zone),
        ("columns", str(asked.columns)),
        ("against", str(asked.against)),
    ]


def year_query(asked: YearQuestion) -> str:
    """The choices of year against year as the query string that leads back to them."""
    pairs = [*_place_pairs(asked), ("year", str(asked.year)), ("step", str(asked.step))]
    return urlencode(pairs)


def _scope_pairs(asked: RateQuestion, zone: ZoneInfo) -> list[tuple[str, str]]:
    return [
        *_place_pairs(asked),
        ("from", day_or_moment(asked.start, zone)),
        ("to", day_or_moment(asked.end, zone, ends=True)),
    ]


def _place_pairs(asked: RateQuestion | YearQuestion) -> list[tuple[str, str]]:
    pairs = [("defect", defect) for defect in asked.defects]
    if asked.line is not None:
        pairs.append(("line", str(asked.line)))
    if asked.machine is not None:
        pairs.append(("machine", asked.machine.text))
    if asked.as_of is not None:
        pairs.append(("as_of", asked.as_of.isoformat()))
    return pairs
