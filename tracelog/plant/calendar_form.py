"""The form for a planned period: days and times as people type them, made into facts."""

import uuid
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.facts import read_id
from tracelog.language import _
from tracelog.plant.calendar_facts import PlannedPeriodFact
from tracelog.plant.calendar_rules import PlannedPeriodView
from tracelog.plant.icalendar_matching import CalendarPlace
from tracelog.plant.queries import Directory
from tracelog.web.forms import Form

FIELDS = (
    *("id", "kind", "place", "starts_on", "starts_clock", "ends_on", "ends_clock"),
    *("reason", "until"),
)
WHOLE_PLANT = "plant"
MOST_REPETITIONS = 160
_PARTS = ("on", "clock")
# Where a fault of the fact is told on the form.
TOLD_AT = {
    "line": "place",
    "bodymaker": "place",
    "starts_at": "starts_on",
    "ends_at": "ends_on",
}


def place_choices(known: Directory) -> list[tuple[str, str]]:
    """Where something can be planned: value and label."""
    lines = [(str(line), known.line_names[line]) for line in sorted(known.lines)]
    machines = [(machine.text, machine.text) for machine in known.bodymakers]
    return [(WHOLE_PLANT, _("Whole plant")), *lines, *machines]


def read_place(text: str) -> CalendarPlace:
    """A place as the form sends it.

    Raises:
        TracelogError: not a place; at ``place``.
    """
    if text == WHOLE_PLANT:
        return CalendarPlace()
    line, _dash, bodymaker = text.partition("-")
    numbers = [part for part in (line, bodymaker) if part]
    if not numbers or not all(one.isascii() and one.isdecimal() for one in numbers):
        raise TracelogError(_("is missing; choose the whole plant, a line or a bodymaker"), "place")
    return CalendarPlace(int(line), int(bodymaker) if bodymaker else None)


def place_text(period: PlannedPeriodView, known: Directory) -> str:
    """The form's value for the place of a period."""
    if period.machine_id is not None:
        return known.by_id[period.machine_id].text
    return WHOLE_PLANT if period.line_id is None else str(known.line_numbers[period.line_id])


def facts_of(
    form: Form,
    zone: ZoneInfo,
    starts_at: datetime | None = None,
    ends_at: datetime | None = None,
) -> list[PlannedPeriodFact]:
    """The periods that a form asks for: one, or one a week up to and with a last day.

    Each has the same times on the plant's clock, and an id made from that of the form, so that
    what is sent twice is kept once.

    Args:
        form: with `FIELDS`.
        zone: the plant's zone.
        starts_at, ends_at: UTC, instead of what the form says.

    Raises:
        BadFact: with faults at the form's fields.
    """
    exact = {"starts_at": starts_at, "ends_at": ends_at}
    try:
        place = read_place(form.value("place"))
        weeks = _weeks(form)
        values = [_values(form, place, week) for week in range(weeks + 1)]
        given = {name: moment for name, moment in exact.items() if moment is not None}
        return [PlannedPeriodFact.read({**one, **given}, zone) for one in values]
    except TracelogError as problem:
        raise on_form(problem) from None


def on_form(problem: TracelogError) -> BadFact:
    """What was found wrong, told at the fields of the form."""
    found = BadFact(
        tuple(Fault(TOLD_AT.get(one.field, one.field), one.sentence) for one in problem.faults)
    )
    if problem.status != TracelogError.status:
        found.status = problem.status
    return found


def _weeks(form: Form) -> int:
    """How many weeks later the last repetition is."""
    if not form.value("until"):
        return 0
    first, last = _day(form, "starts_on"), _day(form, "until")
    weeks = (last - first).days // 7
    if weeks < 0:
        raise TracelogError(_("is before the first day; leave it blank for a single time"), "until")
    if weeks >= MOST_REPETITIONS:
        raise TracelogError(
            _(
                "gives %(times)d times; at most %(most)d are planned at once",
                times=weeks + 1,
                most=MOST_REPETITIONS,
            ),
            "until",
        )
    return weeks


def _day(form: Form, name: str) -> date:
    try:
        return date.fromisoformat(form.value(name))
    except ValueError:
        raise TracelogError(_("is not a day; write it such as 2026-03-29"), name) from None


def _values(form: Form, place: CalendarPlace, week: int) -> dict[str, Any]:
    later = timedelta(weeks=week)
    first = _day(form, "starts_on") + later
    last = _day(form, "ends_on") + later if form.value("ends_on") else first
    try:
        own_id = read_id(form.own_id())
    except ValueError as problem:
        raise TracelogError(str(problem), "id") from None
    return {
        "id": str(own_id if week == 0 else uuid.uuid5(own_id, str(week))),
        "kind": form.value("kind"),
        "line": place.line,
        "bodymaker": place.bodymaker,
        "starts_at": _moment(first, form.value("starts_clock")),
        "ends_at": _moment(last, form.value("ends_clock")),
        "reason": form.value("reason"),
    }


def _moment(day: date, clock: str) -> str:
    # Without a time, the whole day is meant.
    return f"{day.isoformat()}T{clock}" if clock else day.isoformat()


def form_of(period: PlannedPeriodView, known: Directory, zone: ZoneInfo, own_id: str) -> Form:
    """The form that shows a period as it is.

    Args:
        period: the period.
        known: of the plant.
        zone: the plant's zone.
        own_id: for the period that takes its place if it is changed.
    """
    starts, ends = (at.astimezone(zone) for at in (period.starts_at, period.ends_at))
    is_whole_days = not (starts.time().hour or starts.minute or ends.hour or ends.minute)
    last = ends.date() - timedelta(days=1) if is_whole_days else ends.date()
    return Form(
        {
            "id": own_id,
            "kind": period.kind.value,
            "place": place_text(period, known),
            "starts_on": starts.date().isoformat(),
            "starts_clock": "" if is_whole_days else f"{starts:%H:%M}",
            "ends_on": last.isoformat(),
            "ends_clock": "" if is_whole_days else f"{ends:%H:%M}",
            "reason": period.reason or "",
        }
    )


def changed_fact(
    form: Form, period: PlannedPeriodView, known: Directory, zone: ZoneInfo
) -> PlannedPeriodFact:
    """What a form makes of a period that is changed.

    An end that was left as it was shown stays what it is, also where the clock shows it twice.

    Raises:
        BadFact: with faults at the form's fields.
    """
    shown = form_of(period, known, zone, form.own_id())

    def is_left(name: str) -> bool:
        return all(form.value(f"{name}_{part}") == shown.value(f"{name}_{part}") for part in _PARTS)

    (fact,) = facts_of(
        Form({**form.values, "until": ""}),
        zone,
        starts_at=period.starts_at if is_left("starts") else None,
        ends_at=period.ends_at if is_left("ends") else None,
    )
    return fact
