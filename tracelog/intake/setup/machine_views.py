"""Setting up the machines of the lines: several at once, and each one later."""

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response

from tracelog import reference
from tracelog.errors import BadFact, Fault, NotFound, TracelogError
from tracelog.facts import Fact, write_value
from tracelog.intake.derived import Standing as Derived
from tracelog.intake.derived import derive_again
from tracelog.intake.setup.rules import counted, mark_of, numbers_of
from tracelog.intake.setup.views import ANY_ZONE, demand_unchanged
from tracelog.language import _
from tracelog.outcomes import demand_kept
from tracelog.plant.actions import record_machines
from tracelog.plant.facts import MachineFact
from tracelog.plant.queries import BODYMAKER, MachineView, directory
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit

machine_pages = Blueprint("setup_machines", __name__)

HERE = "/setup/machines"
# Rows for what is entered at once, beside one for each line without bodymakers.
MORE_ROWS = 2
MOST_ROWS = 40
ROW = ("line", "station", "numbers", "rated_spm", "counter_max")
CHANGED = ("name", "rated_spm", "counter_max", "shown")


@machine_pages.get(HERE)
@permit("set up plant")
def machines_page() -> str:
    """The machines that are there, and rows for more."""
    return _page(None)


def _machines_there() -> list[MachineView]:
    machines = directory(current_session()).machines.values()
    return sorted(machines, key=lambda one: (one.line, one.station, one.number))


def _page(form: Form | None) -> str:
    known = directory(current_session())
    there = _machines_there()
    if form is None:
        served = {one.line for one in there if one.station == BODYMAKER}
        bare = [line for line in sorted(known.lines) if line not in served]
        values = {"rows": str(min(MOST_ROWS, len(bare) + MORE_ROWS))}
        for place in range(int(values["rows"])):
            values[f"station-{place}"] = BODYMAKER
            if place < len(bare):
                values[f"line-{place}"] = str(bare[place])
        form = Form(values)
    return render_template(
        "setup/machines.html",
        form=form,
        row_places=range(_rows_of(form)),
        lines=[str(line) for line in sorted(known.lines)],
        stations=[one.station for one in reference.stations() if one.kind == "process"],
        machines=there,
        by_station=_by_station(there),
        shown=mark_of(_shown(there)),
    )


def _by_station(there: list[MachineView]) -> list[tuple[int, str, str]]:
    numbers: dict[tuple[int, str], list[int]] = {}
    for one in there:
        numbers.setdefault((one.line, one.station), []).append(one.number)
    return [(line, station, counted(some)) for (line, station), some in numbers.items()]


def _shown(there: list[MachineView]) -> list[object]:
    return [[one.line, one.station, one.number] for one in there]


def _rows_of(form: Form) -> int:
    text = form.value("rows")
    return min(MOST_ROWS, int(text)) if text.isdecimal() and text.isascii() else MORE_ROWS


@machine_pages.post(HERE)
@permit("set up plant")
def add_machines() -> Response | tuple[str, int]:
    """Add machines; all of them, or none."""
    sent = posted(("rows", "shown"))
    names = [f"{name}-{place}" for place in range(_rows_of(sent)) for name in ROW]
    form = posted(("rows", "shown", *names))
    session = current_session()
    before = Derived.of(session)
    try:
        demand_unchanged(form, _shown(_machines_there()))
        facts = _new_machines(form)
        demand_kept(record_machines(session, facts, current_actor(), now()))
    except TracelogError as problem:
        return _page(form.with_problem(problem)), problem.status
    derive_again(session, before, now())
    flash(_("%(count)d machines are kept.", count=len(facts)))
    return redirect(HERE, 303)


def _new_machines(form: Form) -> list[MachineFact]:
    """The machines of all rows that are filled in.

    Raises:
        BadFact: a row is wrong, or none is filled in; at the field of its row.
    """
    faults: list[Fault] = []
    facts: dict[tuple[int, str, int], MachineFact] = {}
    known = directory(current_session())
    for place in range(_rows_of(form)):
        typed = {name: form.value(f"{name}-{place}") for name in ROW}
        if not any(typed[name] for name in ("numbers", "rated_spm", "counter_max")):
            continue
        try:
            for fact in _machines_of_row(typed):
                if fact.key in known.machines or fact.key in facts:
                    raise BadFact((Fault("numbers", _already(fact)),))
                facts[fact.line, fact.station, fact.number] = fact
        except BadFact as problem:
            faults += [Fault(f"{fault.field}-{place}", fault.sentence) for fault in problem.faults]
    if not faults and not facts:
        faults.append(Fault("numbers-0", _("is missing; write it such as 1-8 or 1, 2, 5")))
    if faults:
        raise BadFact(tuple(faults))
    return list(facts.values())


def _already(fact: MachineFact) -> str:
    return _(
        "has %(line)d %(station)s %(number)d, which is there already; change it in the list below",
        line=fact.line,
        station=fact.station,
        number=fact.number,
    )


def _machines_of_row(typed: dict[str, str]) -> list[MachineFact]:
    try:
        numbers = numbers_of(typed["numbers"])
    except ValueError as problem:
        raise BadFact((Fault("numbers", str(problem)),)) from None
    shared = {name: typed[name] for name in ("line", "station", "rated_spm", "counter_max")}
    return [MachineFact.read({**shared, "number": number}, ANY_ZONE) for number in numbers]


@machine_pages.get(HERE + "/<int:line>/<station>/<int:number>")
@permit("set up plant")
def machine_page(line: int, station: str, number: int) -> str:
    """What may change of one machine."""
    machine = _machine(line, station, number)
    return _machine_page(machine, Form(_values(machine)))


def _machine(line: int, station: str, number: int) -> MachineView:
    found = directory(current_session()).machines.get((line, station, number))
    if found is None:
        raise NotFound(_("there is no such machine"))
    return found


def _values(machine: MachineView) -> dict[str, str]:
    fact = MachineFact.model_construct(
        line=machine.line,
        station=machine.station,
        number=machine.number,
        name=machine.name,
        counter_max=machine.counter_max,
        rated_spm=machine.rated_spm,
    )
    return written(fact)


def written(fact: Fact) -> dict[str, str]:
    """The fields of a fact as a form shows them."""
    return {name: write_value(getattr(fact, name)) for name in type(fact).columns()}


def _machine_page(machine: MachineView, form: Form) -> str:
    return render_template(
        "setup/machine.html", machine=machine, form=form, shown=mark_of(_values(machine))
    )


@machine_pages.post(HERE + "/<int:line>/<station>/<int:number>")
@permit("set up plant")
def change_machine(line: int, station: str, number: int) -> Response | tuple[str, int]:
    """Keep what is said of one machine; what is left blank stays as it was."""
    form = posted(CHANGED)
    session = current_session()
    before = Derived.of(session)
    machine = _machine(line, station, number)
    try:
        demand_unchanged(form, _values(machine))
        told = {name: form.value(name) for name in CHANGED[:-1]}
        fact = MachineFact.read(
            {**told, "line": line, "station": station, "number": number}, ANY_ZONE
        )
        demand_kept(record_machines(session, [fact], current_actor(), now()))
    except TracelogError as problem:
        return _machine_page(machine, form.with_problem(problem)), problem.status
    derive_again(session, before, now())
    flash(_("Machine %(machine)s is kept.", machine=machine.text))
    return redirect(HERE, 303)
