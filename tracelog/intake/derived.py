"""Derived tables after an import: what is derived again when settings changed."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.defects.actions import derive_for_codes, rebuild_tallies
from tracelog.errors import NoPlant, TracelogError
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode
from tracelog.plant.queries import Directory, MachineView, directory, the_plant
from tracelog.strokes.actions import derive_machines, rebuild_strokes
from tracelog.strokes.bounds import EARLIEST
from tracelog.strokes.retired import retired_until


@dataclass(frozen=True)
class Standing:
    """The settings on which derived tables rest, at one point of a transaction."""

    zone: str | None
    directory: Directory

    @classmethod
    def of(cls, session: Session) -> "Standing":
        """As the session sees them now."""
        try:
            zone = the_plant(session).zone.key
        except NoPlant:
            zone = None
        return cls(zone, directory(session))


def derive_again(session: Session, before: Standing, now: datetime) -> None:
    """Derive what rests on settings that changed since `before`.

    Hours and days are those of the plant's clock, and strokes know their counter's last figure;
    which machine a dome code means depends on the lines, the machines and the recorded codes.

    Args:
        session: an open session that writes.
        before: the settings when its transaction began.
        now: UTC.

    Raises:
        TracelogError: the zone is another, and readings were retired.
    """
    after = Standing.of(session)
    if before.zone is not None and after.zone != before.zone:
        _demand_readings(session)
        rebuild_strokes(session, None, now)
        rebuild_tallies(session)
    else:
        changed = [
            machine.id
            for machine in after.directory.machines.values()
            if _counts_otherwise(before.directory.by_id.get(machine.id), machine)
        ]
        if changed:
            derive_machines(session, changed)
    if before.directory.lines:
        codes = _codes_that_changed(before.directory, after.directory)
        if codes or set(after.directory.lines) != set(before.directory.lines):
            derive_for_codes(session, codes)


def _demand_readings(session: Session) -> None:
    """Refuse hours of another clock where the readings are gone that they would be made of."""
    if retired_until(session) > EARLIEST:
        raise TracelogError(
            _(
                "the plant's time zone stays as it is: months of readings were retired, and their"
                " strokes are kept by the hours of the present zone"
            ),
            "time_zone",
        )


def _counts_otherwise(before: MachineView | None, after: MachineView) -> bool:
    return before is not None and (
        (before.counter_max, before.rated_spm) != (after.counter_max, after.rated_spm)
    )


def _codes_that_changed(before: Directory, after: Directory) -> set[DomeCode]:
    """Codes that may mean another machine than before."""
    recorded = set(after.overrides) - set(before.overrides)
    # While a machine's cans bear another code, its own code is still its own; but a code that is
    # recorded for one machine no longer means the machine whose number it is.
    return {override.code for override in recorded} | {
        DomeCode(str(machine.line), str(machine.number))
        for machine in after.bodymakers
        if machine.id not in before.by_id
    }
