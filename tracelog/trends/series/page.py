"""What the page of one series shows: its chart, its baseline, and what happened meanwhile."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote, urlencode
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.defects.queries import DefectView
from tracelog.instants import write_instant
from tracelog.language import _, in_words
from tracelog.plant.queries import Directory, PlantView
from tracelog.trends.answers import ChartAnswer, ChartPoint
from tracelog.trends.drawing import ChartFigure
from tracelog.trends.page import Questions, day_or_moment, query_of, scope_name, shown_choices
from tracelog.trends.questions import ChartQuestion, RateQuestion
from tracelog.trends.rules import BETWEEN_ENTRIES, Evidence
from tracelog.trends.series.drawing import (
    EventFigure,
    event_figure,
    event_words,
    figure_of_points,
    point_at,
)
from tracelog.trends.series.events import chart_with_events
from tracelog.trends.series.rules import (
    Event,
    EventKind,
    Proposal,
    RunRules,
    SeriesEvidence,
    kinds_text,
    proposed_baseline,
)
from tracelog.trends.series.wording import baseline_words, proposal_words
from tracelog.trends.wording import as_sentence, chart_name, chart_says, unit_words

# More coils than this are left to the marks under the chart.
MOST_COILS = 60
MOST_EVENTS = 400


@dataclass(frozen=True)
class PointRow:
    """One point in the table, with its instant and the address of its entries."""

    point: ChartPoint
    at: datetime
    entries: str
    remarks: str


@dataclass(frozen=True)
class EventRow:
    """Something that happened, and where to read more (blank: no page of its own)."""

    at: datetime
    words: str
    more: str
    href: str


@dataclass(frozen=True)
class RuleRow:
    """One run rule, and the numbers of the points that complete its pattern."""

    name: str
    pattern: str
    points: tuple[int, ...]


@dataclass(frozen=True)
class SeriesPage:
    """Everything that the page shows."""

    chart: ChartAnswer
    chart_figure: ChartFigure
    events_figure: EventFigure
    points: tuple[PointRow, ...]
    events: tuple[EventRow, ...]
    events_left_out: int
    coils_left_out: int
    rules: tuple[RuleRow, ...]
    is_between: bool
    scope: str
    defect: str
    unit: str
    kind: str
    why: str
    says: tuple[str, str]
    notes: tuple[str, ...]
    baseline: str
    proposal: str
    proposal_query: str
    query: str


def rule_sets() -> tuple[tuple[str, str], ...]:
    """The sets of run rules, as values and labels of a field."""
    return (
        (RunRules.NONE.value, _("none, the limits alone")),
        (RunRules.WESTERN_ELECTRIC.value, _("Western Electric 1956")),
        (RunRules.NELSON.value, _("Nelson 1984")),
    )


def series_query(asked: ChartQuestion, zone: ZoneInfo) -> str:
    """The query string that leads back to a chart."""
    return query_of(Questions(RateQuestion(asked.start, asked.end), asked), zone)


def series_choices(
    asked: ChartQuestion, values: Mapping[str, Sequence[str]], zone: ZoneInfo
) -> dict[str, str]:
    """The page's fields filled in with what was chosen or taken as usual."""
    questions = Questions(RateQuestion(asked.start, asked.end), asked)
    shown = shown_choices(questions, values, zone)
    return shown | {"defect": asked.defects[0] if asked.defects else "", "rules": asked.rules.value}


def series_page(
    session: Session,
    plant: PlantView,
    places: Directory,
    kinds: Sequence[DefectView],
    asked: ChartQuestion,
    now: datetime,
) -> SeriesPage:
    """Everything that the page shows for its question. A fixed number of statements.

    Raises:
        TracelogError: what was chosen cannot be drawn, told at its field.
    """
    zone = plant.zone
    drawn = chart_with_events(session, asked, plant, places)
    names = {kind.defect: in_words(kind.title) for kind in kinds}
    listed = _listed(drawn.events)
    frozen = drawn.frozen_in_use
    proposal = proposed_baseline(
        drawn.events,
        None if frozen is None else frozen.period,
        asked.machine is not None,
        min(asked.end, now.replace(second=0, microsecond=0)),
    )
    return SeriesPage(
        chart=drawn,
        chart_figure=figure_of_points(drawn, zone),
        events_figure=event_figure(drawn, zone),
        points=tuple(
            PointRow(point, point_at(drawn, point), _entries_of(point, asked), _remarks(point))
            for point in drawn.points
        ),
        events=tuple(_event_row(one, places) for one in listed[:MOST_EVENTS]),
        events_left_out=max(len(listed) - MOST_EVENTS, 0),
        coils_left_out=len(drawn.events) - len(listed),
        rules=tuple(
            RuleRow(one.name, one.pattern, tuple(place + 1 for place in one.places))
            for one in drawn.rules
        ),
        is_between=drawn.kind in BETWEEN_ENTRIES,
        scope=scope_name(asked, plant, places),
        defect=", ".join(names.get(one, one) for one in asked.defects),
        unit=unit_words(drawn.unit),
        kind=chart_name(drawn.kind),
        why=as_sentence(drawn.why),
        says=chart_says(asked.evidence, drawn.kind),
        notes=tuple(map(as_sentence, drawn.notes)),
        baseline=baseline_words(drawn, zone),
        proposal="" if proposal is None else proposal_words(proposal, zone),
        proposal_query=""
        if proposal is None
        else f"{series_query(asked, zone)}&{_proposal_query(proposal, zone)}",
        query=series_query(asked, zone),
    )


def _listed(events: Sequence[Event]) -> list[Event]:
    """Events for the table, the newest first; many coils are left to the figure."""
    coils = sum(one.kind is EventKind.COIL for one in events)
    return [
        one for one in reversed(events) if one.kind is not EventKind.COIL or coils <= MOST_COILS
    ]


def _entries_of(point: ChartPoint, asked: ChartQuestion) -> str:
    """The address of what a point counts."""
    if point.entry is not None:
        return f"/log/{point.entry}"
    pairs = [("defect", defect) for defect in asked.defects]
    if asked.machine is not None:
        pairs.append(("machine", asked.machine.text))
    elif asked.line is not None:
        pairs.append(("line", str(asked.line)))
    pairs += [
        ("from", write_instant(point.start)),
        ("to", write_instant(point.end)),
        ("kind", "production" if asked.evidence is Evidence.PRODUCTION else "sample"),
    ]
    if asked.as_of is not None:
        pairs.append(("as_of", write_instant(asked.as_of)))
    return "/log/entries?" + urlencode(pairs)


def _remarks(point: ChartPoint) -> str:
    told = [*map(in_words, point.rules)]
    if not point.is_baseline:
        told.append(_("not in baseline"))
    return ", ".join(told)


def _event_row(event: Event, places: Directory) -> EventRow:
    href = ""
    if event.kind in (EventKind.FITTED, EventKind.REMOVED):
        href = f"/service/tools/{quote(event.what)}"
    elif event.kind is EventKind.COIL:
        href = "/trace?" + urlencode({"kind": "coil", "name": event.what})
    elif event.machine is not None:
        machine = places.machine_named(event.machine)
        href = f"/machines/{machine.line}/{machine.station}/{machine.number}"
    return EventRow(event.at, event_words(event), event.more, href)


def _proposal_query(proposal: Proposal, zone: ZoneInfo) -> str:
    return urlencode(
        {
            "starts_at": day_or_moment(proposal.start, zone),
            "ends_at": day_or_moment(proposal.end, zone, ends=True),
            "reason": _("after %(what)s", what=event_words(proposal.event)),
        }
    )


def freeze_fields(
    page: SeriesPage, prefilled: Mapping[str, str], zone: ZoneInfo, now: datetime
) -> dict[str, str]:
    """The form that freezes a baseline, filled in: as proposed, else with the period shown.

    Args:
        page: what is shown.
        prefilled: what the address says of `starts_at`, `ends_at` and `reason`.
        zone: the plant's zone.
        now: UTC; a period that still goes on is proposed up to the minute.
    """
    asked = page.chart.question
    period = page.chart.baseline or (asked.start, asked.end)
    end = min(period[1], now.replace(second=0, microsecond=0))
    machine = asked.machine
    line = asked.line if machine is None else machine.line
    frozen = page.chart.frozen
    return {
        "starts_at": prefilled.get("starts_at") or day_or_moment(period[0], zone),
        "ends_at": prefilled.get("ends_at") or day_or_moment(end, zone, ends=True),
        "reason": prefilled.get("reason", ""),
        "line": "" if line is None else str(line),
        "bodymaker": "" if machine is None else str(machine.number),
        "evidence": SeriesEvidence(asked.evidence.value).value,
        "of": kinds_text(asked.defects),
        "instead_of": "" if frozen is None else str(frozen.id),
        "query": page.query,
    }
