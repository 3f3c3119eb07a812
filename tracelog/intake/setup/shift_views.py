"""Setting up shifts and the crews that take turns."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from flask import Blueprint, flash, redirect, render_template, request
from werkzeug.wrappers import Response

from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.instants import day_of, start_of_day, zone_named
from tracelog.intake.derived import Standing as Derived
from tracelog.intake.derived import derive_again
from tracelog.intake.plant_file import PlantText
from tracelog.intake.setup.rules import (
    MOST_CYCLE_DAYS,
    MOST_SHIFTS,
    Pattern,
    last_monday,
    mark_of,
    pattern_named,
    patterns,
)
from tracelog.intake.setup.views import ANY_ZONE, demand_unchanged, the_plant_text
from tracelog.language import _
from tracelog.outcomes import demand_kept
from tracelog.plant.actions import record_plant
from tracelog.plant.facts import PlantFact, RotaFact, ShiftFact
from tracelog.plant.rules import ShiftNow, ShiftRota, ShiftRule, shifts_between
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit

shift_pages = Blueprint("setup_shifts", __name__)

HERE = "/setup/shifts"
SHOWN_DAYS = 14


@shift_pages.get(HERE)
@permit("set up plant")
def shifts_page() -> str:
    """The shifts and crews as they are, or as a pattern has them."""
    there = the_plant_text()
    chosen = pattern_named(request.args.get("pattern", ""))
    if chosen is not None:
        values = _of_pattern(chosen, there)
    elif there is not None and there.shifts:
        values = _of_plant(there)
    else:
        values = {"shifts": "2", "days": "0"}
    return _page(Form(values), there)


def _today(there: PlantText | None) -> date:
    return day_of(now(), _zone(there))


def _zone(there: PlantText | None) -> ZoneInfo:
    return zone_named(there.time_zone) if there is not None else ANY_ZONE


def _of_pattern(pattern: Pattern, there: PlantText | None) -> dict[str, str]:
    values = {
        "shifts": str(len(pattern.shifts)),
        "days": str(len(pattern.cycle)),
        "starts_on": last_monday(_today(there)).isoformat(),
    }
    for place, (name, starts) in enumerate(pattern.shifts):
        values |= {f"name-{place}": name, f"starts-{place}": starts}
    for day, crews in enumerate(pattern.cycle):
        values |= {f"crew-{day}-{place}": crew for place, crew in enumerate(crews)}
    return values


def _of_plant(there: PlantText) -> dict[str, str]:
    values = {
        "shifts": str(len(there.shifts)),
        "days": str(len(there.cycle)),
        "starts_on": there.rota_starts_on.isoformat() if there.rota_starts_on else "",
    }
    for place, (name, starts) in enumerate(there.shifts):
        values |= {f"name-{place}": name, f"starts-{place}": starts.isoformat("minutes")}
    for day, crews in enumerate(there.cycle):
        values |= {f"crew-{day}-{place}": crew for place, (_w, crew) in enumerate(crews)}
    return values


def _size(form: Form, name: str, most: int) -> int:
    text = form.value(name)
    return min(most, int(text)) if text.isdecimal() and text.isascii() else 0


def _page(form: Form, there: PlantText | None, fortnight: list[ShiftNow] | None = None) -> str:
    shifts, days = _size(form, "shifts", MOST_SHIFTS), _size(form, "days", MOST_CYCLE_DAYS)
    return render_template(
        "setup/shifts.html",
        form=form,
        there=there,
        patterns=patterns(),
        shift_places=range(max(1, shifts)),
        day_places=range(days),
        most_shifts=MOST_SHIFTS,
        most_days=MOST_CYCLE_DAYS,
        fortnight=_by_day(fortnight) if fortnight else [],
        shown=mark_of(_shown(there)),
    )


def _shown(there: PlantText | None) -> list[object]:
    return [there and [there.shifts, there.rota_starts_on, there.cycle]]


def _by_day(shifts: list[ShiftNow]) -> list[tuple[date, list[ShiftNow]]]:
    days: dict[date, list[ShiftNow]] = {}
    for one in shifts:
        days.setdefault(one.day, []).append(one)
    return list(days.items())


@shift_pages.post(HERE)
@permit("set up plant")
def keep_shifts() -> Response | str | tuple[str, int]:
    """Show the coming fortnight, another number of rows, or keep it all."""
    sent = posted(("shifts", "days"))
    names = [
        *(f"{name}-{place}" for name in ("name", "starts") for place in range(MOST_SHIFTS)),
        *(f"crew-{d}-{s}" for d in range(MOST_CYCLE_DAYS) for s in range(MOST_SHIFTS)),
    ]
    form = posted(("shifts", "days", "starts_on", "shown", *names))
    there = the_plant_text()
    wanted = request.form.get("do", "keep")
    if wanted == "rows":
        return _page(form, there)
    session = current_session()
    before = Derived.of(session)
    try:
        fact = _fact(form, sent, there)
        if wanted == "look":
            return _page(form, there, _fortnight(fact, there))
        demand_unchanged(form, _shown(there))
        demand_kept(record_plant(session, [fact], current_actor(), now()), {"shift": "name-0"})
    except TracelogError as problem:
        return _page(form.with_problem(problem), there), problem.status
    derive_again(session, before, now())
    flash(_("Shifts and crews are kept."))
    return redirect("/setup", 303)


def _fact(form: Form, sent: Form, there: PlantText | None) -> PlantFact:
    """The plant with the shifts and crews of the form.

    Raises:
        BadFact: with what is wrong, at the fields of the form.
    """
    if there is None:
        raise TracelogError(_("has no plant yet that it belongs to; set up the plant first"))
    faults: list[Fault] = []
    shifts = [_shift(form, place, faults) for place in range(_size(sent, "shifts", MOST_SHIFTS))]
    names = [form.value(f"name-{place}") for place in range(len(shifts))]
    faults += [
        Fault(f"name-{place}", _("is the name of an earlier shift; give each its own"))
        for place, name in enumerate(names)
        if name and name in names[:place]
    ]
    days = range(_size(sent, "days", MOST_CYCLE_DAYS))
    rota = {
        "starts_on": form.value("starts_on"),
        "cycle": [
            {name: form.value(f"crew-{day}-{place}") for place, name in enumerate(names)}
            for day in days
        ],
    }
    faults += [
        Fault(f"crew-{day}-{place}", _("is missing; each shift of each day has a crew"))
        for day in days
        for place in range(len(shifts))
        if not form.value(f"crew-{day}-{place}")
    ]
    if faults:
        raise BadFact(tuple(faults))
    values: dict[str, object] = {
        "name": there.name,
        "time_zone": there.time_zone,
        "shift": tuple(shifts),
    }
    if days:
        values["rota"] = RotaFact.read(rota, ANY_ZONE)
    try:
        return PlantFact.read(values, ANY_ZONE)
    except BadFact as problem:
        told = {"shift": "starts-0", "rota": "days"}
        raise BadFact(
            tuple(Fault(told.get(f.field, f.field), f.sentence) for f in problem.faults)
        ) from None


def _shift(form: Form, place: int, faults: list[Fault]) -> ShiftFact | None:
    try:
        return ShiftFact.read(
            {"name": form.value(f"name-{place}"), "starts": form.value(f"starts-{place}")},
            ANY_ZONE,
        )
    except BadFact as problem:
        faults += [Fault(f"{fault.field}-{place}", fault.sentence) for fault in problem.faults]
        return None


def _fortnight(fact: PlantFact, there: PlantText | None) -> list[ShiftNow]:
    """The shifts of the coming two weeks, as every page will tell them."""
    zone = _zone(there)
    words = list(fact.rota.cycle[0]) if fact.rota else []
    rota = ShiftRota(
        zone,
        tuple(
            sorted(
                (ShiftRule(place, one.name, one.starts) for place, one in enumerate(fact.shift)),
                key=lambda rule: rule.starts,
            )
        ),
        fact.rota.starts_on if fact.rota else None,
        tuple({place: day[word] for place, word in enumerate(words)} for day in fact.rota.cycle)
        if fact.rota
        else (),
    )
    first = day_of(now(), zone)
    start: datetime = start_of_day(first, zone)
    end = start_of_day(first + timedelta(days=SHOWN_DAYS), zone)
    return [one for one in shifts_between(rota, start, end) if one.day >= first]
