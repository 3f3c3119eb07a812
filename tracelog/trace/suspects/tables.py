"""The pallets of a suspect window as a table for files."""

from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.trace.suspects.asking import Suspects
from tracelog.web.sheets import Sheet

COLUMNS = (
    *("pallet", "line", "started_at", "ended_at", "cans", "status", "expected_suspect"),
    *("chance_of_none", "chance_of_no_defective", "hold", "risk"),
)


def pallets_sheet(found: Suspects, machines: Directory, zone: ZoneInfo) -> Sheet:
    """Every pallet that may hold a suspect can, and whether it is to be held."""
    held = {one.pallet.pallet for one in found.window.held_at(found.wish.risk)}
    rows = tuple(
        (
            *(one.pallet.pallet, machines.line_numbers[one.pallet.line_id]),
            *(one.pallet.started_at, one.pallet.ended_at, one.cans, one.pallet.status),
            *(round(one.expected, 3), round(one.chance_of_none, 6)),
            *(round(one.chance_of_no_defective, 6), one.pallet.pallet in held, found.wish.risk),
        )
        for one in found.window.pallets
    )
    return Sheet(_("suspect pallets"), COLUMNS, rows, zone)
