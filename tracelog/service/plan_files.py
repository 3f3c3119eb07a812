"""The plan of services as files: a calendar (iCalendar, RFC 5545) and a table (CSV)."""

from datetime import timedelta
from zoneinfo import ZoneInfo

from tracelog.facts import derived_id
from tracelog.language import _
from tracelog.service.plans import PlanLine, ServicePlan
from tracelog.web.sheets import Sheet

CALENDAR_TYPE = "text/calendar; charset=utf-8"
PRODUCT = "-//tracelog//service plan//EN"


def plan_calendar(plan: ServicePlan, plant: str) -> bytes:
    """The plan as a calendar file: an event of whole days for each service.

    A service that is promised is confirmed, any other tentative. The same service on the same
    day keeps its UID from plan to plan.

    Args:
        plan: the plan.
        plant: its name, for the calendar's.

    Returns:
        UTF-8, lines folded, ended by CR LF.
    """
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", _("%(plant)s: services", plant=plant))
    for line in plan.lines:
        event = Event()
        named = {
            "machine": line.machine.text,
            "service": line.service,
            "day": line.day.isoformat(),
        }
        event.add("uid", str(derived_id("planned service", {"plant": plant, **named})))
        event.add("dtstamp", plan.as_of)
        event.add("dtstart", line.day)
        event.add("dtend", line.last_day + timedelta(days=1))
        event.add("summary", f"{line.machine.text} {line.service}")
        event.add("location", _("Line %(line)d", line=line.machine.line))
        event.add("description", "\n".join(_about(line)))
        event.add("status", "TENTATIVE" if line.pin is None else "CONFIRMED")
        event.add("categories", ["service"])
        calendar.add_component(event)
    written: bytes = calendar.to_ical()
    return written


def _about(line: PlanLine) -> list[str]:
    crews = ", ".join(str(crew) for crew in line.crews)
    said = [_("Crew %(crews)s", crews=crews)]
    if line.due is not None:
        said.append(_("Due %(due)s", due=line.due.isoformat()))
    if line.hours is not None:
        said.append(_("%(hours)g hours", hours=line.hours))
    if line.people is not None:
        said.append(_("%(people)d people", people=line.people))
    if line.also:
        said.append(_("Does as well: %(also)s", also=", ".join(line.also)))
    if line.in_stop:
        said.append(_("In a planned stop"))
    if line.pin is not None:
        said.append(_("Promised"))
    said.append(_("Stop, isolate, lock and tag as the site procedure says."))
    return said


def plan_sheet(plan: ServicePlan, zone: ZoneInfo) -> Sheet:
    """The plan as a table for spreadsheets.

    Args:
        plan: the plan.
        zone: the plant's zone.
    """
    columns = (
        *("date", "until", "machine", "line", "service", "due", "crews", "hours", "people"),
        *("strokes_unused", "strokes_late", "strokes_lost", "chance_late", "in_stop"),
        *("pinned", "also"),
    )
    rows = tuple(
        (
            *(line.day.isoformat(), line.last_day.isoformat(), line.machine.text),
            *(line.machine.line, line.service, line.due.isoformat() if line.due else None),
            *(" ".join(str(crew) for crew in line.crews), line.hours, line.people),
            *(round(line.strokes_unused), round(line.strokes_late), round(line.strokes_lost)),
            *(round(line.chance_late, 4), line.in_stop, line.pin is not None),
            " ".join(line.also),
        )
        for line in plan.lines
    )
    return Sheet(_("Service plan"), columns, rows, zone)
