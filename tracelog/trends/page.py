"""What the Trends page shows: figures and tables of one set of choices, ready to be drawn."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket
from tracelog.defects.queries import DefectView, vocabulary
from tracelog.errors import Fault
from tracelog.instants import day_of, start_of_day
from tracelog.language import _, in_words
from tracelog.plant.queries import Directory, PlantView
from tracelog.trends.answers import ChartAnswer, ParetoAnswer, Rates
from tracelog.trends.charts import chart
from tracelog.trends.drawing import (
    ChartFigure,
    ParetoFigure,
    ParetoPlace,
    pareto_figure,
)
from tracelog.trends.queries import gather, known_words
from tracelog.trends.questions import (
    BUCKET_PER_SAMPLE,
    CHART_FIELDS,
    BadChoice,
    ChartQuestion,
    Known,
    RateQuestion,
    read_chart_question,
    read_rate_question,
)
from tracelog.trends.rates import pareto_of, rates
from tracelog.trends.rules import By, ChartKind, Evidence
from tracelog.trends.series.drawing import figure_of_points
from tracelog.trends.series.rules import RunRules
from tracelog.trends.series.wording import baseline_words
from tracelog.trends.shares.naming import by_name
from tracelog.trends.shares.page import ShownRates, shifts_and_crews, shown_rates
from tracelog.trends.wording import (
    as_sentence,
    chart_name,
    chart_says,
    evidence_name,
    pareto_says,
    rate_unit,
    rates_say,
    unit_words,
)

PAGE_FIELDS = (*CHART_FIELDS, "by", "across", "explore")
_RATE_FIELDS = ("line", "machine", "defect", "from", "to", "evidence", "as_of")


@dataclass(frozen=True)
class Choices:
    """What can be chosen on the page, as values and labels of its fields."""

    lines: tuple[tuple[str, str], ...]
    machines: tuple[str, ...]
    defects: tuple[tuple[str, str], ...]
    evidence: tuple[tuple[str, str], ...]
    buckets: tuple[tuple[str, str], ...]
    charts: tuple[tuple[str, str], ...]
    by: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Questions:
    """The two questions that the page's choices make: for rates and Pareto, and for the chart.

    Rates by machine leave a chosen machine out, so that it is seen among the others.
    """

    rates: RateQuestion
    chart: ChartQuestion


@dataclass(frozen=True)
class TrendsPage:
    """Everything that the page shows."""

    rates: Rates
    chart: ChartAnswer
    pareto: ParetoAnswer
    shown: ShownRates
    crews: tuple[ShownRates, ...]
    chart_figure: ChartFigure
    pareto_figure: ParetoFigure
    rate_unit: str
    chart_unit: str
    chart_kind: str
    rates_say: tuple[str, str]
    chart_says: tuple[str, str]
    pareto_says: tuple[str, str]
    chart_notes: tuple[str, ...]
    chart_why: str
    chart_baseline: str
    scope: str
    defect: str
    names: Mapping[str, str]
    query: str
    query_without_defect: str
    rates_query: str


def choices(plant: PlantView, places: Directory, kinds: Sequence[DefectView]) -> Choices:
    """What can be chosen on the page of this plant."""
    buckets = [one for one in Bucket if one is not Bucket.SHIFT or plant.rota.shifts]
    names = {
        Bucket.HOUR: _("hour"),
        Bucket.SHIFT: _("shift"),
        Bucket.DAY: _("day"),
        Bucket.WEEK: _("week"),
        Bucket.MONTH: _("month"),
        Bucket.QUARTER: _("quarter"),
    }
    return Choices(
        lines=tuple((str(line), name) for line, name in places.line_names.items()),
        machines=tuple(machine.text for machine in places.bodymakers),
        defects=tuple((kind.defect, kind.title) for kind in kinds),
        evidence=tuple((str(one), evidence_name(one)) for one in Evidence),
        buckets=(
            *((str(one), names[one]) for one in buckets),
            (BUCKET_PER_SAMPLE, _("one point per sample")),
        ),
        charts=tuple((str(kind), chart_name(kind)) for kind in ChartKind),
        by=tuple((str(by), by_name(by)) for by in By),
    )


def page_known(
    session: Session, plant: PlantView, places: Directory, now: datetime
) -> tuple[Known, list[DefectView]]:
    """What the page's choices are read against, and the kinds of defect with their names."""
    kinds = vocabulary(session)
    return known_words(session, plant, places, now, kinds), kinds


def read_questions(values: Mapping[str, Sequence[str]], known: Known) -> Questions:
    """The questions that the page's choices make.

    Raises:
        BadChoice: one fault for each choice that is wrong.
    """
    asked = read_chart_question(values, known, extra=("explore", "by", "across"))
    shared = {name: given for name, given in values.items() if name in _RATE_FIELDS}
    shared["evidence"] = [asked.evidence]
    shared["by"] = [",".join(_told_apart(values))]
    rated = read_rate_question(shared, known)
    if asked.evidence is Evidence.SAMPLES and len(asked.defects) != 1:
        sentence = _(
            "choose one kind of defect: a sample that was looked at for two kinds would count"
            " its cans twice"
        )
        raise BadChoice((Fault("defect", sentence),))
    return Questions(rated, asked)


def _told_apart(values: Mapping[str, Sequence[str]]) -> list[str]:
    """What rates are told apart by: the two fields of the page as one choice."""
    given = [values.get(name, ("",))[-1].strip() for name in ("by", "across")]
    if given[1] and not given[0]:
        given[0] = str(By.MACHINE)
    return [one for one in given if one]


def shown_choices(
    questions: Questions, values: Mapping[str, Sequence[str]], zone: ZoneInfo
) -> dict[str, str]:
    """The page's fields filled in with what was chosen or taken as usual."""
    asked = questions.chart
    shown = {name: given[-1] for name, given in values.items() if given and name in PAGE_FIELDS}
    bucket = BUCKET_PER_SAMPLE if asked.bucket is None else str(asked.bucket)
    return shown | {
        "from": day_or_moment(asked.start, zone),
        "to": day_or_moment(asked.end, zone, ends=True),
        "evidence": str(asked.evidence),
        "by": str(questions.rates.by),
        "across": str(questions.rates.across or ""),
        "bucket": bucket,
        "chart": str(asked.kind),
        "machine": "" if asked.machine is None else asked.machine.text,
        "line": "" if asked.line is None else str(asked.line),
    }


def day_or_moment(moment: datetime, zone: ZoneInfo, ends: bool = False) -> str:
    """An edge of a period as its field takes it: a day if it is one, else an instant."""
    day = day_of(moment, zone)
    if moment != start_of_day(day, zone):
        return moment.astimezone(zone).isoformat(timespec="minutes")
    return (day - timedelta(days=1) if ends else day).isoformat()


def trends_page(
    session: Session,
    plant: PlantView,
    places: Directory,
    kinds: Sequence[DefectView],
    questions: Questions,
) -> TrendsPage:
    """Everything that the page shows for its questions.

    Raises:
        TracelogError: what was chosen cannot be drawn, told at its field.
    """
    names = {kind.defect: in_words(kind.title) for kind in kinds}
    gathered = gather(session, questions.rates)
    rated = rates(session, _beside_others(questions.rates), plant, places, gathered)
    charted = chart(session, questions.chart, plant, places)
    ordered = pareto_of(session, questions.rates, plant, places, gathered)
    return TrendsPage(
        rates=rated,
        chart=charted,
        pareto=ordered,
        shown=shown_rates(rated, questions.chart.machine),
        crews=shifts_and_crews(session, questions.rates, plant, places),
        chart_figure=figure_of_points(charted, plant.zone),
        pareto_figure=pareto_figure(
            [
                ParetoPlace(
                    names.get(bar.defect, bar.defect),
                    bar.share,
                    bar.cumulative,
                    _("%(count)d occurrences", count=bar.occurrences),
                )
                for bar in ordered.bars
            ]
        ),
        rate_unit=rate_unit(rated.question.evidence),
        chart_unit=unit_words(charted.unit),
        chart_kind=chart_name(charted.kind),
        rates_say=rates_say(rated.question.evidence),
        chart_says=chart_says(charted.question.evidence, charted.kind),
        pareto_says=pareto_says(),
        chart_notes=tuple(map(as_sentence, charted.notes)),
        chart_why=as_sentence(charted.why),
        chart_baseline="" if charted.baseline is None else baseline_words(charted, plant.zone),
        scope=scope_name(questions.chart, plant, places),
        defect=", ".join(names.get(one, one) for one in questions.chart.defects),
        names=names,
        query=query_of(questions, plant.zone),
        query_without_defect=query_of(_any_defect(questions), plant.zone),
        rates_query=rates_query_of(questions, plant.zone),
    )


def _beside_others(asked: RateQuestion) -> RateQuestion:
    """A chosen machine is seen among the others where rates are told apart by machine."""
    return replace(asked, machine=None) if By.MACHINE in asked.told_apart else asked


def _any_defect(questions: Questions) -> Questions:
    return replace(questions, chart=replace(questions.chart, defects=()))


def answer_for(
    figure: str,
    session: Session,
    plant: PlantView,
    places: Directory,
    questions: Questions,
) -> Rates | ChartAnswer | ParetoAnswer:
    """What one figure of the page shows: `rates`, `chart` or `pareto`.

    Raises:
        TracelogError: as `trends_page`.
    """
    if figure == "rates":
        return rates(session, _beside_others(questions.rates), plant, places)
    if figure == "chart":
        return chart(session, questions.chart, plant, places)
    return pareto_of(session, questions.rates, plant, places)


def query_of(questions: Questions, zone: ZoneInfo) -> str:
    """The choices as the query string that leads back to them, with the usual ones written out."""
    asked = questions.chart
    pairs: list[tuple[str, str]] = [("defect", defect) for defect in asked.defects]
    if asked.line is not None:
        pairs.append(("line", str(asked.line)))
    if asked.machine is not None:
        pairs.append(("machine", asked.machine.text))
    pairs += [
        ("from", day_or_moment(asked.start, zone)),
        ("to", day_or_moment(asked.end, zone, ends=True)),
        ("evidence", str(asked.evidence)),
        ("bucket", BUCKET_PER_SAMPLE if asked.bucket is None else str(asked.bucket)),
        ("chart", str(asked.kind)),
    ]
    if asked.baseline is not None:
        pairs.append(("baseline_from", day_or_moment(asked.baseline[0], zone)))
        pairs.append(("baseline_to", day_or_moment(asked.baseline[1], zone, ends=True)))
    pairs += [("exclude", moment.isoformat()) for moment in asked.exclude]
    if asked.rules is not RunRules.NONE:
        pairs.append(("rules", str(asked.rules)))
    if asked.as_of is not None:
        pairs.append(("as_of", asked.as_of.isoformat()))
    return urlencode(pairs)


def rates_query_of(questions: Questions, zone: ZoneInfo) -> str:
    """The choices with those of the rates: what they are told apart by."""
    asked = questions.rates
    pairs = [] if asked.told_apart == (By.MACHINE,) else [("by", str(asked.by))]
    pairs += [] if asked.across is None else [("across", str(asked.across))]
    return "&".join([query_of(questions, zone), *([urlencode(pairs)] if pairs else [])])


def scope_name(asked: ChartQuestion, plant: PlantView, places: Directory) -> str:
    """What the machine, line or plant of a chart is called."""
    if asked.machine is not None:
        return _("machine %(machine)s", machine=asked.machine.text)
    if asked.line is not None:
        return places.line_names[asked.line]
    return plant.name
