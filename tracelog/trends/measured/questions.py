"""What can be asked of measured values, and how it is read from text.

Command, API and page read their choices here, so that the same words mean the same and a bad one
gets the same sentence at its field.
"""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.errors import Fault
from tracelog.facts import decimal_number, known_words, plain_text, whole_number
from tracelog.instants import day_of, moment_or_day, parse_instant, start_of_day
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView, PlantView
from tracelog.reference import characteristics
from tracelog.trends.measured.limits import NO_LIMIT, NOTHING_SAID, LimitWish
from tracelog.trends.measured.queries import Measured, what_is_measured
from tracelog.trends.measured.rules import MeasuredChart, Scale
from tracelog.trends.questions import LONGEST_PERIOD, USUAL_DAYS, Known, Reader
from tracelog.trends.series.rules import RunRules

LIMIT_FIELDS = ("lower", "target", "upper")
MEASURE_FIELDS = (
    *("characteristic", "line", "machine", "from", "to", "chart", "scale"),
    *(*LIMIT_FIELDS, "rules", "baseline_from", "baseline_to", "as_of"),
)


@dataclass(frozen=True)
class MeasureQuestion:
    """Which chart of measured values.

    Attributes:
        characteristic: as in the file.
        start, end: the period, UTC, the end not included.
        kind: which chart, or `auto`.
        scale: plain values or their logarithms, or `auto`.
        line, machine: only this one; None: the whole plant.
        lower, target, upper: specification as said; what is not said is the vocabulary's.
        rules: the set of run rules looked for beside the limits.
        baseline: start and end of the period that sets the limits; None: the frozen one, or all.
        as_of: only what was measured by then; None: all.
    """

    characteristic: str
    start: datetime
    end: datetime
    kind: MeasuredChart = MeasuredChart.AUTO
    scale: Scale = Scale.AUTO
    line: int | None = None
    machine: MachineView | None = None
    lower: LimitWish = NOTHING_SAID
    target: LimitWish = NOTHING_SAID
    upper: LimitWish = NOTHING_SAID
    rules: RunRules = RunRules.NONE
    baseline: tuple[datetime, datetime] | None = None
    as_of: datetime | None = None


@dataclass(frozen=True)
class KnownMeasures:
    """What choices are read against: the plant's words, and what was measured so far."""

    zone: ZoneInfo
    places: Directory
    measured: tuple[Measured, ...]
    now: datetime

    @property
    def words(self) -> tuple[str, ...]:
        """Characteristics: those measured, the vocabulary's first; then the rest of it."""
        measured = {one.characteristic for one in self.measured}
        usual = [row.characteristic for row in characteristics()]
        return (
            *(word for word in usual if word in measured),
            *sorted(measured.difference(usual)),
            *(word for word in usual if word not in measured),
        )

    def latest_at(self, characteristic: str) -> datetime | None:
        """When it was measured last, None if never."""
        found = [one.latest_at for one in self.measured if one.characteristic == characteristic]
        return max(found, default=None)

    def latest_machine(self, characteristic: str) -> uuid.UUID | None:
        """The machine on which it was measured last."""
        found = (one for one in self.measured if one.characteristic == characteristic)
        return next((one.machine_id for one in found), None)


def known_measures(
    session: Session, plant: PlantView, places: Directory, now: datetime
) -> KnownMeasures:
    """What choices are read against. One statement beside those of plant and directory."""
    return KnownMeasures(plant.zone, places, tuple(what_is_measured(session)), now)


def read_measure_question(
    values: Mapping[str, Sequence[str]], known: KnownMeasures
) -> MeasureQuestion:
    """The chart asked for by text: the last 28 days of values unless said otherwise.

    Args:
        values: names of `MEASURE_FIELDS` to what was given under each.
        known: what to read them against.

    Raises:
        BadChoice: one fault for each choice that is wrong.
    """
    reader = Reader(values, Known(known.zone, known.places, (), None, known.now))
    reader.refuse_unknown(MEASURE_FIELDS)
    as_of = reader.read("as_of", lambda given: parse_instant(given, known.zone), None)
    characteristic = _characteristic(reader, known)
    start, end = _period(reader, known, characteristic, as_of)
    line, machine = _place(reader, known.places)
    question = MeasureQuestion(
        characteristic=characteristic,
        start=start,
        end=end,
        kind=reader.word("chart", MeasuredChart, MeasuredChart.AUTO),
        scale=reader.word("scale", Scale, Scale.AUTO),
        line=line,
        machine=machine,
        lower=reader.read("lower", _limit, NOTHING_SAID),
        target=reader.read("target", _limit, NOTHING_SAID),
        upper=reader.read("upper", _limit, NOTHING_SAID),
        rules=reader.word("rules", RunRules, RunRules.NONE),
        baseline=_baseline(reader, known.zone, (start, end)),
        as_of=as_of,
    )
    reader.finish()
    return question


def _characteristic(reader: Reader, known: KnownMeasures) -> str:
    usual = known.words[0]
    given = reader.read("characteristic", lambda text: plain_text(text, 80), usual)
    if given not in known.words:
        sentence = _(
            "'%(given)s' was never measured here; known are %(known)s",
            given=given[:60],
            known=known_words(known.words),
        )
        reader.faults.append(Fault("characteristic", sentence))
    return given


def _limit(given: str) -> LimitWish:
    if given == NO_LIMIT:
        return LimitWish(None, is_said=True)
    try:
        return LimitWish(decimal_number(given), is_said=True)
    except ValueError as problem:
        raise ValueError(_("%(why)s, or none", why=problem)) from None


def _period(
    reader: Reader, known: KnownMeasures, characteristic: str, as_of: datetime | None
) -> tuple[datetime, datetime]:
    zone = known.zone
    latest = known.latest_at(characteristic) or known.now
    if as_of is not None:
        latest = min(latest, as_of)
    usual_end = start_of_day(day_of(latest, zone) + timedelta(days=1), zone)
    end = reader.read("to", lambda given: moment_or_day(given, zone, ends=True), usual_end)
    first_day = day_of(end - timedelta(microseconds=1), zone) - timedelta(days=USUAL_DAYS - 1)
    usual_start = start_of_day(first_day, zone)
    start = reader.read("from", lambda given: moment_or_day(given, zone), usual_start)
    if start >= end and not reader.faults:
        reader.faults.append(Fault("to", _("is not after from; a period ends after it starts")))
    if end - start > LONGEST_PERIOD and not reader.faults:
        reader.faults.append(Fault("from", _("is more than five years before to; choose less")))
    return start, end


def _place(reader: Reader, places: Directory) -> tuple[int | None, MachineView | None]:
    def known_line(given: str) -> int:
        line = whole_number(given, 1, 999)
        places.line(line)
        return line

    line = reader.read("line", known_line, None)
    machine = reader.read("machine", places.machine_named, None)
    if machine is not None and line is not None and machine.line != line:
        sentence = _(
            "%(machine)s is not on line %(line)d; choose one of them",
            machine=machine.text,
            line=line,
        )
        reader.faults.append(Fault("machine", sentence))
    return line, machine


def _baseline(
    reader: Reader, zone: ZoneInfo, period: tuple[datetime, datetime]
) -> tuple[datetime, datetime] | None:
    start = reader.read("baseline_from", lambda given: moment_or_day(given, zone), None)
    end = reader.read("baseline_to", lambda given: moment_or_day(given, zone, ends=True), None)
    if start is None and end is None:
        return None
    chosen = (start or period[0], end or period[1])
    if chosen[0] >= chosen[1]:
        sentence = _("is not after baseline_from; a baseline ends after it starts")
        reader.faults.append(Fault("baseline_to", sentence))
    elif chosen[1] - chosen[0] > LONGEST_PERIOD:
        sentence = _("is more than five years before the baseline's end; choose less")
        reader.faults.append(Fault("baseline_from", sentence))
    return chosen
