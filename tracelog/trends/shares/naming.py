"""What each thing that rates are told apart by is called, and in which order it stands."""

import uuid

from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView
from tracelog.trends.queries import Part
from tracelog.trends.rules import By


def by_name(by: By) -> str:
    """What a thing that rates are told apart by is called."""
    names = {
        By.MACHINE: _("machine"),
        By.LINE: _("line"),
        By.DEFECT: _("kind of defect"),
        By.PLANT: _("plant"),
        By.TOOL: _("tool"),
        By.TOOL_TYPE: _("tool type"),
        By.COIL: _("coil"),
        By.CREW: _("crew"),
        By.SHIFT: _("shift"),
        By.HOUR: _("hour of the day"),
        By.STATION: _("station where found"),
    }
    return names[by]


def not_on_record(by: By) -> str:
    """What the row is called of that which belongs to nothing on record."""
    names = {
        By.TOOL: _("no tool on record"),
        By.TOOL_TYPE: _("no tool type on record"),
        By.COIL: _("no coil on record"),
        By.CREW: _("no crew on record"),
        By.SHIFT: _("no shift on record"),
        By.STATION: _("no station on record"),
    }
    return names.get(by, _("not on record"))


def part_name(by: By, part: Part, plant: PlantView, places: Directory) -> str:
    """What one row is called.

    Args:
        by: what it is one of.
        part: which; None: nothing is on record.
        plant, places: as read.
    """
    if by is By.PLANT:
        return plant.name
    if part is None:
        return not_on_record(by)
    if isinstance(part, uuid.UUID):
        return places.by_id[part].text
    if by is By.LINE and isinstance(part, int):
        return places.line_names.get(part, str(part))
    if by is By.HOUR and isinstance(part, int):
        return f"{part:02d}:00–{part:02d}:59"
    return str(part)


def part_order(by: By, part: Part, plant: PlantView, places: Directory) -> tuple[object, ...]:
    """Where a row stands among those of one kind: what is not on record last."""
    if part is None:
        return (1,)
    if isinstance(part, uuid.UUID):
        machine = places.by_id[part]
        return (0, machine.line, machine.number)
    if by is By.SHIFT:
        labels = [shift.label for shift in plant.rota.shifts]
        return (0, labels.index(part) if part in labels else len(labels))
    return (0, part)
