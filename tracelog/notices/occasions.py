"""What happened and what is so now, from what the rooms below know: reads only.

Each source tells every occasion that may be news to somebody, as often as it is asked; what was
told already is sorted out afterwards by key. A source is asked only where somebody subscribed.
"""

import uuid
from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from typing import TypeAlias, TypedDict

from sqlalchemy.orm import Session

from tracelog.cases.complaints.queries import ComplaintFilter, ComplaintView, complaints
from tracelog.cases.queries import State, cases
from tracelog.defects.facts import Severity
from tracelog.defects.queries import vocabulary
from tracelog.instants import show_instant, write_instant
from tracelog.language import _, in_words
from tracelog.notices.facts import MOST_DAYS_AHEAD, Kind
from tracelog.notices.rules import HORIZON, Occasion
from tracelog.plant.queries import Directory, MachineView, PlantView, directory
from tracelog.service.queries import ServiceStanding, service_standings
from tracelog.strokes.questions import Silence, silences
from tracelog.trace.holds.facts import DECISIONS, StepKind
from tracelog.trace.holds.queries import HoldFilter, HoldView, holds
from tracelog.trends.signals.queries import SignalView, kept_signals
from tracelog.trends.signals.rules import Decision
from tracelog.trends.signals.wording import says

Source: TypeAlias = Callable[[Session, PlantView, datetime], list[Occasion]]


def occasions(
    session: Session, plant: PlantView, kinds: Collection[Kind], now: datetime
) -> list[Occasion]:
    """Everything of some kinds that may be news, in order of time.

    Args:
        session: an open session.
        plant: as read.
        kinds: what somebody asks for.
        now: UTC.

    Returns:
        A fixed number of statements for each source.
    """
    asked = dict.fromkeys(SOURCES[kind] for kind in Kind if kind in kinds)
    found = [one for source in asked for one in source(session, plant, now)]
    return sorted((one for one in found if one.kind in kinds), key=lambda one: one.happened_at)


def _of_signals(session: Session, plant: PlantView, now: datetime) -> list[Occasion]:
    places = directory(session)
    severities = {one.defect: one.severity for one in vocabulary(session)}
    found = []
    for one in kept_signals(session, places):
        if one.decision is not None and one.decision.decision is Decision.DISMISSED:
            continue
        severity = _severity(severities.get(one.defect))
        if one.raised_at <= now and now - one.raised_at <= HORIZON:
            found.append(_signal(one, severity, one.raised_at, Kind.SIGNAL, plant))
        if one.ended_at is not None and one.ended_at <= now and now - one.ended_at <= HORIZON:
            found.append(_signal(one, severity, one.ended_at, Kind.SIGNAL_OVER, plant))
    return found


def _signal(
    one: SignalView, severity: Severity | None, at: datetime, kind: Kind, plant: PlantView
) -> Occasion:
    machine, defect = one.machine, one.defect or _("all kinds of defect")
    values = {"machine": machine.text, "defect": defect}
    alike = f"{kind.value} {machine.id} {one.defect} {one.kind.value} "
    if kind is Kind.SIGNAL:
        title = _("Signal at %(machine)s: %(defect)s", **values)
        text = says(one)
    else:
        title = _("Signal over at %(machine)s: %(defect)s", **values)
        text = _(
            "The rate is back to what is usual; it was raised at %(at)s.",
            at=show_instant(one.raised_at, plant.zone),
        )
    return Occasion(
        kind,
        f"{alike}{write_instant(one.raised_at)}",
        at,
        title,
        text,
        "/trends/signals",
        **_at(machine),
        severity=severity,
        alike=alike,
    )


class _Place(TypedDict):
    place: str
    line_id: uuid.UUID
    machine_ids: frozenset[uuid.UUID]


def _at(machine: MachineView) -> _Place:
    return {
        "place": machine.text,
        "line_id": machine.line_id,
        "machine_ids": frozenset({machine.id}),
    }


def _severity(word: str | None) -> Severity | None:
    return Severity(word) if word else None


def _of_holds(session: Session, _plant: PlantView, now: datetime) -> list[Occasion]:
    places = directory(session)
    severities = {one.defect: one.severity for one in vocabulary(session)}
    found = []
    for one in holds(session, HoldFilter(), now):
        severity = _severity(severities.get(one.defect or ""))
        words = in_words(one.defect_title or "") or _("no kind of defect named")
        text = _(
            "%(pallets)d pallets are on hold. %(defect)s. %(reason)s",
            pallets=len(one.pallets),
            defect=words,
            reason=one.reason,
        )
        title = _("Hold %(number)d put by %(who)s", number=one.number, who=one.raised_by)
        key = f"hold {one.id}"
        found.append(_hold(one, Kind.HOLD, (key, one.raised_at, title, text), places, severity))
        for at, who, counts in _decisions(one):
            said = ", ".join(f"{count} {_(word)}" for word, count in counts.items())
            values = {"number": one.number, "who": who}
            title = (
                _("Hold %(number)d closed by %(who)s", **values)
                if StepKind.CLOSED.value in counts
                else _("Decided on hold %(number)d by %(who)s", **values)
            )
            text = _(
                "Pallets: %(what)s. %(left)d of %(all)d are on hold still.",
                what=said,
                left=len(one.held),
                all=len(one.pallets),
            )
            told = (f"release {one.id} {write_instant(at)}", at, title, text)
            found.append(_hold(one, Kind.RELEASE, told, places, None))
    return found


def _decisions(one: HoldView) -> list[tuple[datetime, str, dict[str, int]]]:
    """What was decided at once: instant, person, and how many pallets by what was decided."""
    made: dict[tuple[datetime, str], dict[str, int]] = {}
    for step in one.steps:
        if step.step in DECISIONS or step.step is StepKind.CLOSED:
            counts = made.setdefault((step.written_at, step.by), {})
            counts[step.step.value] = counts.get(step.step.value, 0) + 1
    return [(at, who, counts) for (at, who), counts in made.items()]


def _hold(
    one: HoldView,
    kind: Kind,
    told: tuple[str, datetime, str, str],
    places: Directory,
    severity: Severity | None,
) -> Occasion:
    machine = places.machine_named(one.machine) if one.machine else None
    line = machine.line if machine else one.line
    return Occasion(
        kind,
        *told,
        f"/holds/{one.number}",
        one.machine or _line(line),
        line_id=places.lines.get(line) if line is not None else None,
        machine_ids=frozenset({machine.id}) if machine else frozenset(),
        severity=severity,
    )


def _line(line: int | None) -> str:
    return _("the plant") if line is None else _("line %(line)d", line=line)


def _of_services(session: Session, _plant: PlantView, now: datetime) -> list[Occasion]:
    found = []
    for one in service_standings(session, now):
        interval = write_instant(one.done_at) if one.done_at else "never"
        key = f"{one.machine.id} {one.level.service} {interval}"
        values = {"machine": one.machine.text, "service": in_words(one.level.service)}
        link = f"/machines/{one.machine.line}/{one.machine.station}/{one.machine.number}"
        if one.is_overdue:
            title = _("Service overdue at %(machine)s: %(service)s", **values)
            told = (f"service overdue {key}", now, title, _standing(one), link)
            found.append(Occasion(Kind.SERVICE, *told, **_at(one.machine), is_state=True))
            continue
        days = None if one.due.due is None else (one.due.due - one.today).days
        if days is not None and days <= MOST_DAYS_AHEAD:
            title = _("Service due at %(machine)s: %(service)s", **values)
            told = (f"service due {key}", now, title, _standing(one), link)
            found.append(
                Occasion(Kind.SERVICE, *told, **_at(one.machine), is_state=True, days_left=days)
            )
    return found


def _standing(one: ServiceStanding) -> str:
    strokes = f"{one.strokes_since:,}"
    since = (
        _("%(strokes)s strokes since the last one", strokes=strokes)
        if one.done_at
        else _("%(strokes)s strokes, and none on record", strokes=strokes)
    )
    if one.due.due is None:
        return f"{since}."
    if one.due.due_early == one.due.due_late:
        return _("%(since)s; due on %(day)s.", since=since, day=one.due.due)
    return _(
        "%(since)s; due on %(day)s, with 80 %% between %(early)s and %(late)s.",
        since=since,
        day=one.due.due,
        early=one.due.due_early,
        late=one.due.due_late,
    )


def _of_silences(session: Session, plant: PlantView, now: datetime) -> list[Occasion]:
    return [_silence(one, plant, now) for one in silences(session, now).values()]


def _silence(one: Silence, plant: PlantView, now: datetime) -> Occasion:
    since = write_instant(one.last_at) if one.last_at else "never"
    text = (
        _("It was read last at %(at)s.", at=show_instant(one.last_at, plant.zone))
        if one.last_at
        else _("It was never read.")
    )
    return Occasion(
        Kind.SILENT_COUNTER,
        f"silent counter {one.machine.id} {since}",
        now,
        _("Counter of %(machine)s is silent", machine=one.machine.text),
        text,
        "/counters",
        **_at(one.machine),
        is_state=True,
    )


def _of_cases(session: Session, plant: PlantView, now: datetime) -> list[Occasion]:
    places = directory(session)
    return [
        Occasion(
            Kind.CASE_BACK,
            f"case back {one.id} {write_instant(one.came_back_at)}",
            one.came_back_at,
            _("Case came back: %(title)s", title=one.title),
            _(
                "It had ended as held; %(defect)s is up again at %(place)s since %(at)s.",
                defect=in_words(one.defect_title),
                place=one.place,
                at=show_instant(one.came_back_at, plant.zone),
            ),
            f"/cases/{one.id}",
            one.place,
            line_id=places.lines.get(one.line),
            machine_ids=frozenset(one.machine_ids),
        )
        for one in cases(session)
        if one.state is State.CAME_BACK and one.came_back_at is not None
        if one.came_back_at <= now
    ]


def _of_complaints(session: Session, _plant: PlantView, now: datetime) -> list[Occasion]:
    places = directory(session)
    return [_complaint(one, places, now) for one in complaints(session, ComplaintFilter(), now)]


def _complaint(one: ComplaintView, places: Directory, now: datetime) -> Occasion:
    code = one.original.code
    machines = places.candidates(code, now) if code is not None else []
    lines = {machine.line for machine in machines}
    line = lines.pop() if len(lines) == 1 else None
    machine_ids: frozenset[uuid.UUID] = (
        frozenset({machines[0].id}) if len(machines) == 1 else frozenset()
    )
    return Occasion(
        Kind.COMPLAINT,
        f"complaint {one.id}",
        one.written_at,
        _("Complaint %(number)d written by %(who)s", number=one.number, who=one.written_by),
        _(
            "%(defect)s; code as read %(code)s, pallet %(pallet)s.",
            defect=in_words(one.defect_title or "") or _("no kind of defect named"),
            code=code or _("not known"),
            pallet=one.original.pallet or _("not known"),
        ),
        f"/complaints/{one.number}",
        machines[0].text if machine_ids else _line(line),
        line_id=places.lines.get(line) if line is not None else None,
        machine_ids=machine_ids,
        severity=_severity(one.severity),
    )


SOURCES: Mapping[Kind, Source] = {
    Kind.SIGNAL: _of_signals,
    Kind.SIGNAL_OVER: _of_signals,
    Kind.HOLD: _of_holds,
    Kind.RELEASE: _of_holds,
    Kind.SERVICE: _of_services,
    Kind.SILENT_COUNTER: _of_silences,
    Kind.CASE_BACK: _of_cases,
    Kind.COMPLAINT: _of_complaints,
}
