"""What is on record of a pallet or a coil, as events of GS1 EPCIS 2.0 in JSON-LD.

Business steps and dispositions are those of the Core Business Vocabulary (CBV 2.0). Times are told
on the plant's clock with the offset of that instant, so that the hour that a clock change repeats
is told apart. Pure: facts in, events out. Source: GS1 EPCIS Standard 2.0 and CBV Standard 2.0.
"""

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.instants import write_instant
from tracelog.trace.epcis_names import Names, event_id

CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
PREFIX = "plant"
# Business step, disposition and action of each step of a hold that is about the pallet itself;
# where a pallet was sought in vain, nothing was observed.
HOLD_STEPS = {
    "held": ("holding", "unavailable", "OBSERVE"),
    "found": ("stock_taking", "unavailable", "OBSERVE"),
    "inspected": ("inspecting", "unavailable", "OBSERVE"),
    "released": ("inspecting", "conformant", "OBSERVE"),
    "conceded": ("inspecting", "available", "OBSERVE"),
    "scrapped": ("destroying", "destroyed", "DELETE"),
}

Event = dict[str, Any]


@dataclass(frozen=True)
class RunFact:
    """A coil on a line; `strokes` are those of the line's bodymakers meanwhile.

    `is_first`: the coil was on no line before.
    """

    id: uuid.UUID
    coil: str
    coil_id: uuid.UUID
    line: int
    line_id: uuid.UUID
    started_at: datetime
    ended_at: datetime | None
    strokes: int
    is_first: bool


@dataclass(frozen=True)
class HoldFact:
    """A step of a hold that is about a pallet."""

    id: uuid.UUID
    number: int
    step: str
    at: datetime
    inspected: int | None
    defective: int | None


@dataclass(frozen=True)
class PalletFact:
    """A pallet with what was on its line while its cans were made."""

    id: uuid.UUID
    pallet: str
    line: int
    line_id: uuid.UUID
    started_at: datetime
    ended_at: datetime | None
    cans: int | None
    made: tuple[datetime, datetime]
    strokes: int
    runs: tuple[RunFact, ...]
    holds: tuple[HoldFact, ...]


def document(events: list[Event], created_at: datetime, names: Names) -> dict[str, Any]:
    """An EPCIS document of events, in order of time."""
    return {
        "@context": [CONTEXT, {PREFIX: names.terms}],
        "type": "EPCISDocument",
        "schemaVersion": "2.0",
        "creationDate": write_instant(created_at),
        "epcisBody": {"eventList": sorted(events, key=_moment)},
    }


def _moment(event: Event) -> tuple[datetime, str]:
    return datetime.fromisoformat(event["eventTime"]), str(event["eventID"])


def of_pallet(pallet: PalletFact, names: Names, zone: ZoneInfo) -> list[Event]:
    """The events of a pallet: its coils, the making of its cans, its filling and its holds."""
    found = [_mounted(run, names, zone) for run in pallet.runs]
    cans = names.cans(pallet.line, pallet.line_id, *pallet.made)
    if pallet.runs and pallet.strokes and pallet.ended_at is not None:
        found.append(
            {
                **_event("TransformationEvent", "made", pallet.id, pallet.made[1], zone),
                "inputEPCList": list(
                    dict.fromkeys(names.coil(run.coil, run.coil_id) for run in pallet.runs)
                ),
                "outputQuantityList": [{"epcClass": cans, "quantity": pallet.strokes}],
                **_where("creating_class_instance", "in_progress", pallet, names, "bodymakers"),
            }
        )
    own = names.pallet(pallet.pallet, pallet.id)
    found.append(
        {
            **_event("ObjectEvent", "begun", pallet.id, pallet.started_at, zone),
            "action": "ADD",
            "epcList": [own],
            **_where("commissioning", "active", pallet, names, "palletiser"),
        }
    )
    if pallet.ended_at is not None and pallet.cans:
        found.append(
            {
                **_event("AggregationEvent", "filled", pallet.id, pallet.ended_at, zone),
                "action": "ADD",
                "parentID": own,
                "childQuantityList": [{"epcClass": cans, "quantity": pallet.cans}],
                **_where("packing", "in_progress", pallet, names, "palletiser"),
            }
        )
    return [*found, *_held(pallet, own, names, zone)]


def of_coil(runs: list[RunFact], names: Names, zone: ZoneInfo) -> list[Event]:
    """The events of a coil: on each line, and the cans made of it there."""
    found = []
    for run in runs:
        found.append(_mounted(run, names, zone))
        if run.ended_at is None or not run.strokes:
            continue
        cans = names.cans(run.line, run.line_id, run.started_at, run.ended_at)
        found.append(
            {
                **_event("TransformationEvent", "made", run.id, run.ended_at, zone),
                "inputEPCList": [names.coil(run.coil, run.coil_id)],
                "outputQuantityList": [{"epcClass": cans, "quantity": run.strokes}],
                **_where("creating_class_instance", "in_progress", run, names, "bodymakers"),
            }
        )
    return found


def _mounted(run: RunFact, names: Names, zone: ZoneInfo) -> Event:
    """A coil was put on a line: where that was its first, it is commissioned, else observed."""
    step = "commissioning" if run.is_first else "loading"
    return {
        **_event("ObjectEvent", "mounted", run.id, run.started_at, zone),
        "action": "ADD" if run.is_first else "OBSERVE",
        "epcList": [names.coil(run.coil, run.coil_id)],
        **_where(step, "active", run, names, "cupper"),
    }


def _held(pallet: PalletFact, own: str, names: Names, zone: ZoneInfo) -> Iterator[Event]:
    for one in pallet.holds:
        if one.step not in HOLD_STEPS:
            continue
        step, disposition, action = HOLD_STEPS[one.step]
        if one.step == "inspected" and one.defective:
            disposition = "non_conformant"
        counted = {"inspected": one.inspected, "defective": one.defective}
        yield {
            **_event("ObjectEvent", one.step, one.id, one.at, zone),
            "action": action,
            "epcList": [own],
            **_where(step, disposition, pallet, names, "stock"),
            f"{PREFIX}:hold": one.number,
            **{f"{PREFIX}:{name}": value for name, value in counted.items() if value is not None},
        }


def _event(kind: str, what: str, own_id: uuid.UUID, at: datetime, zone: ZoneInfo) -> Event:
    local = at.astimezone(zone)
    return {
        "type": kind,
        "eventID": event_id(what, own_id),
        "eventTime": local.isoformat(timespec="milliseconds"),
        "eventTimeZoneOffset": offset_text(local),
    }


def offset_text(local: datetime) -> str:
    """The offset of an instant from UTC as ``+02:00``, to the minute."""
    offset = local.utcoffset() or timedelta(0)
    minutes = round(offset / timedelta(minutes=1))
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _where(
    step: str, disposition: str, at: RunFact | PalletFact, names: Names, station: str
) -> Event:
    reader = uuid.uuid5(at.line_id, station)
    return {
        "bizStep": step,
        "disposition": disposition,
        "readPoint": names.place(f"line-{at.line}", station, reader),
        "bizLocation": names.place("plant", "", names.plant_id),
    }
