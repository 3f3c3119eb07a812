"""What something touched, as tables for files."""

from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.trace.moves import Stop
from tracelog.trace.where_used import WhereUsed
from tracelog.web.sheets import Cell, Sheet

TABLES = ("uses", "moves", "pallets", "entries")
# A workbook holds a million rows, and nobody reads as many.
MOST_ROWS = 50_000
_USES = (*("machine", "position", "shift", "from", "to", "hours", "strokes", "entries", "cans"),)
_MOVES = (
    *("tool", "tool_type", "machine", "position", "fitted_at", "removed_at", "removal_reason"),
    *("came_from", "came_from_position", "was_there_until"),
    *("went_to", "went_to_position", "was_there_from"),
)
_PALLETS = ("pallet", "line", "started_at", "ended_at", "cans", "status")
_ENTRIES = (
    *("id", "seen_at", "machine", "dome_code", "defect", "cans", "occurrences", "inspected"),
    *("found_at", "coil", "pallet"),
)


def used_sheet(table: str, found: WhereUsed, machines: Directory, zone: ZoneInfo) -> Sheet:
    """One table of what something touched.

    Args:
        table: one of `TABLES`.
        found: what it touched.
        machines: the directory.
        zone: the plant's zone.
    """
    if table == "uses":
        return Sheet(_("uses"), _USES, tuple(_use_rows(found)), zone)
    if table == "moves":
        return Sheet(_("moves of tools"), _MOVES, tuple(_move_rows(found)), zone)
    if table == "pallets":
        rows = tuple(
            (
                *(one.pallet, machines.line_numbers[one.line_id], one.started_at),
                *(one.ended_at, one.cans, one.status),
            )
            for one in found.pallets
        )
        return Sheet(_("pallets"), _PALLETS, rows, zone)
    return Sheet(_("entries"), _ENTRIES, tuple(_entry_rows(found)), zone)


def _use_rows(found: WhereUsed) -> list[tuple[Cell, ...]]:
    return [
        (
            *(one.machine.text, one.position or None, one.shift.shift if one.shift else None),
            *(one.start, one.end, round(one.hours, 3), one.strokes, one.entries, one.cans),
        )
        for one in found.uses
    ]


def _move_rows(found: WhereUsed) -> list[tuple[Cell, ...]]:
    return [
        (
            *(one.serial, one.tool_type, one.here.machine.text, one.here.position),
            *(one.here.start, one.here.end, one.removal_reason),
            *_stop(one.came_from),
            one.came_from.end if one.came_from else None,
            *_stop(one.went_to),
            one.went_to.start if one.went_to else None,
        )
        for one in found.moves
    ]


def _stop(stop: Stop | None) -> tuple[Cell, Cell]:
    return (None, None) if stop is None else (stop.machine.text, stop.position)


def _entry_rows(found: WhereUsed) -> list[tuple[Cell, ...]]:
    return [
        (
            *(str(one.id), one.seen_at, one.machine.text if one.machine else None),
            *(one.dome_code, one.defect, one.cans, one.occurrences, one.inspected),
            *(one.found_at, one.coil, one.pallet),
        )
        for one in found.entries
    ]
