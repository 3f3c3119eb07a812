"""The files of a plant folder, in the order in which they depend on each other."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.defects.actions import log_entries, record_corrections, record_defect_types
from tracelog.defects.facts import CorrectionRowFact, DefectTypeFact, EntryFact
from tracelog.facts import Fact
from tracelog.outcomes import Outcome
from tracelog.plant.actions import (
    record_changes,
    record_dome_codes,
    record_lines,
    record_machines,
)
from tracelog.plant.calendar_actions import record_planned_periods
from tracelog.plant.calendar_facts import PlannedPeriodFact
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.facts import (
    ChangeFact,
    CoilFact,
    CoilRunFact,
    DomeCodeFact,
    LineFact,
    MachineFact,
    PalletFact,
    ToolFact,
    ToolFitFact,
)
from tracelog.plant.part_actions import record_station_parts
from tracelog.plant.part_facts import StationPartFact
from tracelog.plant.queries import BODYMAKER
from tracelog.plant.stock_actions import record_coil_runs, record_coils, record_pallets
from tracelog.plant.tool_actions import record_tool_fits, record_tool_works, record_tools
from tracelog.plant.tool_facts import ToolWorkFact
from tracelog.service.actions import (
    record_replacement_costs,
    record_service_levels,
    record_services,
)
from tracelog.service.facts import ReplacementCostFact, ServiceFact, ServiceLevelFact
from tracelog.service.pin_actions import record_service_pins
from tracelog.service.pin_facts import ServicePinFact
from tracelog.service.planning_actions import record_planning_settings
from tracelog.service.planning_facts import PlanningSettingFact
from tracelog.strokes.actions import record_counter_events, record_readings
from tracelog.strokes.facts import CounterEventFact, CounterSettlementFact, ReadingFact
from tracelog.strokes.settlement_actions import record_counter_settlements
from tracelog.trends.actions import record_measurements
from tracelog.trends.facts import MeasurementFact
from tracelog.trends.measured.actions import record_gauge_readings
from tracelog.trends.measured.facts import GaugeReadingFact
from tracelog.trends.series.actions import record_baselines
from tracelog.trends.series.facts import BaselineFact

PLANT_FILE = "plant.toml"
Cells = Mapping[str, str]
Record = Callable[[Session, Sequence[Any], Actor, datetime], list[Outcome]]

# Rows handed to an action at once: enough to be fast, few enough for any memory.
_ROWS_AT_ONCE = 20_000
# Every batch of readings counts the strokes after it anew, so there should be few batches.
_READINGS_AT_ONCE = 100_000


@dataclass(frozen=True)
class Reference:
    """Columns by which a row depends on a row of another file.

    Attributes:
        file: the other file.
        columns: where the action tells that the other row is not there.
        key: the other row's key, from the cells of this one.
    """

    file: str
    columns: tuple[str, ...]
    key: Callable[[Cells], str]


@dataclass(frozen=True)
class PlantFile:
    """One CSV file: what its rows are, how they are kept, and on what they depend.

    `key` gives the key of a row that other files refer to. `rows_at_once` None: all of them,
    because rows of a setting that contradict each other are found in one batch only.
    """

    name: str
    fact: type[Fact]
    record: Record
    references: tuple[Reference, ...] = ()
    key: Callable[[Cells], str] | None = None
    rows_at_once: int | None = _ROWS_AT_ONCE

    @property
    def columns(self) -> tuple[str, ...]:
        """All columns, in order."""
        return self.fact.columns()

    @property
    def unusual_columns(self) -> tuple[str, ...]:
        """Columns after those, which a file has only where some row fills them."""
        return self.fact.unusual_fields

    @property
    def needed_columns(self) -> tuple[str, ...]:
        """Columns without which no row is complete."""
        fields = self.fact.model_fields
        return tuple(name for name in self.columns if fields[name].is_required())


def _plain(cell: str | None) -> str:
    text = (cell or "").strip()
    return text.lstrip("0") if text.isdecimal() else text


def _key(*columns: str) -> Callable[[Cells], str]:
    return lambda cells: " ".join(_plain(cells.get(column)) for column in columns)


def _bodymaker(cells: Cells) -> str:
    return f"{_plain(cells.get('line'))} {BODYMAKER} {_plain(cells.get('bodymaker'))}"


def _line_of_code(cells: Cells) -> str:
    try:
        return parse_dome_code(cells.get("dome_code") or "").line
    except ValueError:
        return ""


_LINE = Reference("lines.csv", ("line",), _key("line"))
_MACHINE = Reference("machines.csv", ("bodymaker",), _bodymaker)
_SERVICE = Reference(
    "service_levels.csv",
    ("service",),
    lambda cells: f"{BODYMAKER} {_plain(cells.get('service'))}",
)
_TOOL = Reference("tools.csv", ("serial",), _key("serial"))

# In this order they are read; each depends on earlier ones only.
FILES: tuple[PlantFile, ...] = (
    PlantFile("lines.csv", LineFact, record_lines, (), _key("line"), None),
    PlantFile(
        "machines.csv",
        MachineFact,
        record_machines,
        (_LINE,),
        _key("line", "station", "number"),
        None,
    ),
    PlantFile("dome_codes.csv", DomeCodeFact, record_dome_codes, (_LINE, _MACHINE), None, None),
    PlantFile("station_parts.csv", StationPartFact, record_station_parts, (_LINE,), None, None),
    PlantFile("defect_types.csv", DefectTypeFact, record_defect_types, (), _key("defect"), None),
    PlantFile(
        "service_levels.csv",
        ServiceLevelFact,
        record_service_levels,
        (),
        _key("station", "service"),
        None,
    ),
    PlantFile(
        "planning.csv", PlanningSettingFact, record_planning_settings, (), _key("setting"), None
    ),
    PlantFile(
        "replacement_costs.csv", ReplacementCostFact, record_replacement_costs, (), None, None
    ),
    PlantFile("tools.csv", ToolFact, record_tools, (), _key("serial"), None),
    PlantFile(
        "tool_fits.csv",
        ToolFitFact,
        record_tool_fits,
        (_LINE, _MACHINE, _TOOL),
    ),
    PlantFile("tool_works.csv", ToolWorkFact, record_tool_works, (_TOOL,)),
    PlantFile("coils.csv", CoilFact, record_coils, (), _key("coil"), None),
    PlantFile(
        "coil_runs.csv",
        CoilRunFact,
        record_coil_runs,
        (_LINE, Reference("coils.csv", ("coil",), _key("coil"))),
    ),
    PlantFile("pallets.csv", PalletFact, record_pallets, (_LINE,)),
    PlantFile("counter_events.csv", CounterEventFact, record_counter_events, (_LINE, _MACHINE)),
    PlantFile(
        "counter_settlements.csv",
        CounterSettlementFact,
        record_counter_settlements,
        (_LINE, _MACHINE),
    ),
    PlantFile(
        "readings.csv",
        ReadingFact,
        record_readings,
        (_LINE, _MACHINE),
        rows_at_once=_READINGS_AT_ONCE,
    ),
    PlantFile(
        "services.csv",
        ServiceFact,
        record_services,
        (_LINE, _MACHINE, _SERVICE),
    ),
    PlantFile(
        "service_pins.csv",
        ServicePinFact,
        record_service_pins,
        (_LINE, _MACHINE, _SERVICE),
    ),
    PlantFile("changes.csv", ChangeFact, record_changes, (_LINE, _MACHINE)),
    PlantFile(
        "planned_periods.csv",
        PlannedPeriodFact,
        record_planned_periods,
        (_LINE, _MACHINE),
        rows_at_once=None,
    ),
    PlantFile(
        "defects.csv",
        EntryFact,
        log_entries,
        (
            Reference("lines.csv", ("dome_code",), _line_of_code),
            Reference("defect_types.csv", ("defect",), _key("defect")),
        ),
        _key("id"),
    ),
    PlantFile(
        "defect_corrections.csv",
        CorrectionRowFact,
        record_corrections,
        (Reference("defects.csv", ("entry",), _key("entry")),),
    ),
    PlantFile("measurements.csv", MeasurementFact, record_measurements, (_LINE, _MACHINE)),
    PlantFile("gauge_readings.csv", GaugeReadingFact, record_gauge_readings),
    PlantFile(
        "baselines.csv",
        BaselineFact,
        record_baselines,
        (_LINE, _MACHINE, Reference("defect_types.csv", ("of",), _key("of"))),
    ),
)
FILES_BY_NAME = {file.name: file for file in FILES}
