"""Calendar files (iCalendar, RFC 5545) read as events, each repetition spelled out.

Instants with a zone or in UTC are taken as they are; floating times and whole days are those of
the plant's clock, whatever zone the file says it is shown in. A local time that the clock skips or
shows twice is read as RFC 5545 says (section 3.3.5): with the offset before the gap, and as the
first of the two. Repetitions keep their clock times over a clock change, start and end alike.

The files come from anywhere: `icalendar_child` reads them where they can do no harm.
"""

import hashlib
import unicodedata
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.errors import TracelogError
from tracelog.instants import start_of_day
from tracelog.language import _
from tracelog.plant.calendar_facts import MOST_DAYS, is_kept_uid
from tracelog.plant.icalendar_text import checked_text

MOST_EVENTS = 5_000
LONGEST_TEXT = 4_000
YEARS = (1900, 2200)
_DATED = ("DTSTART", "DTEND", "RECURRENCE-ID", "EXDATE", "RDATE")
_NEEDED = frozenset({*_DATED, "DURATION", "RRULE", "STATUS", "UID"})
ALWAYS_KNOWN = "X-TRACELOG-ALWAYS-KNOWN"
_EXACT = "X-TRACELOG-EXACT-LENGTH"


@dataclass(frozen=True)
class CalendarEvent:
    """One event, or one repetition of it.

    Attributes:
        uid: of the event in its file.
        key: the same, and for a repetition which one: it stays when the repetition is moved.
        starts_at, ends_at: UTC; the end is left out.
        summary, location: as written; blank if missing.
        categories: as written.
        is_cancelled: it will not take place.
        changed_at: UTC, when it was last changed or else written, None if the file does not say.
        is_always_known: the file says that it was known from the start.
    """

    uid: str
    key: str
    starts_at: datetime
    ends_at: datetime
    summary: str = ""
    location: str = ""
    categories: tuple[str, ...] = ()
    is_cancelled: bool = False
    changed_at: datetime | None = None
    is_always_known: bool = False


@dataclass(frozen=True)
class CalendarContent:
    """What a calendar file says about a time.

    Attributes:
        events: in order of start, end and key.
        uids: of every event in the file, also of those at other times.
        without_length: how many of the events had no length and were left out.
        faults: one sentence for each event that cannot be taken.
    """

    events: tuple[CalendarEvent, ...]
    uids: frozenset[str]
    without_length: int = 0
    faults: tuple[str, ...] = ()


class _WrongEvent(Exception):
    """One event cannot be taken; the message is the sentence."""


def read_calendar(raw: bytes, zone: ZoneInfo, start: datetime, end: datetime) -> CalendarContent:
    """Read the events of a calendar file that share an instant with [start, end).

    Args:
        raw: the file.
        zone: the plant's zone.
        start, end: UTC.

    Raises:
        TracelogError: the file as a whole cannot be taken; at ``file``.
    """
    text = checked_text(raw)
    with warnings.catch_warnings():
        # Guesses of the library about odd zone names are no business of the user.
        warnings.simplefilter("ignore")
        return _read(text, zone, start, end)


def _read(text: str, zone: ZoneInfo, start: datetime, end: datetime) -> CalendarContent:
    from icalendar import Calendar
    from icalendar.timezone import tzp

    # Zones that an earlier file defined must not be those of this one.
    tzp.use_default()
    try:
        calendars = Calendar.from_ical(text, multiple=True)
    except (ValueError, TypeError, KeyError, AttributeError, IndexError) as problem:
        raise _cannot_be_read(str(problem)) from None
    groups: dict[str, list[Any]] = {}
    faults: list[str] = []
    for calendar in calendars:
        cancels = str(calendar.get("METHOD", "")).upper() == "CANCEL"
        for component in calendar.walk("VEVENT"):
            try:
                _prepare(component, zone, cancels)
                groups.setdefault(str(component["UID"]), []).append(component)
            except _WrongEvent as problem:
                faults.append(f"{_named(component)}: {problem}")
    events: list[CalendarEvent] = []
    without_length = 0
    for uid, components in groups.items():
        try:
            for event in _events_of(uid, components, zone, start, end):
                if event.starts_at == event.ends_at:
                    without_length += 1
                else:
                    events.append(event)
        except _WrongEvent as problem:
            faults.append(f"{_named(components[0])}: {problem}")
        if len(events) > MOST_EVENTS:
            raise TracelogError(
                _(
                    "holds more than %(most)d events in the time asked for; ask for a shorter time",
                    most=MOST_EVENTS,
                ),
                "file",
            )
    events.sort(key=lambda event: (event.starts_at, event.ends_at, event.key))
    uids = frozenset(_short(uid) for uid in groups)
    return CalendarContent(tuple(events), uids, without_length, tuple(faults))


def _cannot_be_read(why: str) -> TracelogError:
    plain = " ".join(why.split())
    return TracelogError(_("is not a calendar that can be read: %(why)s", why=plain[:200]), "file")


def _named(component: Any) -> str:
    """How people find the event in their calendar."""
    text = _text(component.get("SUMMARY")) or _text(component.get("UID")) or _("without a name")
    return _("event '%(what)s'", what=text[:60])


def _prepare(component: Any, zone: ZoneInfo, cancels: bool) -> None:
    """Check an event as far as it can be by itself, and put floating times on the plant's clock.

    Raises:
        _WrongEvent: something is missing, cannot be read or contradicts itself.
    """
    _check_parts(component)
    for name in _DATED:
        for value in _as_list(component.get(name)):
            _localize(name, value, zone)
    for rule in _as_list(component.get("RRULE")):
        _localize_until(rule, component["DTSTART"].dt, zone)
    _check_length(component)
    if cancels:
        component["STATUS"] = "CANCELLED"
    # Reminders and the like; they would be copied with every repetition.
    component.subcomponents = []


def _check_parts(component: Any) -> None:
    for name, why in component.errors:
        if name is None or name in _NEEDED:
            raise _WrongEvent(_("%(name)s cannot be read: %(why)s", name=name or "", why=why[:120]))
    if not _text(component.get("UID")):
        raise _WrongEvent(_("has no UID, so it could not be known again; give it one"))
    if "DTSTART" not in component:
        raise _WrongEvent(_("has no DTSTART; an event needs a start"))
    for name in _NEEDED - {"RRULE", "RDATE", "EXDATE"}:
        if isinstance(component.get(name), list):
            raise _WrongEvent(_("has more than one %(name)s; leave one", name=name))


def _as_list(value: Any) -> list[Any]:
    if value is None:
        return []
    return value if isinstance(value, list) else [value]


def _localize(name: str, value: Any, zone: ZoneInfo) -> None:
    named = value.params.get("TZID")
    for one in getattr(value, "dts", [value]):
        if isinstance(one.dt, tuple):
            first, last = one.dt
            one.dt = (
                _aware(name, first, named, zone),
                last if isinstance(last, timedelta) else _aware(name, last, named, zone),
            )
        else:
            one.dt = _aware(name, one.dt, named, zone)


def _aware(name: str, moment: Any, named: str | None, zone: ZoneInfo) -> Any:
    if not isinstance(moment, date):
        raise _WrongEvent(_("%(name)s is neither an instant nor a day", name=name))
    if not YEARS[0] <= moment.year <= YEARS[1]:
        raise _WrongEvent(
            _(
                "%(name)s has the year %(year)d; years %(first)d to %(last)d are kept",
                name=name,
                year=moment.year,
                first=YEARS[0],
                last=YEARS[1],
            )
        )
    if not isinstance(moment, datetime) or moment.tzinfo is not None:
        return moment
    if named:
        raise _WrongEvent(
            _(
                "%(name)s is in the time zone '%(zone)s', which the file does not define;"
                " use an IANA zone such as Europe/Madrid",
                name=name,
                zone=str(named)[:60],
            )
        )
    return moment.replace(tzinfo=zone)


def _localize_until(rule: Any, start: date, zone: ZoneInfo) -> None:
    """The last repetition as an instant in UTC, for a start with a zone."""
    if not isinstance(start, datetime):
        return
    changed = []
    for until in _as_list(rule.get("UNTIL")):
        if not isinstance(until, datetime):
            # A day, which should not stand here: that day is still in.
            last = datetime.combine(until, datetime.max.time().replace(microsecond=0))
            changed.append(last.replace(tzinfo=start.tzinfo or zone).astimezone(UTC))
        elif until.tzinfo is None:
            changed.append(until.replace(tzinfo=start.tzinfo or zone).astimezone(UTC))
        else:
            changed.append(until.astimezone(UTC))
    if changed:
        rule["UNTIL"] = changed


def _check_length(component: Any) -> None:
    start, end = component["DTSTART"].dt, component.get("DTEND")
    if end is not None:
        if isinstance(start, datetime) != isinstance(end.dt, datetime):
            raise _WrongEvent(_("has a day and an instant as DTSTART and DTEND; write both alike"))
        length = end.dt - start
    elif "DURATION" in component:
        length = component["DURATION"].dt
        if isinstance(start, datetime) and length < timedelta(days=1):
            # Hours last as long as they are; only days are as long as the clock makes them
            # (RFC 5545, section 3.3.6).
            component[_EXACT] = length
    else:
        return
    if length < timedelta():
        raise _WrongEvent(_("ends before it starts"))
    if length > timedelta(days=MOST_DAYS):
        raise _WrongEvent(
            _(
                "lasts %(days)d days; at most %(most)d are kept, so plan it in parts",
                days=length.days,
                most=MOST_DAYS,
            )
        )


def _events_of(
    uid: str, components: list[Any], zone: ZoneInfo, start: datetime, end: datetime
) -> Iterator[CalendarEvent]:
    import recurring_ical_events
    from icalendar import Calendar

    repeats = any({"RRULE", "RDATE", "RECURRENCE-ID"} & set(one) for one in components)
    part = Calendar()
    for component in components:
        part.add_component(component)
    shifts = {
        str(one["RECURRENCE-ID"].to_ical()): one["DTSTART"].dt - one["RECURRENCE-ID"].dt
        for one in components
        if "RECURRENCE-ID" in one and one["RECURRENCE-ID"].params.get("RANGE") == "THISANDFUTURE"
    }
    try:
        found = recurring_ical_events.of(part).between(start.astimezone(zone), end.astimezone(zone))
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError) as problem:
        why = " ".join(str(problem).split())[:120]
        raise _WrongEvent(_("its repetitions cannot be worked out: %(why)s", why=why)) from None
    for one in found:
        starts_at, ends_at = (_in_utc(one[name].dt, zone) for name in ("DTSTART", "DTEND"))
        if isinstance(one.get(_EXACT), timedelta):
            ends_at = starts_at + one[_EXACT]
        yield CalendarEvent(
            uid=_short(uid),
            key=f"{_short(uid)}/{_which(one, shifts)}" if repeats else _short(uid),
            starts_at=starts_at,
            ends_at=ends_at,
            summary=_text(one.get("SUMMARY")),
            location=_text(one.get("LOCATION")),
            categories=_categories(one),
            is_cancelled=str(one.get("STATUS", "")).upper() == "CANCELLED",
            changed_at=_changed_at(one),
            is_always_known=ALWAYS_KNOWN in one,
        )


def _short(uid: str) -> str:
    """The UID, or its digest where it is too long to be kept."""
    plain = _text(uid)
    return plain if is_kept_uid(plain) else "sha256:" + hashlib.sha256(plain.encode()).hexdigest()


def _which(component: Any, shifts: dict[str, timedelta]) -> str:
    """Which repetition: the instant or day at which it would be, had nobody moved it."""
    written = component["RECURRENCE-ID"]
    moment = written.dt
    if written.params.get("RANGE") == "THISANDFUTURE":
        # Such a change stands for all the later ones too, which are told by their own start.
        moment = component["DTSTART"].dt - shifts[str(written.to_ical())]
    if isinstance(moment, datetime):
        return f"{moment.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    return f"{moment:%Y%m%d}"


def _in_utc(moment: date, zone: ZoneInfo) -> datetime:
    if isinstance(moment, datetime):
        return moment.astimezone(UTC).replace(microsecond=0)
    return start_of_day(moment, zone)


def _changed_at(component: Any) -> datetime | None:
    for name in ("LAST-MODIFIED", "CREATED"):
        written = component.get(name)
        # What cannot be read is text that raises when it is asked for its instant.
        moment = None if isinstance(written, str) else getattr(written, "dt", None)
        if isinstance(moment, datetime) and YEARS[0] <= moment.year <= YEARS[1]:
            # Both must be in UTC (RFC 5545, section 3.8.7).
            return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
    return None


def _categories(component: Any) -> tuple[str, ...]:
    named = _as_list(component.get("CATEGORIES"))
    return tuple(_text(cat) for one in named for cat in getattr(one, "cats", [one]) if _text(cat))


def _text(value: Any) -> str:
    """Text without control characters, which a phone's keyboard may slip in."""
    if isinstance(value, list):
        value = value[0] if value else None
    if value is None:
        return ""
    text = unicodedata.normalize("NFC", str(value)).replace("\r\n", "\n")
    plain = "".join(
        " " if unicodedata.category(sign) in {"Cc", "Cs"} and sign not in "\n\t" else sign
        for sign in text
    )
    return plain.strip()[:LONGEST_TEXT]
