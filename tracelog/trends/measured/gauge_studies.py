"""Gauge studies asked for by name: which readings, which limits, what they say."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.errors import NotFound
from tracelog.facts import decimal_number, known_words
from tracelog.instants import parse_instant
from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.reference import characteristic_named
from tracelog.trends.measured.gauge_rules import GaugeResult, GaugeValue, UnfitStudy, gauge_result
from tracelog.trends.measured.limits import NO_LIMIT, NOTHING_SAID, Limits, LimitWish, limits_of
from tracelog.trends.measured.queries import gauge_values
from tracelog.trends.questions import Known, Reader

STUDY_FIELDS = ("characteristic", "lower", "upper", "as_of")


@dataclass(frozen=True)
class StudyQuestion:
    """Which study: its name, which of its characteristics (None: its only one), and limits."""

    study: str
    characteristic: str | None = None
    lower: LimitWish = NOTHING_SAID
    upper: LimitWish = NOTHING_SAID
    as_of: datetime | None = None


@dataclass(frozen=True)
class StudyAnswer:
    """A study: its readings, and what they say, or why they cannot say anything."""

    question: StudyQuestion
    characteristic: str
    unit: str | None
    readings: tuple[GaugeValue, ...]
    limits: Limits
    result: GaugeResult | None
    why_not: str


def read_study_question(
    study: str,
    values: Mapping[str, Sequence[str]],
    zone: ZoneInfo,
    places: Directory,
    now: datetime,
) -> StudyQuestion:
    """The study asked for by text.

    Args:
        study: its name.
        values: names of `STUDY_FIELDS` to what was given under each.
        zone: the plant's, for instants without an offset.
        places, now: as others read choices.

    Raises:
        BadChoice: one fault for each choice that is wrong.
    """
    reader = Reader(values, Known(zone, places, (), None, now))
    reader.refuse_unknown(STUDY_FIELDS)
    question = StudyQuestion(
        study=study,
        characteristic=reader.text("characteristic"),
        lower=reader.read("lower", _limit, NOTHING_SAID),
        upper=reader.read("upper", _limit, NOTHING_SAID),
        as_of=reader.read("as_of", lambda given: parse_instant(given, zone), None),
    )
    reader.finish()
    return question


def _limit(given: str) -> LimitWish:
    if given == NO_LIMIT:
        return LimitWish(None, is_said=True)
    return LimitWish(decimal_number(given), is_said=True)


def study_answer(session: Session, question: StudyQuestion) -> StudyAnswer:
    """What one study says. One statement.

    Args:
        session: an open session.
        question: which study.

    Raises:
        NotFound: there is no such study, or it has no such characteristic.
        TracelogError: limits that contradict each other, at one of them.
    """
    readings = gauge_values(session, question.study, question.as_of)
    if not readings:
        raise NotFound(
            _("there is no gauge study '%(study)s' on record", study=question.study[:80])
        )
    known = sorted({one.characteristic for one in readings})
    chosen = question.characteristic or known[0]
    if chosen not in known:
        raise NotFound(
            _(
                "the study has no readings of '%(characteristic)s'; it has %(known)s",
                characteristic=chosen[:60],
                known=known_words(known),
            )
        )
    own = tuple(one for one in readings if one.characteristic == chosen)
    unit = own[0].unit
    limits = limits_of(
        question.lower, NOTHING_SAID, question.upper, characteristic_named(chosen), unit
    )
    result, why_not = None, ""
    try:
        result = gauge_result(own, limits)
    except UnfitStudy as problem:
        why_not = str(problem)
    return StudyAnswer(question, chosen, unit, own, limits, result, why_not)
