"""Recording the plant: its settings, lines, machines, dome codes, and what was changed."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, time

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.db import new_id
from tracelog.language import _
from tracelog.outcomes import CHANGED, COMPLETED, CREATED, UNCHANGED, Outcome, refused
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.facts import ChangeFact, DomeCodeFact, LineFact, MachineFact, PlantFact
from tracelog.plant.models import Change, DomeCodeRow, Line, Machine, Plant, RotaDay, Shift
from tracelog.plant.queries import directory, the_plant
from tracelog.plant.rules import rota_by_position

_LINES = Keeping(
    table=Line,
    kind="lines",
    key=("plant_id", "line"),
    values=("name",),
    among="plant_id",
    is_setting=True,
)
_MACHINES = Keeping(
    table=Machine,
    kind="machines",
    key=("line_id", "station", "number"),
    values=("name", "counter_max", "rated_spm"),
    among="line_id",
    is_setting=True,
    told_at={"line_id": "line"},
)
_DOME_CODES = Keeping(
    table=DomeCodeRow,
    kind="dome codes",
    key=("code", "valid_from"),
    values=("machine_id", "valid_to"),
    among="code",
    told_at={"machine_id": "bodymaker"},
)
_CHANGES = Keeping(
    table=Change,
    kind="changes",
    key=("line_id", "machine_id", "at", "kind"),
    values=("note",),
    among="line_id",
    between="at",
    told_at={"line_id": "line", "machine_id": "bodymaker"},
)


@dataclass(frozen=True)
class _Settings:
    """What plant.toml says, as the tables hold it. Blank: None or empty."""

    time_zone: str
    transit: tuple[int, int] | None
    # Name, the rota's own word, start.
    shifts: tuple[tuple[str, str | None, time], ...]
    rota_starts_on: date | None
    # For each day of the cycle, the crew of each shift.
    crews: tuple[tuple[str, ...], ...]


def record_plant(
    session: Session, facts: Sequence[PlantFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep the plant's own settings; what is left out stays as it was.

    One database keeps one plant, so another name is refused. The rota's words belong to the
    shifts of the same name, and where names differ to the shifts in order.

    Args:
        session: an open session that writes.
        facts: the plant; one.
        actor: who reports it.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    take_turn(session)
    return [_record_plant(session, fact, actor, now) for fact in facts]


def _record_plant(session: Session, fact: PlantFact, actor: Actor, now: datetime) -> Outcome:
    plant = session.execute(select(Plant).order_by(Plant.id).limit(1)).scalar_one_or_none()
    if plant is not None and plant.name != fact.name:
        return refused(
            "name",
            _(
                "is '%(new)s', but this database keeps the plant '%(old)s';"
                " one database keeps one plant, so import it into another",
                new=fact.name,
                old=plant.name,
            ),
        )
    before = None if plant is None else _settings_of(session, plant)
    said = _settings_said(fact)
    if before is not None:
        if before.crews and not said.crews and said.shifts and not _same_shifts(said, before):
            return refused(
                "shift",
                _("are not those that the rota kept so far names; give the rota with the shifts"),
            )
        said = _over(before, said)
    if said == before:
        return UNCHANGED
    subject = Subject("plant", fact.name)
    values = [None if one is None else asdict(one) for one in (before, said)]
    append(session, actor, now, "record plant", subject, before=values[0], after=values[1])
    if plant is None:
        plant = Plant(id=new_id(), name=fact.name)
        session.add(plant)
    _write_settings(session, plant, said)
    if before is None:
        return CREATED
    return COMPLETED if _only_filled_in(before, said) else CHANGED


def _settings_of(session: Session, plant: Plant) -> _Settings:
    shifts = session.execute(
        select(Shift).where(Shift.plant_id == plant.id).order_by(Shift.ordinal)
    ).scalars()
    crews: dict[int, list[str]] = {}
    for day in session.execute(
        select(RotaDay)
        .where(RotaDay.plant_id == plant.id)
        .order_by(RotaDay.day, RotaDay.shift_ordinal)
    ).scalars():
        crews.setdefault(day.day, []).append(day.crew)
    transit = None
    if plant.transit_min_minutes is not None and plant.transit_max_minutes is not None:
        transit = (plant.transit_min_minutes, plant.transit_max_minutes)
    return _Settings(
        plant.time_zone,
        transit,
        tuple((shift.name, shift.rota_name, shift.starts) for shift in shifts),
        plant.rota_starts_on,
        tuple(tuple(day) for day in crews.values()),
    )


def _settings_said(fact: PlantFact) -> _Settings:
    words: list[str] | list[None] = [None] * len(fact.shift)
    if fact.rota is not None:
        words = rota_by_position([s.name for s in fact.shift], list(fact.rota.cycle[0]))
    return _Settings(
        fact.time_zone,
        fact.transit.minutes if fact.transit else None,
        tuple((s.name, word, s.starts) for s, word in zip(fact.shift, words, strict=True)),
        fact.rota.starts_on if fact.rota else None,
        tuple(tuple(day[w] for w in words if w) for day in fact.rota.cycle) if fact.rota else (),
    )


def _same_shifts(one: _Settings, other: _Settings) -> bool:
    return [shift[0] for shift in one.shifts] == [shift[0] for shift in other.shifts]


def _over(before: _Settings, said: _Settings) -> _Settings:
    shifts = said.shifts or before.shifts
    if said.shifts and before.crews and not said.crews:
        shifts = tuple(
            (name, word, starts)
            for (name, _none, starts), (_name, word, _starts) in zip(
                said.shifts, before.shifts, strict=True
            )
        )
    return _Settings(
        said.time_zone,
        said.transit or before.transit,
        shifts,
        said.rota_starts_on or before.rota_starts_on,
        said.crews or before.crews,
    )


def _only_filled_in(before: _Settings, after: _Settings) -> bool:
    # The rota's words come with the rota, so they are no change of the shifts.
    pairs = [
        (before.time_zone, after.time_zone),
        (before.transit, after.transit),
        ([(s[0], s[2]) for s in before.shifts], [(s[0], s[2]) for s in after.shifts]),
        (before.rota_starts_on, after.rota_starts_on),
        (before.crews, after.crews),
    ]
    return all(not old or old == new for old, new in pairs)


def _write_settings(session: Session, plant: Plant, settings: _Settings) -> None:
    plant.time_zone = settings.time_zone
    plant.transit_min_minutes, plant.transit_max_minutes = settings.transit or (None, None)
    plant.rota_starts_on = settings.rota_starts_on
    session.flush()
    for table in (RotaDay, Shift):
        session.execute(delete(table).where(table.plant_id == plant.id))
    session.add_all(
        Shift(plant_id=plant.id, ordinal=ordinal, name=name, rota_name=word, starts=starts)
        for ordinal, (name, word, starts) in enumerate(settings.shifts)
    )
    session.add_all(
        RotaDay(plant_id=plant.id, day=day, shift_ordinal=ordinal, crew=crew)
        for day, crews in enumerate(settings.crews)
        for ordinal, crew in enumerate(crews)
    )
    session.flush()


def record_lines(
    session: Session, facts: Sequence[LineFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep production lines; a new name replaces the old one.

    Args:
        session: an open session that writes.
        facts: the lines.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.

    Raises:
        NoPlant: there is no plant yet.
    """
    plant = the_plant(session)
    rows: list[Values | Outcome] = [(plant.id, fact.line, fact.name) for fact in facts]
    return record_rows(session, _LINES, rows, actor, now, names={plant.id: plant.name})


def record_machines(
    session: Session, facts: Sequence[MachineFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep machines of lines; what is said of a known machine replaces what was said before.

    Whoever changes `counter_max` has the machine's strokes derived again.

    Args:
        session: an open session that writes.
        facts: the machines.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)

    def row_of(fact: MachineFact) -> Values:
        return (
            *(known.line(fact.line), fact.station, fact.number),
            *(fact.name, fact.counter_max, fact.rated_spm),
        )

    names = {line_id: str(line) for line, line_id in known.lines.items()}
    return record_rows(session, _MACHINES, resolved(facts, row_of), actor, now, names=names)


def record_dome_codes(
    session: Session, facts: Sequence[DomeCodeFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep which machine's cans bear a code other than its own, and complete known periods.

    Whoever records dome codes has the entries that bear them derived again.

    Args:
        session: an open session that writes.
        facts: the dome codes.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)

    def row_of(fact: DomeCodeFact) -> Values:
        machine = known.bodymaker(fact.line, fact.bodymaker)
        return (str(fact.code), fact.valid_from, machine.id, fact.valid_to)

    names = {machine.id: machine.text for machine in known.machines.values()}
    return record_rows(session, _DOME_CODES, resolved(facts, row_of), actor, now, names=names)


def record_changes(
    session: Session, facts: Sequence[ChangeFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep what was deliberately altered on a machine or a whole line.

    Args:
        session: an open session that writes.
        facts: the changes.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)

    def row_of(fact: ChangeFact) -> Values:
        line_id = known.line(fact.line)
        machine_id = None
        if fact.bodymaker is not None:
            machine_id = known.bodymaker(fact.line, fact.bodymaker).id
        return (line_id, machine_id, fact.at, fact.kind, fact.note)

    names = {machine.id: machine.text for machine in known.machines.values()}
    names |= {line_id: str(line) for line, line_id in known.lines.items()}
    return record_rows(session, _CHANGES, resolved(facts, row_of), actor, now, names=names)
