"""What traces say of the simulated plant, against what the simulator knows to be true."""

from datetime import datetime

import pytest
from sqlalchemy.orm import Session

from seed_demo.simulate import SimulatedPlant
from tests.seed_demo.written import SMALL
from tests.seed_demo.written import plant as simulated
from tests.support.plants import ENDS_AT, SEED
from tracelog.instants import EARLIEST
from tracelog.plant.dome_code import parse_dome_code
from tracelog.trace.dossier import Dossier, Question, dossier
from tracelog.trace.where_used import where_used

# More than a machine makes in an hour, the time between two readings.
AN_HOUR = 25_000


@pytest.fixture(scope="module")
def truth() -> SimulatedPlant:
    return simulated(SMALL, SEED)


def trace(session: Session, code: str, at: datetime) -> Dossier:
    return dossier(session, Question(parse_dome_code(code), at), ENDS_AT)


def true_strokes(truth: SimulatedPlant, serial: str, until: float) -> tuple[float, int]:
    """Strokes on a tool, and in how many stays they were made."""
    made, stays = 0.0, 0
    for fit in truth.tools.fits:
        if fit.tool.serial == serial and fit.fitted < until:
            end = min(until, until if fit.removed is None else fit.removed)
            made += float(
                truth.running.made(fit.machine, end) - truth.running.made(fit.machine, fit.fitted)
            )
            stays += 1
    return made, stays


@pytest.mark.parametrize("share", [0.1, 0.45, 0.8, 0.97])
def test_strokes_on_every_tool_are_the_true_ones(
    plant_session: Session, truth: SimulatedPlant, share: float
) -> None:
    second = share * truth.clock.seconds
    compared = moved = 0
    lost = {
        fit.tool.serial for fit in truth.tools.fits if truth.unaccounted_strokes[fit.machine] > 0
    }
    for number, machine in enumerate(truth.machines):
        found = trace(plant_session, machine.code, truth.clock.utc(second))
        inside = {
            fit.tool.serial
            for fit in truth.tools.fits
            if fit.machine == number
            and fit.fitted <= second
            and (fit.removed is None or fit.removed > second)
        }
        assert {tool.stay.serial for tool in found.then.tools} == inside
        for tool in found.then.tools:
            if tool.stay.serial in lost:
                continue
            made, stays = true_strokes(truth, tool.stay.serial, second)
            # Between two readings strokes are spread evenly, and before the first none are known.
            assert abs(tool.strokes_on_tool - made) <= 2 * AN_HOUR * stays
            compared += 1
            moved += stays > 1
    assert compared >= 14
    if share > 0.9:
        assert moved >= 1


def test_total_and_strokes_since_service_are_the_true_ones(
    plant_session: Session, truth: SimulatedPlant
) -> None:
    second = 0.9 * truth.clock.seconds
    served = 0
    for number, machine in enumerate(truth.machines):
        if truth.unaccounted_strokes[number]:
            continue
        then = trace(plant_session, machine.code, truth.clock.utc(second)).then
        made = float(truth.running.made(number, second))
        assert then.strokes_total is not None
        assert abs(then.strokes_total - made) <= 2 * AN_HOUR
        done = [one.end for one in truth.services if one.machine == number and one.end <= second]
        if done:
            since = made - float(truth.running.made(number, max(done)))
            smallest = min(one.strokes_since for one in then.services_since)
            assert abs(smallest - since) <= 2 * AN_HOUR
            served += 1
    assert served >= 2


def test_shift_and_crew_are_those_of_the_rota(
    plant_session: Session, truth: SimulatedPlant
) -> None:
    clock = truth.clock
    for second in range(600, clock.seconds, clock.seconds // 12):
        found = trace(plant_session, "1-1", clock.utc(second)).shift
        index = int(clock.shift_index(clock.shift_starts[:1] * 0 + second)[0])
        assert found is not None
        assert (found.shift, found.crew) == (clock.shift_names[index], clock.shift_crews[index])


def test_the_chipped_tool_is_found_wherever_it_was(
    plant_session: Session, truth: SimulatedPlant
) -> None:
    fault = truth.faults[0]
    found = where_used(plant_session, "tool", fault.name, EARLIEST, ENDS_AT, ENDS_AT)
    assert [(use.machine.text, use.start) for use in found.uses] == [
        (code, since) for code, since, _until in fault.windows
    ]
    marked = [entry for entry in found.entries if entry.defect == fault.defect]
    assert len(marked) > len(found.entries) / 4


def test_the_bad_coil_is_in_the_dossier_of_its_cans_and_leads_to_its_entries(
    plant_session: Session, truth: SimulatedPlant
) -> None:
    fault = truth.faults[1]
    code, since, until = fault.windows[0]
    found = trace(plant_session, code, since + (until - since) / 2)
    assert [run.coil for run in found.coils] == [fault.name]
    assert found.pallets
    used = where_used(plant_session, "coil", fault.name, EARLIEST, ENDS_AT, ENDS_AT)
    assert {use.machine.text for use in used.uses} == {code for code, _, _ in fault.windows}
    assert sum(entry.defect == fault.defect for entry in used.entries) >= 5
    assert {pallet.status for pallet in used.pallets} >= {"held"}


def test_the_lowered_pressure_is_among_the_changes_of_the_cans_after_it(
    plant_session: Session, truth: SimulatedPlant
) -> None:
    fault = truth.faults[2]
    [(code, since, until)] = fault.windows
    found = trace(plant_session, code, min(since + (until - since) / 2, ENDS_AT))
    kind = fault.name.split(" @ ")[0]
    assert (kind, since) in {(change.kind, change.at) for change in found.then.changes}
