"""What can be asked of rates and charts, and how it is read from text.

Command, API and page read their choices here, so that the same words mean the same and a bad one
gets the same sentence at its field.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TypeVar
from zoneinfo import ZoneInfo

from tracelog.buckets import Bucket
from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.facts import known_words, whole_number
from tracelog.instants import day_of, moment_or_day, parse_instant, start_of_day
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView
from tracelog.trends.rules import By, ChartKind, Evidence, evidence_of
from tracelog.trends.series.rules import RunRules

USUAL_DAYS = 28
LONGEST_PERIOD = timedelta(days=366 * 5)
MOST_POINTS = 2_000
Word = TypeVar("Word", bound=StrEnum)
Read = TypeVar("Read")


@dataclass(frozen=True)
class RateQuestion:
    """Which rates.

    Attributes:
        start, end: the period, UTC, the end not included.
        by: what they are told apart by.
        across: a second thing that they are told apart by, another than `by`; None: nothing.
        defects: kinds of defect, counted together; empty: every kind.
        line, machine: only this one; None: all.
        bucket: also by hour, shift, day, week or month; None: the whole period.
        evidence: production or samples.
        as_of: only what was known by then; None: all that is known.
        shrink: pull each rate towards the plant's, by how little it tells.
    """

    start: datetime
    end: datetime
    by: By = By.MACHINE
    defects: tuple[str, ...] = ()
    line: int | None = None
    machine: MachineView | None = None
    bucket: Bucket | None = None
    evidence: Evidence = Evidence.PRODUCTION
    as_of: datetime | None = None
    shrink: bool = True
    across: By | None = None

    @property
    def told_apart(self) -> tuple[By, ...]:
        """All that the rates are told apart by, in order."""
        return (self.by,) if self.across is None else (self.by, self.across)


@dataclass(frozen=True)
class ChartQuestion:
    """Which control chart.

    Attributes:
        start, end: the period, UTC, the end not included.
        kind: which chart, or `auto`; its evidence is `evidence`.
        evidence: production or samples.
        defects: kinds of defect, counted together; empty: every kind.
        line, machine: only this one; None: the whole plant.
        bucket: length of a point; None: one point per sample inspected.
        baseline: start and end of the period that sets the centre and the limits; None: all.
        exclude: starts of the points that set neither; they are drawn all the same.
        rules: the set of run rules that is looked for beside the limits.
        as_of: only what was known by then; None: all that is known.
    """

    start: datetime
    end: datetime
    kind: ChartKind = ChartKind.AUTO
    evidence: Evidence = Evidence.PRODUCTION
    defects: tuple[str, ...] = ()
    line: int | None = None
    machine: MachineView | None = None
    bucket: Bucket | None = None
    baseline: tuple[datetime, datetime] | None = None
    exclude: tuple[datetime, ...] = ()
    rules: RunRules = RunRules.NONE
    as_of: datetime | None = None


@dataclass(frozen=True)
class Known:
    """What choices are read against: the plant's words, and its latest data.

    `latest_at` is the last instant of which anything is on record, None in an empty plant.
    """

    zone: ZoneInfo
    places: Directory
    defects: Sequence[str]
    latest_at: datetime | None
    now: datetime


class BadChoice(BadFact):
    """A choice in a question is wrong: one fault per field."""

    status = 400


@dataclass
class Reader:
    """Reads named choices and gathers one fault for each that is wrong."""

    values: Mapping[str, Sequence[str]]
    known: Known
    faults: list[Fault] = field(default_factory=list)

    def text(self, name: str) -> str | None:
        """The last value given under a name, None if blank."""
        given = [value.strip() for value in self.values.get(name, ()) if value.strip()]
        return given[-1] if given else None

    def texts(self, name: str) -> tuple[str, ...]:
        """All values given under a name, without blanks and repeats."""
        return tuple(dict.fromkeys(v.strip() for v in self.values.get(name, ()) if v.strip()))

    def read(self, name: str, how: Callable[[str], Read], usual: Read) -> Read:
        """One value read by `how`; what is wrong with it is kept as a fault at its name."""
        given = self.text(name)
        if given is None:
            return usual
        try:
            return how(given)
        except TracelogError as problem:
            self.faults.append(Fault(name, problem.sentence))
        except ValueError as problem:
            self.faults.append(Fault(name, str(problem)))
        return usual

    def word(self, name: str, words: type[Word], usual: Word) -> Word:
        """One of few words."""
        return self.read(name, lambda given: one_word(given, words), usual)

    def refuse_unknown(self, allowed: Sequence[str]) -> None:
        """A name that nobody knows, or that comes twice, is told, never ignored."""
        for name, given in self.values.items():
            if name in allowed and len(given) > 1 and name not in SEVERAL:
                sentence = _("is given %(times)d times; give it once", times=len(given))
                self.faults.append(Fault(name, sentence))
            if name not in allowed:
                sentence = _(
                    "'%(field)s' is not known here; known are %(known)s",
                    field=name[:60],
                    known=", ".join(allowed),
                )
                self.faults.append(Fault(name[:60], sentence))

    def finish(self) -> None:
        """Raise what was gathered.

        Raises:
            BadChoice: with one fault for each choice that is wrong.
        """
        if self.faults:
            raise BadChoice(tuple(self.faults))


def one_word(given: str, words: type[Word]) -> Word:
    """One of the words of an enumeration.

    Raises:
        ValueError: it is none of them.
    """
    try:
        return words(given)
    except ValueError:
        raise ValueError(
            _("'%(what)s' is not one of: %(known)s", what=given[:60], known=", ".join(words))
        ) from None


def told_apart(given: str) -> tuple[By, ...]:
    """One or two things that rates are told apart by: ``tool``, or ``machine,shift``.

    Raises:
        ValueError: a word that is not known, the same one twice, or more than two.

    Example:
        >>> told_apart("machine, shift") == (By.MACHINE, By.SHIFT)
        True
    """
    words = [one_word(word.strip(), By) for word in given.split(",")]
    if len(words) > 2:
        raise ValueError(_("names %(number)d words; name one or two", number=len(words)))
    if len(set(words)) < len(words):
        raise ValueError(
            _("names '%(word)s' twice; name two different words, or one", word=words[0])
        )
    return tuple(words)


def yes_or_no(text: str) -> bool:
    """`yes` or `no`.

    Raises:
        ValueError: neither.
    """
    if text not in {"yes", "no"}:
        raise ValueError(_("'%(what)s' is neither 'yes' nor 'no'", what=text[:60]))
    return text == "yes"


PLACE_FIELDS = ("line", "machine", "defect", "from", "to", "evidence", "bucket", "as_of")
RATE_FIELDS = ("by", *PLACE_FIELDS, "shrink")
CHART_FIELDS = ("chart", *PLACE_FIELDS, "baseline_from", "baseline_to", "exclude", "rules")
BUCKET_PER_SAMPLE = "sample"
# What may be given more than once.
SEVERAL = frozenset({"defect", "exclude"})


@dataclass(frozen=True)
class _Scope:
    """The choices that rates and charts share."""

    start: datetime
    end: datetime
    defects: tuple[str, ...]
    line: int | None
    machine: MachineView | None
    as_of: datetime | None


def read_rate_question(
    values: Mapping[str, Sequence[str]], known: Known, extra: Sequence[str] = ()
) -> RateQuestion:
    """The rates asked for by text, the last 28 days of data unless said otherwise.

    Args:
        values: names of `RATE_FIELDS` to what was given under each.
        known: what to read them against.
        extra: names that others read.

    Raises:
        BadChoice: one fault for each choice that is wrong.
    """
    reader = Reader(values, known)
    reader.refuse_unknown((*RATE_FIELDS, *extra))
    scope = _scope(reader)
    usual: tuple[By, ...] = (By.MACHINE,)
    by = reader.read("by", told_apart, usual)
    question = RateQuestion(
        start=scope.start,
        end=scope.end,
        by=by[0],
        across=by[1] if len(by) > 1 else None,
        defects=scope.defects,
        line=scope.line,
        machine=scope.machine,
        bucket=reader.read("bucket", lambda given: one_word(given, Bucket), None),
        evidence=reader.word("evidence", Evidence, Evidence.PRODUCTION),
        as_of=scope.as_of,
        shrink=reader.read("shrink", yes_or_no, True),  # noqa: FBT003
    )
    reader.finish()
    return question


def read_chart_question(
    values: Mapping[str, Sequence[str]], known: Known, extra: Sequence[str] = ()
) -> ChartQuestion:
    """The chart asked for by text: one point a day, or one per sample, unless said otherwise.

    Args and Raises: as `read_rate_question`, with the names of `CHART_FIELDS`.
    """
    reader = Reader(values, known)
    reader.refuse_unknown((*CHART_FIELDS, *extra))
    scope = _scope(reader)
    kind = reader.word("chart", ChartKind, ChartKind.AUTO)
    usual = evidence_of(kind) or Evidence.PRODUCTION
    evidence = reader.word("evidence", Evidence, usual)
    if evidence is not usual and evidence_of(kind) is not None:
        sentence = _(
            "a %(kind)s chart takes %(usual)s, not %(evidence)s",
            kind=kind,
            usual=_(usual),
            evidence=_(evidence),
        )
        reader.faults.append(Fault("chart", sentence))
    question = ChartQuestion(
        start=scope.start,
        end=scope.end,
        kind=kind,
        evidence=evidence,
        defects=scope.defects,
        line=scope.line,
        machine=scope.machine,
        bucket=_chart_bucket(reader, evidence),
        baseline=_baseline(reader, scope),
        exclude=_excluded(reader),
        rules=reader.word("rules", RunRules, RunRules.NONE),
        as_of=scope.as_of,
    )
    reader.finish()
    return question


def _scope(reader: Reader) -> _Scope:
    known = reader.known
    as_of = reader.read("as_of", lambda given: parse_instant(given, known.zone), None)
    usual_end = _usual_end(known, as_of)
    end = reader.read("to", lambda given: moment_or_day(given, known.zone, ends=True), usual_end)
    # Whole days of the plant's clock, also where it is changed in between.
    first_day = day_of(end - timedelta(microseconds=1), known.zone) - timedelta(days=USUAL_DAYS - 1)
    usual_start = start_of_day(first_day, known.zone)
    start = reader.read("from", lambda given: moment_or_day(given, known.zone), usual_start)
    if start >= end and not reader.faults:
        reader.faults.append(Fault("to", _("is not after from; a period ends after it starts")))
    if end - start > LONGEST_PERIOD and not reader.faults:
        reader.faults.append(Fault("from", _("is more than five years before to; choose less")))
    line = reader.read("line", lambda given: _line(given, known.places), None)
    machine = reader.read("machine", known.places.machine_named, None)
    if machine is not None and line is not None and machine.line != line:
        sentence = _(
            "%(machine)s is not on line %(line)d; choose one of them",
            machine=machine.text,
            line=line,
        )
        reader.faults.append(Fault("machine", sentence))
    return _Scope(start, end, _defects(reader), line, machine, as_of)


def _usual_end(known: Known, as_of: datetime | None) -> datetime:
    """The end of the last day of which anything is on record."""
    latest = known.latest_at or known.now
    if as_of is not None:
        latest = min(latest, as_of)
    return start_of_day(day_of(latest, known.zone) + timedelta(days=1), known.zone)


def _line(given: str, places: Directory) -> int:
    line = whole_number(given, 1, 999)
    places.line(line)
    return line


def _defects(reader: Reader) -> tuple[str, ...]:
    given = reader.texts("defect")
    unknown = [name for name in given if name not in reader.known.defects]
    if unknown:
        sentence = _(
            "'%(defect)s' is not a kind of defect here; known are %(known)s",
            defect=unknown[0][:60],
            known=known_words(sorted(reader.known.defects)) or _("none yet"),
        )
        reader.faults.append(Fault("defect", sentence))
    return given


def _chart_bucket(reader: Reader, evidence: Evidence) -> Bucket | None:
    if reader.text("bucket") == BUCKET_PER_SAMPLE:
        if evidence is Evidence.PRODUCTION:
            sentence = _("production has no samples; choose one of %(known)s", known=_buckets())
            reader.faults.append(Fault("bucket", sentence))
        return None
    usual = Bucket.DAY if evidence is Evidence.PRODUCTION else None
    return reader.read("bucket", lambda given: one_word(given, Bucket), usual)


def _buckets() -> str:
    return ", ".join(Bucket)


def _baseline(reader: Reader, scope: _Scope) -> tuple[datetime, datetime] | None:
    zone = reader.known.zone
    start = reader.read("baseline_from", lambda given: moment_or_day(given, zone), None)
    end = reader.read("baseline_to", lambda given: moment_or_day(given, zone, ends=True), None)
    if start is None and end is None:
        return None
    chosen = (start or scope.start, end or scope.end)
    if chosen[0] >= chosen[1]:
        sentence = _("is not after baseline_from; a baseline ends after it starts")
        reader.faults.append(Fault("baseline_to", sentence))
    elif chosen[1] - chosen[0] > LONGEST_PERIOD:
        sentence = _("is more than five years before the baseline's end; choose less")
        reader.faults.append(Fault("baseline_from", sentence))
    return chosen


def _excluded(reader: Reader) -> tuple[datetime, ...]:
    zone, excluded = reader.known.zone, []
    for given in reader.texts("exclude"):
        try:
            excluded.append(moment_or_day(given, zone))
        except ValueError as problem:
            reader.faults.append(Fault("exclude", str(problem)))
    return tuple(excluded)
