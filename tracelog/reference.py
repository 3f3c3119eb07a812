"""The reference data of the trade, read once from the TOML files of the shared folder.

Defect vocabulary, tool types, service levels, stations and their parts, digits taken for others,
routine checks, measured characteristics, cautions and kinds of change. All of it is a starting
default with its source beside it; what the plant itself brings along always wins. The texts are
English: pages pass them through `_`.
"""

from collections.abc import Callable, Collection, Iterable
from functools import cache
from itertools import pairwise
from pathlib import Path

from tracelog.language import _
from tracelog.paths import shared_folder
from tracelog.reference_file import FaultyReference, ReferenceFile, Table, row_of
from tracelog.reference_rows import (
    Cause,
    Caution,
    ChangeKind,
    Characteristic,
    DefectType,
    DigitConfusion,
    ReadingDoubt,
    Reference,
    RoutineCheck,
    RunIn,
    ServiceLevel,
    ServiceWindow,
    Stage,
    Station,
    StationPart,
    ToolType,
    Word,
)

__all__ = [
    "BAD_SIDES",
    "CAUTION_PLACES",
    "MEASURED_CHARTS",
    "MEASURED_SHAPES",
    "SEVERITIES",
    "STATION_KINDS",
    "TRACKED_BY",
    "Cause",
    "Caution",
    "ChangeKind",
    "Characteristic",
    "DefectType",
    "DigitConfusion",
    "FaultyReference",
    "ReadingDoubt",
    "Reference",
    "RoutineCheck",
    "RunIn",
    "ServiceLevel",
    "ServiceWindow",
    "Stage",
    "Station",
    "StationPart",
    "ToolType",
    "Word",
    "caution",
    "change_kinds",
    "characteristic_named",
    "characteristics",
    "confusable_digits",
    "defect_type",
    "defect_types",
    "origins",
    "read_reference",
    "reading_doubt",
    "routine_checks",
    "run_in",
    "service_levels",
    "service_window",
    "severities",
    "stages",
    "station_parts",
    "stations",
    "tool_types",
]

# The contract of defect_types.csv, most serious first.
SEVERITIES = ("label", "leak", "contact", "strength", "run", "look")
TRACKED_BY = ("serial", "position", "either")
STATION_KINDS = ("process", "transport", "inspection", "customer")
BAD_SIDES = ("low", "high", "both")
MEASURED_SHAPES = ("normal", "skewed")
MEASURED_CHARTS = ("auto", "x-bar-r", "x-bar-s", "individuals", "ewma", "cusum")
# Where a cause may show in a comparison of rates, beside tools in a position and kinds of change.
POINTS = ("machine", "line", "coil", "crew", "shift", "hour", "service", "plant")
# Pages show these; without one of them a page would show nothing where a warning belongs.
CAUTION_PLACES = (
    "service",
    "tool_change",
    "tool_room",
    "log_running_machine",
    "explanation",
    "hold",
    "chemicals",
)


def _defect_parts(order_source: str) -> Callable[[Table, str], tuple[Table, Table]]:
    """How to read a defect: its causes first, each with the defect's source unless it has one."""

    def prepare(table: Table, where: str) -> tuple[Table, Table]:
        rest = dict(table)
        causes = rest.pop("causes", None)
        if not isinstance(causes, list) or not causes:
            raise FaultyReference(
                _("%(where)s: causes should be a list of {cause, check, remedy}", where=where)
            )
        source = {"source": rest.get("source")}
        made = tuple(
            row_of(
                Cause,
                source | cause if isinstance(cause, dict) else cause,
                _("%(where)s: cause %(number)d", where=where, number=number),
            )
            for number, cause in enumerate(causes, start=1)
        )
        return rest, {"causes": made, "order_source": order_source}

    return prepare


def _require_known(words: Iterable[str], known: Collection[str], where: str) -> None:
    for word in words:
        if word not in known:
            raise FaultyReference(
                _(
                    "%(where)s: %(word)s is not known; known are %(known)s",
                    where=where,
                    word=word,
                    known=", ".join(known),
                )
            )


def _require_ranges(row: object, where: str) -> None:
    """Each x_low of a row lies at or below its x_high, and x, if given, between them."""
    values = {name: value for name, value in vars(row).items() if isinstance(value, int | float)}
    for name, low in values.items():
        stem = name.removesuffix("_low")
        high = values.get(f"{stem}_high")
        if stem == name or high is None:
            continue
        if not low <= values.get(stem, low) <= high:
            raise FaultyReference(
                _("%(where)s: %(field)s does not lie in its range", where=where, field=stem)
            )


def _check_defects(found: Reference) -> None:
    places = [row.station for row in found.stations]
    stages_known = [row.stage for row in found.stages]
    origins_known = [row.word for row in found.origins]
    words = [row.word for row in found.severities]
    _require_known(words, SEVERITIES, "defects.toml: severity")
    _require_known(SEVERITIES, words, "defects.toml: severity")
    points = [
        *POINTS,
        *(f"tool:{row.tool_type}" for row in found.tool_types),
        *(f"change:{row.kind}" for row in found.change_kinds),
    ]
    for defect in found.defect_types:
        where = f"defects.toml: defect {defect.defect}"
        _require_known([defect.stage], stages_known, where)
        _require_known([defect.severity], SEVERITIES, where)
        _require_known([*defect.found_at, defect.arises_at], places, where)
        _require_known(defect.traces_to, origins_known, where)
        for cause in defect.causes:
            _require_known(cause.points_to, points, f"{where}: {cause.cause}")


def _check_levels(found: Reference) -> None:
    places = [row.station for row in found.stations]
    lighter: dict[str, list[str]] = {}
    for level in found.service_levels:
        where = f"service_levels.toml: level {level.station} {level.service}"
        _require_known([level.station], places, where)
        _require_known(level.contains, lighter.setdefault(level.station, []), where)
        _require_ranges(level, where)
        if not level.interval_strokes and not level.interval_days:
            raise FaultyReference(
                _("%(where)s: needs interval_strokes or interval_days above 0", where=where)
            )
        lighter[level.station].append(level.service)


def _check_the_rest(found: Reference) -> None:
    places = [row.station for row in found.stations]
    defects = [row.defect for row in found.defect_types]
    for tool in found.tool_types:
        where = f"tool_types.toml: tool_type {tool.tool_type}"
        _require_known([tool.station], places, where)
        _require_known([tool.tracked_by], TRACKED_BY, where)
        _require_known(tool.failure_signs, defects, where)
        _require_ranges(tool, where)
    for station in found.stations:
        where = f"stations.toml: station {station.station}"
        _require_known([station.kind], STATION_KINDS, where)
        _require_ranges(station, where)
    for part in found.station_parts:
        where = f"station_parts.toml: {part.station} {part.part}"
        _require_known([part.station], places, where)
        if not 2 <= part.fewest <= part.most:
            raise FaultyReference(
                _("%(where)s: fewest and most do not rise in this order from 2", where=where)
            )
    for check in found.routine_checks:
        where = f"checks_routine.toml: check {check.check}"
        _require_known([check.where], places, where)
        _require_known(check.can_see, defects, where)
        _require_ranges(check, where)
    _check_chances(found)
    _require_known(CAUTION_PLACES, [row.place for row in found.cautions], "cautions.toml")


def _check_chances(found: Reference) -> None:
    given = {f"confusion {row.kind}: weight": row.weight for row in found.confusable_digits}
    given["[doubt]: unsure_when_wrong"] = found.reading_doubt.unsure_when_wrong
    given["[doubt]: unsure_when_right"] = found.reading_doubt.unsure_when_right
    for where, chance in given.items():
        if not 0 < chance < 1:
            raise FaultyReference(
                _("dome_digits.toml: %(where)s is a chance, between 0 and 1", where=where)
            )


def _check_characteristics(found: Reference) -> None:
    for row in found.characteristics:
        where = f"characteristics.toml: characteristic {row.characteristic}"
        _require_known([row.bad_side], BAD_SIDES, where)
        _require_known([row.shape], MEASURED_SHAPES, where)
        _require_known([row.chart], MEASURED_CHARTS, where)
        given = [limit for limit in (row.lower, row.target, row.upper) if limit is not None]
        if any(low >= high for low, high in pairwise(given)):
            raise FaultyReference(
                _("%(where)s: lower, target and upper do not rise in this order", where=where)
            )


def read_reference(folder: Path) -> Reference:
    """Read and check all reference data of `folder`.

    Args:
        folder: holds the TOML files, as the shared folder does.

    Returns:
        Every file's rows in the order of the file.

    Raises:
        FaultyReference: naming file, row and field, and what would be right.
    """
    defects = ReferenceFile(folder, "defects.toml")
    services = ReferenceFile(folder, "service_levels.toml")
    checks = ReferenceFile(folder, "checks_routine.toml")
    can_see_source = checks.text("can_see_source")
    digits = ReferenceFile(folder, "dome_digits.toml")
    found = Reference(
        stages=defects.rows(Stage, "stage", "stage"),
        severities=defects.rows(Word, "severity", "word"),
        origins=defects.rows(Word, "origin", "word"),
        defect_types=defects.rows(
            DefectType, "defect", "defect", prepare=_defect_parts(defects.text("order_source"))
        ),
        tool_types=ReferenceFile(folder, "tool_types.toml").rows(
            ToolType, "tool_type", "tool_type"
        ),
        service_levels=services.rows(ServiceLevel, "level", "station", "service"),
        service_window=services.single(ServiceWindow, "window"),
        run_in=services.single(RunIn, "run_in"),
        stations=ReferenceFile(folder, "stations.toml").rows(Station, "station", "station"),
        station_parts=ReferenceFile(folder, "station_parts.toml").rows(
            StationPart, "station_part", "station", "part"
        ),
        confusable_digits=digits.rows(DigitConfusion, "confusion", "kind"),
        reading_doubt=digits.single(ReadingDoubt, "doubt"),
        routine_checks=checks.rows(
            RoutineCheck,
            "check",
            "check",
            prepare=lambda table, _where: (table, {"can_see_source": can_see_source}),
        ),
        characteristics=ReferenceFile(folder, "characteristics.toml").rows(
            Characteristic, "characteristic", "characteristic"
        ),
        cautions=ReferenceFile(folder, "cautions.toml").rows(Caution, "caution", "place"),
        change_kinds=ReferenceFile(folder, "change_kinds.toml").rows(
            ChangeKind, "change_kind", "kind"
        ),
    )
    _check_defects(found)
    _check_levels(found)
    _check_the_rest(found)
    _check_characteristics(found)
    return found


@cache
def _reference() -> Reference:
    return read_reference(shared_folder())


def defect_types() -> tuple[DefectType, ...]:
    """The whole defect vocabulary, in the order of the process."""
    return _reference().defect_types


@cache
def defect_type(code: str) -> DefectType | None:
    """The defect of that code; None if the vocabulary has none (a plant may name its own)."""
    return next((row for row in defect_types() if row.defect == code), None)


def stages() -> tuple[Stage, ...]:
    """The stages of making a can, in the order of the process."""
    return _reference().stages


def severities() -> tuple[Word, ...]:
    """What each severity means, most serious first."""
    return _reference().severities


def origins() -> tuple[Word, ...]:
    """The words a defect can trace to, and what each means."""
    return _reference().origins


def tool_types() -> tuple[ToolType, ...]:
    """The tool types, in the order of the tool pack."""
    return _reference().tool_types


def service_levels() -> tuple[ServiceLevel, ...]:
    """The default service levels, lightest first."""
    return _reference().service_levels


def service_window() -> ServiceWindow:
    """How early and how late a service still counts as on time."""
    return _reference().service_window


def run_in() -> RunIn:
    """How long a machine runs in after a service."""
    return _reference().run_in


def stations() -> tuple[Station, ...]:
    """The stations in process order, then transport, test bench and customer."""
    return _reference().stations


def station_parts() -> tuple[StationPart, ...]:
    """The parts of stations that come round in turn, with the usual counts."""
    return _reference().station_parts


def confusable_digits() -> tuple[DigitConfusion, ...]:
    """The ways in which a number in a dome is taken for another."""
    return _reference().confusable_digits


def reading_doubt() -> ReadingDoubt:
    """How readily a reader of a dome code doubts what was read."""
    return _reference().reading_doubt


def routine_checks() -> tuple[RoutineCheck, ...]:
    """The routine checks with their default frequency, sample, target and limit."""
    return _reference().routine_checks


@cache
def caution(place: str) -> Caution:
    """The caution shown at `place`.

    Raises:
        FaultyReference: there is no caution for that place.
    """
    for row in _reference().cautions:
        if row.place == place:
            return row
    raise FaultyReference(
        _("cautions.toml: there is no caution for %(place)s", place=place), field="place"
    )


def change_kinds() -> tuple[ChangeKind, ...]:
    """The kinds of change that forms offer."""
    return _reference().change_kinds


def characteristics() -> tuple[Characteristic, ...]:
    """What is measured on cans, with limits to start with."""
    return _reference().characteristics


@cache
def characteristic_named(code: str) -> Characteristic | None:
    """The characteristic of that word; None if there is none (a plant may measure its own)."""
    return next((row for row in characteristics() if row.characteristic == code), None)
