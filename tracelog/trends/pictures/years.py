"""Months or weeks of one year beside the same of the year before."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from itertools import pairwise

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket
from tracelog.instants import day_of, start_of_day
from tracelog.json_text import finite
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView
from tracelog.stats.compare import compare_rates, e_test, rate_ratio_posterior
from tracelog.stats.intervals import rate_interval
from tracelog.stats.multiplicity import benjamini_hochberg
from tracelog.trends.pictures.questions import Step, YearQuestion
from tracelog.trends.queries import rate_evidence
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rules import PER, By

# Share of false ones among the changes that are named. Common practice, no source.
FALSE_SHARE = 0.05


class Change(StrEnum):
    """What became of a rate."""

    ROSE = "rose"
    FELL = "fell"
    UNCLEAR = "unclear"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Tallied:
    """Occurrences and strokes of a period; the rate per million with its exact 95 % interval."""

    count: int
    strokes: int
    per_million: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Pair:
    """One period of the year beside the same of the year before.

    Attributes:
        number: of the month or week; 0 for the year to date.
        now, before: what was found; `before` is None where the year before has no such week, and
            `now` None where nothing is known yet.
        so_far: the period is not over.
        ratio, low, high: of now over before, with its exact interval; None where unknown.
        p_value: E test. adjusted: the same, adjusted for the number of periods.
        probability_rose: that the true rate is higher than the year before.
    """

    number: int
    now: Tallied | None
    before: Tallied | None
    so_far: bool = False
    ratio: float | None = None
    low: float | None = None
    high: float | None = None
    p_value: float | None = None
    adjusted: float | None = None
    probability_rose: float | None = None
    change: Change = Change.UNKNOWN


@dataclass(frozen=True)
class YearsAnswer:
    """Pairs in order, and both years up to the same day (`until`, not included)."""

    question: YearQuestion
    pairs: tuple[Pair, ...]
    to_date: Pair
    until: date
    until_before: date
    notes: tuple[str, ...]


Days = Mapping[date, tuple[int, int]]


def years_of(
    session: Session, asked: YearQuestion, plant: PlantView, places: Directory
) -> YearsAnswer:
    """Year against year from one reading of both, day by day; a fixed number of statements."""
    first, _middle, last = _edges(asked)
    zone = plant.zone
    question = RateQuestion(
        start=start_of_day(first, zone),
        end=start_of_day(last, zone),
        by=By.PLANT,
        defects=asked.defects,
        line=asked.line,
        machine=asked.machine,
        bucket=Bucket.DAY,
        as_of=asked.as_of,
        shrink=False,
    )
    evidence = rate_evidence(session, plant, places, question)
    days: dict[date, tuple[int, int]] = {}
    for key in {*evidence.found, *evidence.exposures}:
        if key.bucket_start is None:
            continue
        found = evidence.found.get(key)
        day = day_of(key.bucket_start, zone)
        count, strokes = days.get(day, (0, 0))
        more = found.occurrences if found else 0
        days[day] = (count + more, strokes + evidence.exposures.get(key, 0))
    reached = day_of(asked.reached - timedelta(microseconds=1), zone) + timedelta(days=1)
    return year_pairs(asked, days, reached)


def _edges(asked: YearQuestion) -> tuple[date, date, date]:
    """First day of the year before, of the year, and of the year after."""
    if asked.step is Step.WEEK:
        return (
            date.fromisocalendar(asked.year - 1, 1, 1),
            date.fromisocalendar(asked.year, 1, 1),
            date.fromisocalendar(asked.year + 1, 1, 1),
        )
    return date(asked.year - 1, 1, 1), date(asked.year, 1, 1), date(asked.year + 1, 1, 1)


def period_edges(year: int, step: Step) -> list[date]:
    """First days of the months or ISO 8601 weeks of a year, and of the year after it.

    Example:
        >>> len(period_edges(2026, Step.WEEK)) - 1, len(period_edges(2025, Step.WEEK)) - 1
        (53, 52)
    """
    if step is Step.MONTH:
        return [date(year, month, 1) for month in range(1, 13)] + [date(year + 1, 1, 1)]
    first, after = date.fromisocalendar(year, 1, 1), date.fromisocalendar(year + 1, 1, 1)
    return [first + timedelta(days=day) for day in range(0, (after - first).days + 1, 7)]


def same_day_before(day: date, step: Step) -> date:
    """The day that stands where `day` stood, in the year before.

    Of the calendar, 29 February stands where 1 March does, so that up to it both years hold all
    of January and what there was of February. Of weeks: the same weekday of the same week, or
    the first day of the next year where the year before has no week 53.

    Example:
        >>> same_day_before(date(2024, 2, 29), Step.MONTH)
        datetime.date(2023, 3, 1)
    """
    if step is Step.MONTH:
        try:
            return day.replace(year=day.year - 1)
        except ValueError:
            return date(day.year - 1, 3, 1)
    year, week, weekday = day.isocalendar()
    try:
        return date.fromisocalendar(year - 1, week, weekday)
    except ValueError:
        return date.fromisocalendar(year, 1, 1)


def year_pairs(asked: YearQuestion, days: Days, reached: date) -> YearsAnswer:
    """Pairs of periods from counts and strokes by day.

    Args:
        asked: which years.
        days: occurrences and strokes of each day on record.
        reached: the first day of which nothing is known yet.
    """
    now, before = period_edges(asked.year, asked.step), period_edges(asked.year - 1, asked.step)
    first, after = now[0], now[-1]
    until = min(max(reached, first), after)
    pairs = []
    for index, (start, end) in enumerate(pairwise(now)):
        span = (before[index], before[index + 1]) if index + 1 < len(before) else None
        earlier = None if span is None else _total(days, *span)
        known = None if start >= until else _total(days, start, min(end, until))
        pairs.append(_compared(Pair(index + 1, known, earlier, so_far=start < until < end)))
    until_before = before[-1] if until == after else same_day_before(until, asked.step)
    to_date = _compared(Pair(0, _total(days, first, until), _total(days, before[0], until_before)))
    return YearsAnswer(
        asked, _told(pairs), _named(to_date), until, until_before, _notes(asked, days, now, before)
    )


def _total(days: Days, start: date, end: date) -> Tallied:
    inside = [found for day, found in days.items() if start <= day < end]
    count, strokes = sum(one[0] for one in inside), sum(one[1] for one in inside)
    if strokes <= 0:
        return Tallied(count, strokes)
    exact = rate_interval(float(count), float(strokes), per=PER)
    return Tallied(count, strokes, exact.estimate, exact.low, finite(exact.high))


def _compared(pair: Pair) -> Pair:
    """A pair with ratio, tests and the probability that the rate rose."""
    now, before = pair.now, pair.before
    if now is None or before is None or now.strokes <= 0 or before.strokes <= 0:
        return pair
    if now.count + before.count == 0:
        return replace(pair, change=Change.UNCLEAR)
    exact = compare_rates(now.count, now.strokes, before.count, before.strokes)
    believed = rate_ratio_posterior(before.count, before.strokes, now.count, now.strokes)
    tested = e_test(now.count, now.strokes, before.count, before.strokes)
    return replace(
        pair,
        ratio=finite(exact.ratio),
        low=finite(exact.low),
        high=finite(exact.high),
        p_value=finite(tested.p_value),
        probability_rose=finite(1 - believed.probability_below),
    )


def _told(pairs: Sequence[Pair]) -> tuple[Pair, ...]:
    """Pairs with their p-values adjusted for each other, and what became of each rate."""
    tested = [pair.p_value for pair in pairs if pair.p_value is not None]
    adjusted = iter(benjamini_hochberg(tested)) if tested else iter(())
    return tuple(
        pair if pair.p_value is None else _named(replace(pair, adjusted=float(next(adjusted))))
        for pair in pairs
    )


def _named(pair: Pair) -> Pair:
    """A pair with what became of its rate."""
    chance = pair.p_value if pair.adjusted is None else pair.adjusted
    if chance is None or pair.probability_rose is None:
        return pair
    if chance > FALSE_SHARE:
        return replace(pair, change=Change.UNCLEAR)
    return replace(pair, change=Change.ROSE if pair.probability_rose > 0.5 else Change.FELL)


def _notes(
    asked: YearQuestion, days: Days, now: Sequence[date], before: Sequence[date]
) -> tuple[str, ...]:
    notes = []
    for year, edges in ((asked.year, now), (asked.year - 1, before)):
        if not _any_between(days, edges[0], edges[-1]):
            notes.append(_("%(year)d has no data: no stroke and no report", year=year))
    if asked.step is Step.WEEK and len(now) != len(before):
        longer = asked.year if len(now) > len(before) else asked.year - 1
        notes.append(_("only %(year)d has a week 53", year=longer))
    return tuple(notes)


def _any_between(days: Days, start: date, end: date) -> bool:
    found: Iterable[tuple[int, int]] = (one for day, one in days.items() if start <= day < end)
    return any(count or strokes for count, strokes in found)


def change_words(change: Change) -> str:
    """What became of a rate, for people."""
    words = {
        Change.ROSE: _("rose"),
        Change.FELL: _("fell"),
        Change.UNCLEAR: _("no clear change"),
        Change.UNKNOWN: _("not comparable"),
    }
    return words[change]
