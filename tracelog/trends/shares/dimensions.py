"""What was in force in the plant over a period: machines, tools, coils, shifts and hours as tracks.

A fixed number of statements: one for tools, one for coils.
"""

import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from sqlalchemy.orm import Session

from tracelog.buckets import periods
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView
from tracelog.plant.rules import shifts_between
from tracelog.plant.stays import coil_stays, tool_stays
from tracelog.strokes.hours import MICROSECOND, hour_starts, instant, microseconds
from tracelog.trends.queries import Part, machines_in_scope
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rules import By
from tracelog.trends.shares.rules import NONE, Track, Whole, constant, track_of


@dataclass(frozen=True)
class Dimension:
    """One thing that rates are told apart by.

    Attributes:
        by: which.
        parts: what each label of the tracks stands for.
        everywhere: tracks of the whole plant; where there are none, those of machine or line.
        of_machine, of_line: tracks by id.
        renamed: another label for each label of the tracks; None: they are as they are.
    """

    by: By
    parts: tuple[Part, ...]
    everywhere: tuple[Track, ...] = ()
    of_machine: Mapping[uuid.UUID, Sequence[Track]] = field(default_factory=dict)
    of_line: Mapping[uuid.UUID, Sequence[Track]] = field(default_factory=dict)
    renamed: Whole | None = None

    @property
    def needs_machine(self) -> bool:
        """Whether it can be told only where the machine is known."""
        return self.by in (By.MACHINE, By.TOOL, By.TOOL_TYPE)

    @property
    def needs_line(self) -> bool:
        """Whether it can be told only where the line is known."""
        return self.by in (By.LINE, By.COIL)

    def tracks(self, machine_id: uuid.UUID | None, line_id: uuid.UUID | None) -> Sequence[Track]:
        """What was in force on a machine of a line."""
        if self.everywhere:
            return self.everywhere
        if self.needs_machine:
            return self.of_machine.get(machine_id, ()) if machine_id else ()
        return self.of_line.get(line_id, ()) if line_id else ()


def bucket_track(plant: PlantView, asked: RateQuestion) -> tuple[Track, tuple[Part, ...]]:
    """The buckets of a question, and the instants at which they begin (microseconds).

    Raises:
        TracelogError: shifts of a plant without any, told at ``bucket``.
    """
    if asked.bucket is None:
        return constant(0), (None,)
    found = periods(asked.bucket, asked.start, asked.end, plant.zone, plant.rota)
    starts = np.array([microseconds(one.start) for one in found], dtype=np.int64)
    places = np.arange(len(starts), dtype=np.int64)
    return Track(starts, places), tuple(int(start) for start in starts)


def dimension(
    session: Session,
    plant: PlantView,
    places: Directory,
    asked: RateQuestion,
    by: By,
    coils: Iterable[str] = (),
) -> Dimension:
    """What was in force of one thing, in the period and scope of a question.

    Args:
        session: an open session.
        plant, places: as read.
        asked: which rates.
        by: the thing; none that shares its strokes.
        coils: numbers of coils that entries name, on record or not.

    Raises:
        TracelogError: shifts or crews of a plant without any, told at ``by``.
    """
    scope = machines_in_scope(places, asked)
    if by in (By.TOOL, By.TOOL_TYPE):
        return _tools(session, asked, by, scope)
    if by is By.COIL:
        return _coils(session, asked, coils)
    if by is By.MACHINE:
        machines = places.bodymakers
        tracks = {one.id: [constant(place)] for place, one in enumerate(machines)}
        return Dimension(by, tuple(one.id for one in machines), of_machine=tracks)
    if by is By.LINE:
        lines = {line_id: [constant(place)] for place, line_id in enumerate(places.lines.values())}
        return Dimension(by, tuple(places.lines), of_line=lines)
    if by is By.HOUR:
        return Dimension(by, tuple(range(24)), (_hours(plant, asked),))
    if by in (By.SHIFT, By.CREW):
        return _shifts(plant, asked, by)
    return Dimension(by, ("",), (constant(0),))


def _hours(plant: PlantView, asked: RateQuestion) -> Track:
    starts = hour_starts(asked.start, asked.end - MICROSECOND, plant.zone)[:-1]
    hours = [instant(int(start)).astimezone(plant.zone).hour for start in starts]
    return Track(starts, np.array(hours, dtype=np.int64))


def _shifts(plant: PlantView, asked: RateQuestion, by: By) -> Dimension:
    if not plant.rota.shifts:
        raise TracelogError(_("names shifts or crews, but this plant has no shifts"), "by")
    if by is By.CREW and not plant.rota.crews:
        raise TracelogError(_("names crews, but this plant has no rota of crews"), "by")
    found = list(shifts_between(plant.rota, asked.start, asked.end))
    told = [one.shift if by is By.SHIFT else one.crew for one in found]
    words = sorted({word for word in told if word is not None})
    places = {word: place for place, word in enumerate(words)}
    labels = [NONE if word is None else places[word] for word in told]
    starts = [microseconds(one.started_at) for one in found]
    track = Track(np.array(starts, dtype=np.int64), np.array(labels, dtype=np.int64))
    return Dimension(by, tuple(words), (track,))


def _tools(
    session: Session, asked: RateQuestion, by: By, scope: Collection[uuid.UUID]
) -> Dimension:
    stays = tool_stays(session, asked.start, asked.end, machine_ids=tuple(scope), as_of=asked.as_of)
    serials = sorted({stay.serial for stay in stays})
    place = {serial: number for number, serial in enumerate(serials)}
    held: dict[tuple[uuid.UUID, str], list[tuple[int, int | None, int]]] = {}
    for stay in stays:
        end = None if stay.removed_at is None else microseconds(stay.removed_at)
        span = (microseconds(stay.fitted_at), end, place[stay.serial])
        held.setdefault((stay.machine_id, stay.position), []).append(span)
    tracks: dict[uuid.UUID, list[Track]] = {}
    for (machine_id, _position), spans in held.items():
        tracks.setdefault(machine_id, []).append(track_of(spans))
    if by is By.TOOL:
        return Dimension(by, tuple(serials), of_machine=tracks)
    types = {stay.serial: stay.tool_type for stay in stays}
    words = sorted({word for word in types.values() if word is not None})
    renamed = [NONE if types[one] is None else words.index(types[one] or "") for one in serials]
    return Dimension(by, tuple(words), of_machine=tracks, renamed=np.array(renamed, dtype=np.int64))


def _coils(session: Session, asked: RateQuestion, named: Iterable[str]) -> Dimension:
    stays = coil_stays(session, asked.start, asked.end, as_of=asked.as_of)
    coils = sorted({stay.coil for stay in stays} | set(named))
    place = {coil: number for number, coil in enumerate(coils)}
    runs: dict[uuid.UUID, list[tuple[int, int | None, int]]] = {}
    for stay in stays:
        end = None if stay.ended_at is None else microseconds(stay.ended_at)
        span = (microseconds(stay.started_at), end, place[stay.coil])
        runs.setdefault(stay.line_id, []).append(span)
    tracks = {line_id: [track_of(spans)] for line_id, spans in runs.items()}
    return Dimension(By.COIL, tuple(coils), of_line=tracks)
