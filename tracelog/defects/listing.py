"""Which entries are listed: the same parameters for the page and the API."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from tracelog.defects.queries import DefectView, EntryFilter, EntryKind
from tracelog.defects.rules import unknown_word
from tracelog.facts import whole_number
from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.web.parameters import Parameters


def read_filter(
    asked: Parameters, places: Directory, kinds: Sequence[DefectView], zone: ZoneInfo
) -> EntryFilter:
    """The entries that parameters ask for; what is wrong with them is told to `asked`.

    Args:
        asked: the parameters of the request, not finished yet.
        places: the plant's lines and machines.
        kinds: its kinds of defect.
        zone: the plant's zone, for days and for instants without an offset.
    """
    known = [one.defect for one in kinds]

    def line_number(given: str) -> int:
        places.line(line := whole_number(given, 1, 999))
        return line

    def kind_of_defect(given: str) -> str:
        if given not in known:
            raise ValueError(unknown_word(given, known, _("a defect")))
        return given

    start, end = asked.period(zone)
    machines = asked.read_each("machine", places.machine_named)
    is_unsettled = asked.yes_no("unsettled")
    return EntryFilter(
        start=start,
        end=end,
        line=asked.read("line", line_number),
        machine_ids=tuple(machine.id for machine in machines) if asked.texts("machine") else None,
        defects=tuple(asked.read_each("defect", kind_of_defect)),
        found_at=asked.text("found_at"),
        kind=asked.word("kind", EntryKind) or EntryKind.ALL,
        coil=asked.text("coil"),
        pallet=asked.text("pallet"),
        is_settled=None if is_unsettled is None else not is_unsettled,
        as_of=asked.instant("as_of", zone),
    )
