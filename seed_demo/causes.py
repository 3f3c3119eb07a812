"""Causes that can be planted: which machines and times each acts in, and how strongly."""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from seed_demo.changes import Change
from seed_demo.clock import DAY_SECONDS, FloatArray
from seed_demo.coils import LineCoils
from seed_demo.services import LEVELS, Service
from seed_demo.simulate import SimulatedPlant
from seed_demo.tools import Fit

Acts = Callable[[SimulatedPlant], FloatArray]
_Any = TypeVar("_Any")
_Stay = tuple[int, float, float]  # machine, start, end


@dataclass(frozen=True)
class Cause:
    """A cause: `acts` gives, by machine and slot, 1 where it acts in full and 0 where it does not.

    `kind` and `name` are those of an explanation, `since` is in seconds. `also` are other causes
    with exactly the same machines and times.
    """

    kind: str
    name: str
    since: float
    acts: Acts
    also: tuple[tuple[str, str], ...] = ()


def causes_of(plant: SimulatedPlant, kind: str, first: int, rng: np.random.Generator) -> Cause:
    """Return a cause of this kind at random, within what happened from second `first` on.

    Raises LookupError where the plant has none.
    """
    makers = {
        "moved tool": _moved_tool,
        "coil put back": _coil,
        "crew": _crew,
        "line change": _line_change,
        "machine change": _machine_change,
        "service": _service,
        "wear": _wear,
        "machine": _machine,
        "shift": _shift,
        "hour": _hour,
        "line": _line,
        "plant": _plant,
    }
    return makers[kind](plant, first, rng)


def _acting(stays: Iterable[_Stay]) -> Acts:
    """Act in full in the stays."""
    listed = list(stays)

    def acts(plant: SimulatedPlant) -> FloatArray:
        found = np.zeros_like(plant.running.strokes)
        begins = plant.running.ends[:-1]
        for machine, start, end in listed:
            found[machine, (begins >= start) & (begins < end)] = 1.0
        return found

    return acts


def _one(rng: np.random.Generator, listed: list[_Any], what: str) -> _Any:
    if not listed:
        raise LookupError(f"this plant has no {what}")
    return listed[int(rng.integers(len(listed)))]


def _stays(plant: SimulatedPlant, fits: list[Fit], first: int) -> list[_Stay]:
    end = plant.clock.seconds
    spans = [(f.machine, max(f.fitted, first), f.removed or end) for f in fits]
    return [span for span in spans if span[2] > span[1]]


def _moved_tool(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    """A tool that was in two machines at least, a week or more in each."""
    by_tool: dict[str, list[Fit]] = {}
    for fit in plant.tools.fits:
        by_tool.setdefault(fit.tool.serial, []).append(fit)
    moved = []
    for serial, fits in by_tool.items():
        stays = _stays(plant, fits, first)
        long_ones = {m for m, start, end in stays if end - start >= 7 * DAY_SECONDS}
        if len(long_ones) > 1:
            moved.append((serial, stays))
    serial, stays = _one(rng, moved, "tool that moved")
    return Cause("tool", serial, min(stay[1] for stay in stays), _acting(stays))


def coil_put_back(plant: SimulatedPlant, days: int, rng: np.random.Generator) -> list[LineCoils]:
    """Return the coils with one of each line taken off and put back after the next one."""
    first = plant.clock.seconds - days * DAY_SECONDS
    found = []
    for own in plant.coils:
        inside = np.flatnonzero(own.starts[:-3] > first)
        if not len(inside):
            raise LookupError("this plant has no coil that could be put back")
        at = int(rng.choice(inside))
        found.append(
            replace(
                own,
                coils=_put_back(own.coils, at),
                melts=_put_back(own.melts, at),
                gauges=_put_back(own.gauges, at),
            )
        )
    return found


def _put_back(column: tuple[str, ...], at: int) -> tuple[str, ...]:
    return (*column[: at + 2], column[at], *column[at + 3 :])


def _coil(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    del first
    twice = [
        (own, coil) for own in plant.coils for coil in set(own.coils) if own.coils.count(coil) > 1
    ]
    own, coil = _one(rng, sorted(twice, key=lambda pair: pair[1]), "coil that was put back")
    ends = [*own.starts[1:].tolist(), float(plant.clock.seconds)]
    runs = [
        (float(own.starts[place]), ends[place])
        for place, name in enumerate(own.coils)
        if name == coil
    ]
    stays = [
        (place, start, end)
        for place, machine in enumerate(plant.machines)
        if machine.line == own.line
        for start, end in runs
    ]
    return Cause("coil", coil, runs[0][0], _acting(stays))


def _by_shift(plant: SimulatedPlant, chosen: Callable[[int], bool], since: float) -> Acts:
    def acts(simulated: SimulatedPlant) -> FloatArray:
        begins = simulated.running.ends[:-1]
        shifts = simulated.clock.shift_index(begins)
        inside = np.array([chosen(n) for n in range(len(plant.clock.shift_names))])[shifts]
        row = (inside & (begins >= since)).astype(np.float64)
        return np.broadcast_to(row, simulated.running.strokes.shape)

    return acts


def _begun(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> float:
    """When a cause began that could begin at any time: in the first two thirds of the period."""
    return float(first + rng.uniform(0.05, 0.65) * (plant.clock.seconds - first))


def _crew(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    crews = plant.clock.shift_crews
    name, since = str(rng.choice(sorted(set(crews)))), _begun(plant, first, rng)
    return Cause("crew", name, since, _by_shift(plant, lambda n: crews[n] == name, since))


def _shift(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    shifts = plant.clock.shift_names
    name, since = str(rng.choice(sorted(set(shifts)))), _begun(plant, first, rng)
    return Cause("shift", name, since, _by_shift(plant, lambda n: shifts[n] == name, since))


def _hour(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    band, since = int(rng.integers(6)), _begun(plant, first, rng)

    def acts(simulated: SimulatedPlant) -> FloatArray:
        begins, clock = simulated.running.ends[:-1], simulated.clock
        offsets = clock.offsets[np.clip(begins // 3600, 0, len(clock.offsets) - 1).astype(int)]
        local = begins + int(clock.start_at.timestamp()) + offsets
        inside = (local // 3600 % 24 // 4).astype(int) == band
        row = (inside & (begins >= since)).astype(np.float64)
        return np.broadcast_to(row, simulated.running.strokes.shape)

    return Cause("hour", f"{4 * band:02d}-{4 * band + 4:02d}", since, acts)


def _from(plant: SimulatedPlant, machines: Iterable[int], since: float) -> Acts:
    return _acting((machine, since, float(plant.clock.seconds)) for machine in machines)


def _machine(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    machine, since = int(rng.integers(len(plant.machines))), _begun(plant, first, rng)
    return Cause("machine", plant.machines[machine].code, since, _from(plant, [machine], since))


def _line(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    line, since = int(rng.integers(plant.size.lines)) + 1, _begun(plant, first, rng)
    own = [place for place, machine in enumerate(plant.machines) if machine.line == line]
    return Cause("line", str(line), since, _from(plant, own, since))


def _plant(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    since = _begun(plant, first, rng)
    return Cause("plant", "plant", since, _from(plant, range(len(plant.machines)), since))


def _change(plant: SimulatedPlant, first: int, rng: np.random.Generator, *, of_line: bool) -> Cause:
    """A change in force for a week or more, until the next of its kind in its place."""
    end = plant.clock.seconds
    spans: list[tuple[Change, float]] = []
    by_place: dict[tuple[int, int | None, str], list[Change]] = {}
    for change in plant.changes:
        by_place.setdefault((change.line, change.bodymaker, change.kind), []).append(change)
    for listed in by_place.values():
        ends = [*(one.at for one in listed[1:]), end]
        spans += zip(listed, ends, strict=True)
    chosen = [
        (change, until)
        for change, until in spans
        if (change.bodymaker is None) == of_line
        and change.at >= first + 7 * DAY_SECONDS
        and until - change.at >= 7 * DAY_SECONDS
    ]
    change, until = _one(rng, chosen, "change that lasted")
    machines = [
        place
        for place, machine in enumerate(plant.machines)
        if machine.line == change.line and change.bodymaker in (None, machine.number)
    ]
    at = plant.clock.utc_text(np.array([change.at]))[0]
    place = str(change.line) if of_line else f"{change.line}-{change.bodymaker}"
    acts = _acting((machine, change.at, until) for machine in machines)
    return Cause("change", f"{change.kind} @ {place} @ {at}", change.at, acts)


def _line_change(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    return _change(plant, first, rng, of_line=True)


def _machine_change(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    return _change(plant, first, rng, of_line=False)


def _service(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    """A fault brought in by a service: from its end to the next service of that machine."""
    by_machine: dict[int, list[Service]] = {}
    for service in sorted(plant.services, key=lambda one: one.end):
        by_machine.setdefault(service.machine, []).append(service)
    spans = []
    for listed in by_machine.values():
        ends = [*(one.end for one in listed[1:]), float(plant.clock.seconds)]
        spans += [
            (service, until)
            for service, until in zip(listed, ends, strict=True)
            if service.end >= first + 7 * DAY_SECONDS and until - service.end >= 7 * DAY_SECONDS
        ]
    service, until = _one(rng, spans, "service")
    at = plant.clock.utc_text(np.array([service.end]))[0]
    code = plant.machines[service.machine].code
    return Cause(
        "service",
        f"{LEVELS[service.level].service} @ {code} @ {at}",
        service.end,
        _acting([(service.machine, service.end, until)]),
    )


def _wear(plant: SimulatedPlant, first: int, rng: np.random.Generator) -> Cause:
    """A new tool, fitted once, whose defects grow with its strokes until it is taken out.

    It was in for three weeks or more, and out for a week or more when the history ends.
    """
    end = plant.clock.seconds
    fitted = Counter(fit.tool.serial for fit in plant.tools.fits)
    stays = [
        fit
        for fit in plant.tools.fits
        if fitted[fit.tool.serial] == 1
        and fit.fitted >= first + 7 * DAY_SECONDS
        and fit.removed is not None
        and fit.removed - fit.fitted >= 21 * DAY_SECONDS
        and end - fit.removed >= 7 * DAY_SECONDS
    ]
    fit = _one(rng, sorted(stays, key=lambda one: (one.fitted, one.kind)), "tool that wore")
    until = fit.removed or float(end)
    course = float(rng.uniform(2.0, 3.0))  # of the exponential, over the whole stay

    def acts(simulated: SimulatedPlant) -> FloatArray:
        running = simulated.running
        begins = running.ends[:-1]
        found = np.zeros_like(running.strokes)
        inside = (begins >= fit.fitted) & (begins < until)
        made = running.made(fit.machine, begins[inside])
        share = (made - made[0]) / max(float(made[-1] - made[0]), 1.0)
        found[fit.machine, inside] = np.expm1(course * share) / np.expm1(course)
        return found

    return Cause("wear", fit.tool.serial, fit.fitted, acts)
