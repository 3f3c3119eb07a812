"""What the rows of a sheet may be: the files of a plant folder, and what people call them."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import Enum, StrEnum
from typing import Any, get_args

from sqlalchemy.orm import Session

from tracelog import reference
from tracelog.defects.selecting import vocabulary
from tracelog.intake.files import FILES, FILES_BY_NAME, PlantFile
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode
from tracelog.service.actions import services_of_bodymakers

# What changes how the plant is set up, and not what happened in it.
SETTINGS = frozenset(
    {
        *("lines.csv", "machines.csv", "dome_codes.csv", "station_parts.csv", "defect_types.csv"),
        *("service_levels.csv", "planning.csv", "replacement_costs.csv", "baselines.csv"),
        *("counter_settlements.csv", "defect_corrections.csv", "planned_periods.csv"),
        "service_pins.csv",
    }
)
# Most sheets are one of these; they stand first.
USUAL = (
    *("defects.csv", "services.csv", "readings.csv", "tools.csv", "tool_fits.csv"),
    *("pallets.csv", "coils.csv", "coil_runs.csv", "measurements.csv", "changes.csv"),
)


class Kind(Enum):
    """How the cells of one of our columns are read."""

    INSTANT = "instant"
    DAY = "day"
    NUMBER = "number"
    COUNT = "count"
    DECIMAL = "decimal"
    CODE = "code"
    WORD = "word"
    YES_NO = "yes or no"
    ID = "id"
    TEXT = "text"


@dataclass(frozen=True)
class Column:
    """One of our columns.

    Attributes:
        name: in the file.
        label: in the trade's words.
        kind: how its cells are read.
        needed: whether no row is complete without it.
        joins: what a second column of theirs may add; blank: nothing.
        known: our words for it, with what people call them; empty: any text.
    """

    name: str
    label: str
    kind: Kind
    needed: bool
    joins: str = ""
    known: tuple[tuple[str, str], ...] = ()


def titles() -> dict[str, str]:
    """What the rows of each file are, the usual ones first."""
    told = {
        "defects.csv": _("defects that were found"),
        "services.csv": _("services that were done"),
        "readings.csv": _("readings of counters"),
        "tools.csv": _("tools"),
        "tool_fits.csv": _("tools fitted in machines"),
        "tool_works.csv": _("work done on tools"),
        "pallets.csv": _("pallets"),
        "coils.csv": _("coils"),
        "coil_runs.csv": _("coils on lines"),
        "measurements.csv": _("measurements"),
        "changes.csv": _("changes made on purpose"),
        "counter_events.csv": _("counters that were reset or replaced"),
        "gauge_readings.csv": _("readings of gauge studies"),
        "lines.csv": _("lines"),
        "machines.csv": _("machines"),
        "dome_codes.csv": _("dome codes other than the machine's"),
        "station_parts.csv": _("parts of stations"),
        "defect_types.csv": _("kinds of defect"),
        "service_levels.csv": _("levels of service"),
        "replacement_costs.csv": _("costs of replacing tools"),
        "planned_periods.csv": _("planned periods"),
        "service_pins.csv": _("promised services"),
        "planning.csv": _("how services are planned"),
        "counter_settlements.csv": _("settled jumps of counters"),
        "defect_corrections.csv": _("corrections of entries"),
        "baselines.csv": _("frozen baselines"),
    }
    order = [*USUAL, *(file.name for file in FILES if file.name not in USUAL)]
    return {name: told.get(name, name) for name in order}


def labels() -> Mapping[str, str]:
    """What people call our columns, where that is not plain from their name."""
    return {
        "seen_at": _("when it was found"),
        "made_at": _("when the can was made"),
        "dome_code": _("dome code"),
        "cans": _("bad cans"),
        "occurrences": _("separate happenings"),
        "inspected": _("cans inspected, of a sample"),
        "found_at": _("where it was found"),
        "mark": _("other mark seen"),
        "logged_by": _("who wrote it down"),
        "logged_at": _("when it was written down"),
        "line": _("line"),
        "bodymaker": _("bodymaker"),
        "number": _("number of the machine"),
        "read_at": _("when it was read"),
        "strokes": _("figure on the counter"),
        "done_at": _("when it was done"),
        "unplanned": _("not planned"),
        "service": _("service"),
        "serial": _("serial number"),
        "tool_type": _("type of tool"),
        "life_strokes": _("expected life, strokes"),
        "fitted_at": _("when it was fitted"),
        "removed_at": _("when it was taken out"),
        "removal_reason": _("why it was taken out"),
        "started_at": _("from when"),
        "ended_at": _("until when"),
        "at": _("when"),
        "gauge_mm": _("gauge, mm"),
        "measured_at": _("when it was measured"),
        "counter_max": _("last figure of the counter"),
        "rated_spm": _("rated strokes a minute"),
        "id": _("id (UUID)"),
    }


def columns_of(file: PlantFile, session: Session | None) -> list[Column]:
    """Our columns of a file; with a session also the plant's own words for them."""
    told = labels()
    found = []
    for name in file.columns:
        kind, enumeration = kind_of(file.fact.model_fields[name].annotation, name)
        known = [(word.value, word.value) for word in enumeration] if enumeration else []
        if session is not None and not known:
            known = list(_plants_words(name, file.name, session))
        if known and kind is Kind.TEXT:
            kind = Kind.WORD
        joins = {Kind.INSTANT: _("time"), Kind.CODE: _("bodymaker")}.get(kind, "")
        found.append(
            Column(
                name,
                told.get(name, name.replace("_", " ")),
                kind,
                name in file.needed_columns,
                joins,
                tuple(known),
            )
        )
    return found


def _plants_words(name: str, file: str, session: Session) -> Sequence[tuple[str, str]]:
    if name == "defect" and file != "defect_types.csv":
        return [(one.defect, one.title) for one in vocabulary(session)]
    if name in {"found_at", "station", "arises_at"}:
        return [(one.station, one.name) for one in reference.stations()]
    if name == "service" and file != "service_levels.csv":
        return [(one, one) for one in services_of_bodymakers(session)]
    return []


def also_called(column: str) -> Mapping[str, Sequence[str]]:
    """Other words of the trade for our words of a column."""
    if column == "defect":
        return {one.defect: one.also for one in reference.defect_types()}
    return {}


def kind_of(annotation: Any, name: str) -> tuple[Kind, type[StrEnum] | None]:
    """How cells of a field of that type are read, and its words if it takes few only."""
    kinds = set(_plain_types(annotation)) - {type(None)}
    words = next((one for one in kinds if issubclass(one, StrEnum)), None)
    if words is not None:
        return Kind.WORD, words
    if int in kinds:
        is_number = name in {"line", "bodymaker", "number"}
        return (Kind.NUMBER if is_number else Kind.COUNT), None
    for plain, kind in (
        (datetime, Kind.INSTANT),
        (date, Kind.DAY),
        (bool, Kind.YES_NO),
        (float, Kind.DECIMAL),
        (DomeCode, Kind.CODE),
        (uuid.UUID, Kind.ID),
    ):
        if plain in kinds:
            return kind, None
    return Kind.TEXT, None


def _plain_types(annotation: Any) -> list[type]:
    if isinstance(annotation, type):
        return [annotation]
    inner = get_args(annotation)
    if hasattr(annotation, "__metadata__"):
        inner = inner[:1]
    return [one for part in inner for one in _plain_types(part)]


def file_named(name: str) -> PlantFile:
    """A file of the plant folder by its name; defects.csv for anything else."""
    return FILES_BY_NAME.get(name, FILES_BY_NAME["defects.csv"])
