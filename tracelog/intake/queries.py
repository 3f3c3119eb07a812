"""Reads of everything a plant folder holds: each file's rows in order of the natural key.

Text is ordered by code point on both engines, so that the same plant gives the same bytes.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeAlias

from sqlalchemy import Select, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased
from sqlalchemy.sql.elements import ColumnElement

from tracelog.defects.models import DefectType, Entry, EntryCorrection
from tracelog.errors import NoPlant
from tracelog.intake.plant_file import PlantText
from tracelog.language import _
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.models import (
    Change,
    Coil,
    CoilRun,
    DomeCodeRow,
    Line,
    Machine,
    Pallet,
    PlannedPeriod,
    Plant,
    RotaDay,
    Shift,
    StationPart,
    Tool,
    ToolFit,
    ToolWork,
)
from tracelog.service.models import (
    PlanningSetting,
    ReplacementCost,
    Service,
    ServiceLevel,
    ServicePin,
)
from tracelog.strokes.models import CounterEventRow, CounterSettlement, Reading
from tracelog.trends.models import FrozenBaseline, GaugeReading, Measurement

Values = Sequence[Any]
Rows: TypeAlias = Select[*tuple[Any, ...]]
_ROWS_AT_ONCE = 5000
Text = InstrumentedAttribute[str] | InstrumentedAttribute[str | None]
ByCodePoint = Callable[[Text], ColumnElement[Any]]


def plant_text(session: Session) -> PlantText:
    """What plant.toml says. Three statements.

    Raises:
        NoPlant: there is none.
    """
    plant = session.execute(select(Plant).order_by(Plant.id).limit(1)).scalar_one_or_none()
    if plant is None:
        raise NoPlant(_("this database holds no plant yet, so there is nothing to export"))
    shifts = (
        session.execute(select(Shift).where(Shift.plant_id == plant.id).order_by(Shift.ordinal))
        .scalars()
        .all()
    )
    words = {shift.ordinal: shift.rota_name or shift.name for shift in shifts}
    cycle: dict[int, list[tuple[str, str]]] = {}
    for day in session.execute(
        select(RotaDay)
        .where(RotaDay.plant_id == plant.id)
        .order_by(RotaDay.day, RotaDay.shift_ordinal)
    ).scalars():
        cycle.setdefault(day.day, []).append((words[day.shift_ordinal], day.crew))
    transit = None
    if plant.transit_min_minutes is not None and plant.transit_max_minutes is not None:
        transit = (plant.transit_min_minutes, plant.transit_max_minutes)
    return PlantText(
        plant.name,
        plant.time_zone,
        transit,
        tuple((shift.name, shift.starts) for shift in shifts),
        plant.rota_starts_on,
        tuple(tuple(day) for day in cycle.values()),
    )


def rows_of(session: Session, file: str) -> Iterator[Values]:
    """The rows of one CSV file of the plant folder, as values in order of its columns.

    Unusual columns come last, filled or not.

    One statement, read piece by piece.
    """
    if file == "dome_codes.csv":
        return iter(_dome_codes(session))
    is_postgresql = session.get_bind().dialect.name == "postgresql"

    def by_code_point(column: Text) -> ColumnElement[Any]:
        return column.collate("C") if is_postgresql else column.collate("BINARY")

    asked = _ASKED[file](by_code_point).execution_options(yield_per=_ROWS_AT_ONCE)
    return iter(session.execute(asked))


def filled_columns(session: Session, file: str) -> tuple[str, ...]:
    """Which of a file's unusual columns some row fills. One statement for each there is."""
    found = []
    for column in _UNUSUAL.get(file, ()):
        filled = select(column).where(column.is_not(None)).limit(1)
        if session.execute(filled).first() is not None:
            found.append(column.key)
    return tuple(found)


def _dome_codes(session: Session) -> list[Values]:
    asked = (
        select(
            DomeCodeRow.code,
            Line.line,
            Machine.number,
            DomeCodeRow.valid_from,
            DomeCodeRow.valid_to,
        )
        .join(Machine, Machine.id == DomeCodeRow.machine_id)
        .join(Line, Line.id == Machine.line_id)
    )
    rows = [tuple(row) for row in session.execute(asked)]
    # As numbers, so that 1-9 comes before 1-10.
    return sorted(rows, key=lambda row: (_code_numbers(row[0]), row[3]))


def _code_numbers(code: str) -> tuple[int, int]:
    read = parse_dome_code(code)
    return int(read.line), int(read.number)


def _of_machine(table: Any, *columns: Any) -> Rows:
    """Columns after line and number of the machine to which each row of `table` belongs."""
    return (
        select(Line.line, Machine.number, *columns)
        .select_from(table)
        .join(Machine, Machine.id == table.machine_id)
        .join(Line, Line.id == Machine.line_id)
    )


def _lines(_text: ByCodePoint) -> Rows:
    return select(Line.line, Line.name).order_by(Line.line)


def _machines(text: ByCodePoint) -> Rows:
    return (
        select(
            *(Line.line, Machine.station, Machine.number),
            *(Machine.name, Machine.counter_max, Machine.rated_spm),
        )
        .join(Line, Line.id == Machine.line_id)
        .order_by(Line.line, text(Machine.station), Machine.number)
    )


def _station_parts(text: ByCodePoint) -> Rows:
    return (
        select(Line.line, StationPart.station, StationPart.part, StationPart.count)
        .join(Line, Line.id == StationPart.line_id)
        .order_by(Line.line, text(StationPart.station), text(StationPart.part))
    )


def _defect_types(text: ByCodePoint) -> Rows:
    return select(
        *(DefectType.defect, DefectType.name, DefectType.stage, DefectType.severity),
        *(DefectType.arises_at, DefectType.traces_to, DefectType.notes),
    ).order_by(text(DefectType.defect))


def _service_levels(text: ByCodePoint) -> Rows:
    return select(
        *(ServiceLevel.station, ServiceLevel.service, ServiceLevel.interval_strokes),
        *(ServiceLevel.interval_days, ServiceLevel.hours, ServiceLevel.people),
    ).order_by(text(ServiceLevel.station), text(ServiceLevel.service))


def _planning_settings(text: ByCodePoint) -> Rows:
    row = PlanningSetting
    return select(row.setting, row.value).order_by(text(row.setting))


def _replacement_costs(text: ByCodePoint) -> Rows:
    row = ReplacementCost
    return select(
        *(row.tool_type, row.planned_cost, row.unplanned_cost),
        *(row.interval_strokes, row.note),
    ).order_by(text(row.tool_type))


def _tools(text: ByCodePoint) -> Rows:
    return select(Tool.serial, Tool.tool_type, Tool.life_strokes, Tool.note).order_by(
        text(Tool.serial)
    )


def _tool_fits(text: ByCodePoint) -> Rows:
    return (
        select(
            *(Tool.serial, Line.line, Machine.number, ToolFit.position),
            *(ToolFit.fitted_at, ToolFit.removed_at, ToolFit.removal_reason),
        )
        .join(Tool, Tool.id == ToolFit.tool_id)
        .join(Machine, Machine.id == ToolFit.machine_id)
        .join(Line, Line.id == Machine.line_id)
        .order_by(text(Tool.serial), ToolFit.fitted_at)
    )


def _tool_works(text: ByCodePoint) -> Rows:
    row = ToolWork
    return (
        select(
            *(Tool.serial, row.done_at, row.work, row.strokes_before),
            *(row.strokes_before_since_work, row.size_mm, row.note),
        )
        .join(Tool, Tool.id == row.tool_id)
        .order_by(text(Tool.serial), row.done_at, text(row.work))
    )


def _coils(text: ByCodePoint) -> Rows:
    return select(Coil.coil, Coil.alloy, Coil.gauge_mm, Coil.note).order_by(text(Coil.coil))


def _coil_runs(text: ByCodePoint) -> Rows:
    return (
        select(Coil.coil, Line.line, CoilRun.started_at, CoilRun.ended_at)
        .join(Coil, Coil.id == CoilRun.coil_id)
        .join(Line, Line.id == CoilRun.line_id)
        .order_by(text(Coil.coil), Line.line, CoilRun.started_at)
    )


def _pallets(text: ByCodePoint) -> Rows:
    return (
        select(
            *(Pallet.pallet, Line.line, Pallet.started_at),
            *(Pallet.ended_at, Pallet.cans, Pallet.status),
        )
        .join(Line, Line.id == Pallet.line_id)
        .order_by(text(Pallet.pallet))
    )


def _readings(_text: ByCodePoint) -> Rows:
    return _of_machine(Reading, Reading.read_at, Reading.strokes).order_by(
        Line.line, Machine.number, Reading.read_at
    )


def _counter_events(_text: ByCodePoint) -> Rows:
    event = CounterEventRow
    return _of_machine(event, event.at, event.event, event.strokes_after).order_by(
        Line.line, Machine.number, event.at
    )


def _counter_settlements(_text: ByCodePoint) -> Rows:
    row = CounterSettlement
    return _of_machine(
        row,
        *(row.to_at, row.settled_at, row.verdict, row.from_at),
        *(row.strokes, row.settled_by, row.note),
    ).order_by(Line.line, Machine.number, row.to_at, row.settled_at)


def _services(text: ByCodePoint) -> Rows:
    return _of_machine(
        Service, Service.service, Service.done_at, Service.unplanned, Service.note
    ).order_by(Line.line, Machine.number, text(Service.service), Service.done_at)


def _changes(text: ByCodePoint) -> Rows:
    return (
        select(Line.line, Machine.number, Change.at, Change.kind, Change.note)
        .select_from(Change)
        .join(Line, Line.id == Change.line_id)
        .outerjoin(Machine, Machine.id == Change.machine_id)
        .order_by(Line.line, Machine.number.nulls_first(), Change.at, text(Change.kind))
    )


def _service_pins(_text: ByCodePoint) -> Rows:
    row = ServicePin
    return (
        select(
            *(row.id, Line.line, Machine.number, row.service, row.pinned_on, row.pinned_at),
            *(row.pinned_by, row.note, row.ended_at, row.ended_because),
        )
        .join(Machine, Machine.id == row.machine_id)
        .join(Line, Line.id == Machine.line_id)
        .order_by(row.id)
    )


def _planned_periods(_text: ByCodePoint) -> Rows:
    row = PlannedPeriod
    return (
        select(
            *(row.id, row.kind, Line.line, Machine.number, row.starts_at, row.ends_at),
            *(row.reason, row.announced_at, row.withdrawn_at, row.uid),
        )
        .select_from(row)
        .outerjoin(Line, Line.id == row.line_id)
        .outerjoin(Machine, Machine.id == row.machine_id)
        .order_by(row.id)
    )


def _entries(_text: ByCodePoint) -> Rows:
    return (
        select(
            *(Entry.id, Entry.seen_at, Entry.dome_code, DefectType.defect, Entry.cans),
            *(Entry.occurrences, Entry.inspected, Entry.found_at, Entry.made_at, Entry.coil),
            *(Entry.pallet, Entry.mark, Entry.note, Entry.logged_by, Entry.logged_at),
            Entry.tablet_clock_error_s,
        )
        .join(DefectType, DefectType.id == Entry.defect_id)
        .order_by(Entry.id)
    )


def _corrections(_text: ByCodePoint) -> Rows:
    row = EntryCorrection
    return select(
        *(row.id, row.entry_id, row.corrected_at, row.corrected_by),
        *(row.reason, row.withdrawn, row.changes),
    ).order_by(row.id)


def _measurements(text: ByCodePoint) -> Rows:
    row = Measurement
    return (
        select(
            *(row.id, Line.line, Machine.number, row.measured_at),
            *(row.characteristic, row.unit, row.value, row.subgroup),
        )
        .join(Machine, Machine.id == row.machine_id)
        .join(Line, Line.id == Machine.line_id)
        .order_by(
            *(Line.line, Machine.number, row.measured_at, text(row.characteristic)),
            *(text(row.subgroup).nulls_first(), row.id),
        )
    )


def _gauge_readings(text: ByCodePoint) -> Rows:
    row = GaugeReading
    return select(
        *(row.id, row.study, row.characteristic, row.unit, row.part),
        *(row.appraiser, row.trial, row.value, row.measured_at),
    ).order_by(
        *(text(row.study), text(row.characteristic), text(row.part), text(row.appraiser)),
        *(row.trial, row.id),
    )


def _baselines(_text: ByCodePoint) -> Rows:
    row, own_line = FrozenBaseline, aliased(Line)
    return (
        select(
            *(row.id, func.coalesce(Line.line, own_line.line), Machine.number, row.evidence),
            *(row.of, row.starts_at, row.ends_at, row.reason, row.frozen_at, row.frozen_by),
        )
        .select_from(row)
        .outerjoin(own_line, own_line.id == row.line_id)
        .outerjoin(Machine, Machine.id == row.machine_id)
        .outerjoin(Line, Line.id == Machine.line_id)
        .order_by(row.id)
    )


# They stand last in the rows of their file.
_UNUSUAL: dict[str, tuple[InstrumentedAttribute[Any], ...]] = {
    "defects.csv": (Entry.tablet_clock_error_s,)
}
_ASKED: dict[str, Callable[[ByCodePoint], Rows]] = {
    "lines.csv": _lines,
    "machines.csv": _machines,
    "station_parts.csv": _station_parts,
    "defect_types.csv": _defect_types,
    "service_levels.csv": _service_levels,
    "planning.csv": _planning_settings,
    "replacement_costs.csv": _replacement_costs,
    "tools.csv": _tools,
    "tool_fits.csv": _tool_fits,
    "tool_works.csv": _tool_works,
    "coils.csv": _coils,
    "coil_runs.csv": _coil_runs,
    "pallets.csv": _pallets,
    "readings.csv": _readings,
    "counter_events.csv": _counter_events,
    "counter_settlements.csv": _counter_settlements,
    "services.csv": _services,
    "service_pins.csv": _service_pins,
    "changes.csv": _changes,
    "planned_periods.csv": _planned_periods,
    "defects.csv": _entries,
    "defect_corrections.csv": _corrections,
    "measurements.csv": _measurements,
    "gauge_readings.csv": _gauge_readings,
    "baselines.csv": _baselines,
}
