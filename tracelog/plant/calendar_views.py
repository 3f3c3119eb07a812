"""The Calendar page: what is planned week by week; adding, changing, withdrawing; files."""

from contextlib import closing
from datetime import date, datetime, timedelta

from flask import Blueprint, Response, flash, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from tracelog.db import new_id
from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.facts import whole_number
from tracelog.instants import day_of, start_of_day
from tracelog.language import _
from tracelog.outcomes import UNCHANGED, demand_kept
from tracelog.plant.calendar import (
    PeriodKind,
    PlannedPeriodView,
    later_alike,
    planned_period,
    planned_periods,
    standing_periods,
)
from tracelog.plant.calendar_actions import (
    move_planned_period,
    plan_periods,
    withdraw_planned_period,
    withdraw_planned_periods,
)
from tracelog.plant.calendar_form import (
    FIELDS,
    TOLD_AT,
    changed_fact,
    facts_of,
    form_of,
    on_form,
    place_choices,
    read_place,
)
from tracelog.plant.calendar_page import (
    USUAL_WEEKS,
    WEEKS_SHOWN,
    calendar_page,
    place_words,
    shown_time,
    weekday_heads,
    when_words,
)
from tracelog.plant.icalendar_actions import ImportedCalendar, import_calendar
from tracelog.plant.icalendar_child import read_calendar_apart
from tracelog.plant.icalendar_matching import ImportChoice, StepKind
from tracelog.plant.icalendar_text import LARGEST_BYTES
from tracelog.plant.icalendar_writing import write_calendar
from tracelog.plant.queries import directory
from tracelog.web.collections import id_in_address
from tracelog.web.forms import Form, asked, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

pages = Blueprint("calendar", __name__)
FILE_FIELDS = ("kind", "place", "replaces", "brings_back", "dry_run")
AHEAD = timedelta(days=730)
MOST_FAULTS = 12
HERE = "/service/calendar"


@pages.get(HERE)
@permit("see")
def calendar() -> str:
    """What is planned in some weeks: as grids of days, and as a list."""
    return _page(_blank(), Form())


def _page(form: Form, file_form: Form, imported: ImportedCalendar | None = None) -> str:
    session, zone = current_session(), the_plant_now().zone
    known = directory(session)
    chosen = asked(("from", "weeks", "line"))
    weeks = int(chosen.value("weeks")) if chosen.value("weeks") in map(str, WEEKS_SHOWN) else 0
    time = shown_time(_first_day(chosen.value("from")), weeks or USUAL_WEEKS, zone)
    periods = planned_periods(session, time.start, time.end)
    line = chosen.value("line")
    if line:
        line_id = known.line(_line_number(line))
        periods = [one for one in periods if one.line_id in (None, line_id)]
    return render_template(
        "plant/calendar.html",
        page=calendar_page(periods, known, time, zone),
        weeks=weeks or USUAL_WEEKS,
        weeks_shown=WEEKS_SHOWN,
        weekdays=weekday_heads(),
        today=day_of(now(), zone),
        line=line,
        lines=known.line_names,
        place_choices=place_choices(known),
        kinds=_kinds(),
        form=form,
        file_form=file_form,
        imported=imported,
        changing_steps=[
            step
            for step in (imported.steps if imported else ())
            if step.kind is not StepKind.UNCHANGED
        ],
    )


def _kinds() -> list[tuple[str, str]]:
    return [
        (PeriodKind.STOP.value, _("It stands")),
        (PeriodKind.NO_SERVICE.value, _("It runs: no service then")),
    ]


def _first_day(text: str) -> date:
    today = day_of(now(), the_plant_now().zone)
    try:
        day = date.fromisoformat(text) if text else today
    except ValueError:
        raise TracelogError(_("is not a day; write it such as 2026-03-29"), "from") from None
    if not 1901 <= day.year <= 2199:
        raise TracelogError(_("is out of range; days from 1901 to 2199 are shown"), "from")
    return day


def _line_number(text: str) -> int:
    try:
        return whole_number(text, 1, 999)
    except ValueError as problem:
        raise TracelogError(str(problem), "line") from None


@pages.post(HERE)
@permit("plan services")
def add_period() -> AnyResponse | tuple[str, int]:
    """Plan a period, or one a week."""
    form = posted(FIELDS)
    zone = the_plant_now().zone
    try:
        facts = facts_of(form, zone)
        outcomes = plan_periods(current_session(), facts, current_actor(), now())
        # All are at one place, so what is wrong with one is wrong with the others.
        demand_kept(outcomes[:1], TOLD_AT)
    except TracelogError as problem:
        found = on_form(problem)
        return _page(form.with_problem(found), Form()), found.status
    flash(_("Planned %(times)d times.", times=len(facts)) if len(facts) > 1 else _("Planned."))
    return _to_week_of(facts[0].starts_at)


def _to_week_of(moment: datetime) -> AnyResponse:
    day = day_of(moment, the_plant_now().zone)
    return redirect(f"{HERE}?from={day.isoformat()}", 303)


@pages.get(f"{HERE}/<period_id>")
@permit("plan services")
def period_page(period_id: str) -> str:
    """One period, to be changed or withdrawn."""
    period = _period(period_id)
    plant = the_plant_now()
    known = directory(current_session())
    return _one(period, form_of(period, known, plant.zone, str(new_id())))


def _period(period_id: str) -> PlannedPeriodView:
    missing = _("there is no planned period with the id %(id)s", id=period_id[:40])
    return planned_period(current_session(), id_in_address(period_id, missing))


def _one(period: PlannedPeriodView, form: Form) -> str:
    session, zone = current_session(), the_plant_now().zone
    known = directory(session)
    return render_template(
        "plant/planned_period.html",
        period=period,
        when=when_words(period, zone),
        place=place_words(period, known),
        alike=later_alike(session, period, zone) if period.withdrawn_at is None else [],
        kinds=_kinds(),
        place_choices=place_choices(known),
        form=form,
    )


@pages.post(f"{HERE}/<period_id>")
@permit("plan services")
def change_period(period_id: str) -> AnyResponse | tuple[str, int]:
    """Change a period; what was known of it before stays on record."""
    form = posted(FIELDS)
    period = _period(period_id)
    session, zone = current_session(), the_plant_now().zone
    try:
        fact = changed_fact(form, period, directory(session), zone)
        moved = move_planned_period(session, period.id, fact, current_actor(), now())
    except TracelogError as problem:
        found = on_form(problem)
        return _one(_period(period_id), form.with_problem(found)), found.status
    flash(_("Nothing was changed.") if moved.outcome is UNCHANGED else _("Changed."))
    return _to_week_of(fact.starts_at)


@pages.post(f"{HERE}/<period_id>/withdraw")
@permit("plan services")
def withdraw_period(period_id: str) -> AnyResponse:
    """Withdraw a period, or with all later ones that say the same at the same times of the week."""
    period = _period(period_id)
    session, actor = current_session(), current_actor()
    if posted(("all",)).value("all") == "yes":
        alike = later_alike(session, period, the_plant_now().zone)
        ids = [period.id, *(one.id for one in alike)]
        count = withdraw_planned_periods(session, ids, actor, now())
        flash(_("Withdrawn: %(times)d times.", times=count))
    elif withdraw_planned_period(session, period.id, actor, now()) is UNCHANGED:
        flash(_("Somebody had withdrawn or changed it already; nothing was changed now."))
    else:
        flash(_("Withdrawn. It stays on record as what was known until now."))
    return _to_week_of(period.starts_at)


@pages.post(f"{HERE}/import")
@permit("plan services")
def import_file() -> AnyResponse | str | tuple[str, int]:
    """Take the events of a calendar file over, or only look what would become of them."""
    form = posted(FILE_FIELDS)
    only_looks = form.value("dry_run") == "yes"
    try:
        done = _imported(form, only_looks)
    except TracelogError as problem:
        found = on_form(problem)
        return _page(_blank(), form.with_problem(found)), found.status
    if only_looks:
        return _page(_blank(), form, done)
    told = ", ".join(f"{count} {kind}" for kind, count in done.counts.items())
    flash(_("Calendar file: %(what)s.", what=told or _("no events in the next two years")))
    return redirect(HERE, 303)


def _imported(form: Form, only_looks: bool) -> ImportedCalendar:
    sent = request.files.get("file")
    if sent is None or not sent.filename:
        raise TracelogError(_("is missing; choose a calendar file (.ics)"), "file")
    with closing(sent):
        # One more than is taken, so that a larger file is seen to be larger.
        raw = sent.stream.read(LARGEST_BYTES + 1)
    zone = the_plant_now().zone
    start = start_of_day(day_of(now(), zone), zone)
    choice = ImportChoice(
        start,
        start + AHEAD,
        read_place(form.value("place")) if form.value("place") else None,
        _kind(form.value("kind")),
        replaces=form.value("replaces") == "yes",
        brings_back=form.value("brings_back") == "yes",
    )
    content = read_calendar_apart(raw, zone, choice.start, choice.end)
    done = import_calendar(
        current_session(), content, choice, current_actor(), now(), dry_run=only_looks
    )
    if done.faults:
        faults = [Fault("file", fault) for fault in done.faults[:MOST_FAULTS]]
        if len(done.faults) > MOST_FAULTS:
            more = len(done.faults) - MOST_FAULTS
            faults.append(Fault("file", _("and %(more)d more events", more=more)))
        raise BadFact(tuple(faults))
    return done


def _kind(text: str) -> PeriodKind | None:
    if text and text not in set(PeriodKind):
        raise TracelogError(
            _("'%(text)s' is not one of: %(known)s", text=text[:40], known=", ".join(PeriodKind)),
            "kind",
        )
    return PeriodKind(text) if text else None


def _blank() -> Form:
    return Form({"id": str(new_id()), "kind": PeriodKind.STOP.value})


@pages.get(f"{HERE}.ics")
@permit("see")
def calendar_file() -> Response:
    """Everything that stands, as a calendar file."""
    plant, session = the_plant_now(), current_session()
    raw = write_calendar(standing_periods(session), directory(session), plant.zone, plant.name)
    answer = Response(raw, content_type="text/calendar; charset=utf-8")
    answer.headers["Content-Disposition"] = 'attachment; filename="calendar.ics"'
    return answer
