"""What the Plan page shows: a list by day, and a grid of machines and days."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from urllib.parse import urlencode

from tracelog.instants import show_day
from tracelog.language import _, in_words
from tracelog.plant.queries import MachineView
from tracelog.service.pins import Pin
from tracelog.service.plan_wishes import Preview
from tracelog.service.plans import PlanLine, ServicePlan
from tracelog.web.figures import CanFigure, can_figure
from tracelog.web.numbers import probability, short_count


@dataclass(frozen=True)
class Mark:
    """One service in the grid: a ring whose arc is the share of the interval used by then.

    Attributes:
        line: the service.
        figure: the ring; broken where the line stands anyway, notched where it is promised.
        letter: the first signs of the service's name, as many as tell it from the others.
        words: what it says.
    """

    line: PlanLine
    figure: CanFigure
    letter: str
    words: str


@dataclass(frozen=True)
class Cell:
    """A day of a machine: what is planned, or why nothing can be."""

    day: date
    mark: Mark | None
    is_taken: bool
    blocked: str | None


@dataclass(frozen=True)
class Row:
    """A machine of the grid and its days."""

    machine: MachineView
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class PlanPage:
    """The page.

    Attributes:
        plan: as it stands.
        days: of the grid, with whether services are done then.
        rows: machines with a service in the plan.
        by_day: the list.
        week: services of the next seven days that nobody has promised yet.
    """

    plan: ServicePlan
    days: tuple[tuple[date, bool], ...]
    rows: tuple[Row, ...]
    by_day: tuple[tuple[date, tuple[PlanLine, ...]], ...]
    week: tuple[PlanLine, ...]


def page_of(plan: ServicePlan) -> PlanPage:
    """The page for a plan."""
    problem = plan.inputs.problem
    days = tuple(zip(problem.days[1:], problem.works[1:], strict=True))
    machines = {line.machine.id: line.machine for line in plan.lines}
    short = short_names({line.service for line in plan.lines})
    rows = tuple(
        _row(plan, number, [line for line in plan.lines if line.machine.id == machine.id], short)
        for number, machine in enumerate(plan.inputs.machines)
        if machine.id in machines
    )
    by_day: dict[date, list[PlanLine]] = {}
    for line in plan.lines:
        by_day.setdefault(line.day, []).append(line)
    return PlanPage(
        plan,
        days,
        rows,
        tuple((day, tuple(lines)) for day, lines in by_day.items()),
        week_ahead(plan),
    )


def week_ahead(plan: ServicePlan) -> tuple[PlanLine, ...]:
    """Services of the next seven days that nobody has promised yet."""
    last = plan.today + timedelta(days=7)
    return tuple(line for line in plan.lines if line.day <= last and line.pin is None)


def _row(
    plan: ServicePlan, number: int, lines: Sequence[PlanLine], short: Mapping[str, str]
) -> Row:
    problem, machine = plan.inputs.problem, plan.inputs.machines[number]
    marks = {line.day: _mark(plan, number, line, short[line.service]) for line in lines}
    taken = {
        line.day + timedelta(days=more)
        for line in lines
        for more in range((line.last_day - line.day).days + 1)
    }
    blocked = problem.machines[number].blocked
    return Row(
        machine,
        tuple(
            Cell(day, marks.get(day), day in taken, blocked[place])
            for place, day in enumerate(problem.days)
            if place
        ),
    )


def short_names(services: Collection[str]) -> dict[str, str]:
    """The first letters of each service that no other one begins with, three at most."""
    found = {}
    for name in services:
        others = [one for one in services if one != name]
        length = next(
            (size for size in (1, 2) if not any(one[:size] == name[:size] for one in others)), 3
        )
        found[name] = name[:length].capitalize()
    return found


def _mark(plan: ServicePlan, number: int, line: PlanLine, letters: str) -> Mark:
    levels = [one.level for one in plan.inputs.levels[number]]
    (level,) = [one for one in levels if one.service == line.service]
    share = None
    if level.interval_strokes:
        share = 1 - (line.strokes_unused - line.strokes_late) / level.interval_strokes
    figure = can_figure(share, line.pin is not None, line.in_stop)
    return Mark(line, figure, letters, line_words(line))


def line_words(line: PlanLine) -> str:
    """One service of the plan in words."""
    said = [
        f"{line.machine.text} {in_words(line.service)}",
        show_day(line.day),
        _("%(strokes)s strokes unused", strokes=short_count(line.strokes_unused)),
        _("late by then with a chance of %(chance)s", chance=probability(line.chance_late)),
    ]
    said += [_("in a planned stop")] if line.in_stop else []
    said += [_("promised")] if line.pin is not None else []
    return ", ".join(said)


@dataclass(frozen=True)
class Moved:
    """A service that a promise would put on another day; None: it would not be in the plan."""

    machine: str
    service: str
    before: date | None
    after: date | None


def moved_by(found: Preview) -> tuple[Moved, ...]:
    """What else would stand otherwise: services by machine and level, in order of their days."""
    before, after = _days_of(found.before), _days_of(found.plan)
    moved = []
    for key in sorted({*before, *after}):
        old, new = before.get(key, ()), after.get(key, ())
        for place in range(max(len(old), len(new))):
            was = old[place] if place < len(old) else None
            will = new[place] if place < len(new) else None
            if was != will:
                moved.append(Moved(key[0], key[1], was, will))
    return tuple(moved)


def _days_of(plan: ServicePlan) -> Mapping[tuple[str, str], tuple[date, ...]]:
    found: dict[tuple[str, str], tuple[date, ...]] = {}
    for line in plan.lines:
        key = line.machine.text, line.service
        found[key] = (*found.get(key, ()), line.day)
    return found


def plan_path(crews: int | None, horizon: int | None, ending: str = "", **more: object) -> str:
    """The address of the page, or of its files, with what was chosen."""
    chosen = {"crews": crews, "horizon": horizon, **more}
    asks = urlencode({name: str(value) for name, value in chosen.items() if value is not None})
    return f"/service/plan{ending}" + (f"?{asks}" if asks else "")


def open_pins_of(plan: ServicePlan) -> tuple[Pin, ...]:
    """Everything that is promised, whether the plan can keep it or not."""
    inputs = plan.inputs
    pins = (*inputs.kept, *(one.pin for one in inputs.broken), *inputs.beyond)
    return tuple(sorted(pins, key=lambda pin: (pin.pinned_on, pin.machine.text, pin.service)))
