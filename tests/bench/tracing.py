"""How often traces are right: random cans at random times of simulated plants, codes misread.

Codes are misread by a model that is not the one that reads them: other kinds as often, other
digits, and one in ten by a digit that no table of confusions holds; readers doubt otherwise too.
Doubted codes are also weighed with what a reading test of the same readers tells of them, on other
cans drawn by another seed: misread at all, and doubted when right and when wrong.
"""

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache
from itertools import pairwise
from pathlib import Path
from unittest.mock import patch

import click
import numpy as np
from sqlalchemy.orm import Session

from seed_demo.folder import write_folder
from seed_demo.simulate import SimulatedPlant, simulate
from seed_demo.sizes import PlantSize
from tests.bench.demo_year import fill
from tracelog import reference
from tracelog.db import make_engine, reading
from tracelog.plant.dome_code import DomeCode, parse_dome_code
from tracelog.plant.queries import directory, the_plant
from tracelog.trace.candidates import Candidate, the_confusion, weigh
from tracelog.trace.dossier import Dossier, dossier
from tracelog.trace.making import Question, openings
from tracelog.trace.reading.confusion import Confusion
from tracelog.trace.rules import CUP_CONVEYOR
from tracelog.trace.transit import usual_way
from tracelog.trace.transit_learning import Delay, central, learned_way_to, learned_ways

SIZE = PlantSize(lines=3, bodymakers=9, days=12, pallet_days=0)
SEEDS = (1, 2, 3)
MISREAD = 0.03
# Not the chances of the model that is judged.
DOUBTS_WRONG, DOUBTS_RIGHT = 0.7, 0.05
_KINDS = ("worn", "turned", "swapped", "mirrored", "any digit")
_ODDS = (0.45, 0.20, 0.15, 0.10, 0.10)
_LOOK_ALIKE = ("83", "86", "80", "17", "56", "35", "90", "41", "69")
_TURNED = {"0": "0", "1": "1", "6": "9", "8": "8", "9": "6"}
# Cans of a reading test, and the seed that draws them: none of those that are reported.
TEST_CANS, TEST_SEED = 2_000, 900
EDGES = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0001)


@dataclass(frozen=True)
class Can:
    """A can of which everything is known."""

    machine: int
    second: float
    at: datetime
    code: str


@dataclass
class Tally:
    """What was asked, and how it was answered."""

    asked: int = 0
    inside: int = 0
    chances: list[tuple[float, bool]] = field(default_factory=list)

    def add(self, found: Sequence[Candidate], machine: str) -> None:
        """Count an answer."""
        self.asked += 1
        self.inside += any(one.machine.text == machine for one in found)
        self.chances += [(one.probability, one.machine.text == machine) for one in found]


def cans(truth: SimulatedPlant, count: int, rng: np.random.Generator) -> Iterator[Can]:
    """Cans of machines that were running, at random times after the first day."""
    clock, made = truth.clock, truth.running.made
    found = 0
    while found < count:
        second = float(rng.uniform(86_400, clock.seconds - 7_200))
        machine = int(rng.integers(len(truth.machines)))
        if float(made(machine, second + 30) - made(machine, second - 30)) <= 0:
            continue
        found += 1
        code, alias = truth.machines[machine].code, truth.alias
        if alias and alias.machine == machine and alias.start <= second < alias.end:
            code = truth.machines[alias.number_of].code
        yield Can(machine, second, clock.utc(second), code)


def misread(code: str, rng: np.random.Generator) -> str:
    """What somebody may read in the place of a code; the code itself if the trap cannot act."""
    line, number = code.split("-")
    kind = str(rng.choice(_KINDS, p=_ODDS))
    if kind == "swapped":
        return f"{number}-{line}"
    if kind == "mirrored":
        flip = str.maketrans("25", "52")
        return f"{line[::-1].translate(flip)}-{number[::-1].translate(flip)}"
    if kind == "turned":
        if not set(line + number) <= set(_TURNED):
            return f"{line}-{_turned(number)}" if set(number) <= set(_TURNED) else code
        return f"{_turned(number)}-{_turned(line)}"
    places = [place for place, sign in enumerate(code) if sign != "-"]
    place = int(rng.choice(places))
    alike = [pair.replace(code[place], "", 1) for pair in _LOOK_ALIKE if code[place] in pair]
    others = alike if kind == "worn" else list("123456789")
    if not others:
        return code
    return code[:place] + str(rng.choice(others)) + code[place + 1 :]


def _turned(digits: str) -> str:
    return "".join(_TURNED[digit] for digit in reversed(digits))


def part_read(code: str, rng: np.random.Generator) -> str:
    """The code with at least one digit that nobody can read."""
    places = [place for place, sign in enumerate(code) if sign != "-"]
    hidden = {int(rng.choice(places))} | {place for place in places if rng.random() < 0.25}
    return "".join("?" if place in hidden else sign for place, sign in enumerate(code))


def is_right(truth: SimulatedPlant, can: Can, found: Dossier) -> dict[str, bool]:
    """Whether machine, tools, coil, crew and shift are the true ones.

    Of coils the true one is among them, and the only one except where another one ended or began
    within the minutes of the cup conveyor, which nobody can tell apart.
    """
    clock, machine = truth.clock, truth.machines[can.machine]
    inside = {
        fit.tool.serial
        for fit in truth.tools.fits
        if fit.machine == can.machine
        and fit.fitted <= can.second
        and (fit.removed is None or fit.removed > can.second)
    }
    own = next(one for one in truth.coils if one.line == machine.line)
    true_coil = own.coils[int(own.running(np.array([can.second]))[0])]
    since = can.at - CUP_CONVEYOR
    changed = any(since <= clock.utc(float(start)) <= can.at for start in own.starts)
    coils = [run.coil for run in found.coils]
    shift = int(clock.shift_index(np.array([int(can.second)]))[0])
    then = found.shift
    return {
        "machine": found.machine is not None and found.machine.text == machine.code,
        "tools": {tool.stay.serial for tool in found.then.tools} == inside,
        "coil": true_coil in coils and (len(coils) == 1 or changed),
        "crew": then is not None and then.crew == clock.shift_crews[shift],
        "shift": then is not None and then.shift == clock.shift_names[shift],
    }


@cache
def tested() -> Confusion:
    """The readers as tested, once."""
    return readers_by_test(TEST_CANS, TEST_SEED)


@dataclass
class Outcome:
    """Everything that was counted."""

    right: dict[str, int] = field(default_factory=dict)
    clear: int = 0
    all_right: int = 0
    part: Tally = field(default_factory=Tally)
    unsure: Tally = field(default_factory=Tally)
    unsure_wrong: Tally = field(default_factory=Tally)
    measured: Tally = field(default_factory=Tally)
    silent: int = 0
    silent_told: int = 0


def read_by_somebody(code: str, rng: np.random.Generator) -> tuple[str, bool, bool]:
    """What somebody reads of a code, whether it is wrong, and whether the reader is unsure."""
    text = misread(code, rng) if rng.random() < MISREAD else code
    if "0" in text.split("-"):
        text = code  # no number is 0, so that everybody reads again
    is_wrong = text != code
    return text, is_wrong, bool(rng.random() < (DOUBTS_WRONG if is_wrong else DOUBTS_RIGHT))


def readers_by_test(count: int, seed: int) -> Confusion:
    """The model of reading with the chances that a test tells: cans of known code are read."""
    rng = np.random.default_rng(seed)
    codes = [
        f"{rng.integers(1, SIZE.lines + 1)}-{rng.integers(1, SIZE.bodymakers + 1)}"
        for _can in range(count)
    ]
    read = [read_by_somebody(code, rng) for code in codes]
    wrong = sum(is_wrong for _text, is_wrong, _unsure in read)
    doubted_wrong = sum(is_wrong and unsure for _text, is_wrong, unsure in read)
    doubted_right = sum(unsure and not is_wrong for _text, is_wrong, unsure in read)
    usual = the_confusion()
    expected = sum(
        one.chance for code in codes for one in usual.misreadings(parse_dome_code(code))
    ) + count * sum(
        one.weight for one in reference.confusable_digits() if one.kind == "not-a-number"
    )
    doubt = replace(
        reference.reading_doubt(),
        unsure_when_wrong=(doubted_wrong + 1) / (wrong + 2),
        unsure_when_right=(doubted_right + 1) / (count - wrong + 2),
    )
    table = [
        replace(one, weight=one.weight * wrong / expected) for one in reference.confusable_digits()
    ]
    return Confusion(table, doubt)


def run(session: Session, truth: SimulatedPlant, outcome: Outcome, count: int, seed: int) -> None:
    """Ask about random cans of a plant: a third in full, and the others for their candidates."""
    rng = np.random.default_rng(seed)
    as_of = truth.clock.utc(float(truth.clock.seconds))
    for can in cans(truth, count, rng):
        found = dossier(session, Question(parse_dome_code(can.code), can.at), as_of)
        right = is_right(truth, can, found)
        outcome.clear += 1
        outcome.all_right += all(right.values())
        for name, holds in right.items():
            outcome.right[name] = outcome.right.get(name, 0) + holds
    for can in cans(truth, 4 * count, rng):
        ask_part(session, truth, can, outcome, rng, as_of)
    for can in cans(truth, 40 * count, rng):
        ask_read(session, truth, can, outcome, rng, as_of)


def _candidates(
    session: Session, code: DomeCode, can: Can, as_of: datetime, *, unsure: bool
) -> tuple[Sequence[Candidate], bool]:
    question = Question(code, can.at)
    found = openings(session, question, None, the_plant(session), as_of)
    weighed = weigh(session, code, found, directory(session), as_of, is_doubted=unsure)
    return weighed.candidates, weighed.note is not None


def ask_part(
    session: Session,
    truth: SimulatedPlant,
    can: Can,
    outcome: Outcome,
    rng: np.random.Generator,
    as_of: datetime,
) -> None:
    """A code of which some digits cannot be read."""
    code = parse_dome_code(part_read(can.code, rng))
    found, _is_doubted = _candidates(session, code, can, as_of, unsure=False)
    outcome.part.add(found, truth.machines[can.machine].code)


def ask_read(
    session: Session,
    truth: SimulatedPlant,
    can: Can,
    outcome: Outcome,
    rng: np.random.Generator,
    as_of: datetime,
) -> None:
    """A whole code, misread now and then, and doubted now and then."""
    text, is_wrong, unsure = read_by_somebody(can.code, rng)
    if not unsure and not is_wrong:
        return
    found, told = _candidates(session, parse_dome_code(text), can, as_of, unsure=unsure)
    machine = truth.machines[can.machine].code
    if unsure:
        outcome.unsure.add(found, machine)
        with patch("tracelog.trace.candidates.the_confusion", tested):
            tested_ones, _told = _candidates(
                session, parse_dome_code(text), can, as_of, unsure=True
            )
        outcome.measured.add(tested_ones, machine)
        if is_wrong:
            outcome.unsure_wrong.add(found, machine)
        return
    outcome.silent += 1
    outcome.silent_told += told or not found


def reliability(tally: Tally) -> list[tuple[str, int, float, float]]:
    """Candidates by the probability that was told: how many, mean told, share that were true."""
    told = np.array([chance for chance, _is_true in tally.chances])
    true = np.array([is_true for _chance, is_true in tally.chances])
    rows = []
    for low, high in pairwise(EDGES):
        chosen = (told >= low) & (told < high)
        if chosen.any():
            name = f"{low:.2f} to {min(high, 1.0):.2f}"
            rows.append(
                (name, int(chosen.sum()), float(told[chosen].mean()), float(true[chosen].mean()))
            )
    return rows


def found_in_time(count: int, seed: int) -> list[tuple[str, float, float, float, float]]:
    """Cans found at a station: share within the interval, and its minutes, before learning and
    after; cans are drawn by the simulator's way, one in thirty of those learned from is wrong."""
    rng = np.random.default_rng(seed)
    usual, rows = usual_way((20, 95)), []
    shares = {"necker": 0.70, "light-tester": 0.78, "palletiser": 1.0}

    def drawn(share: float, cans: int) -> np.ndarray:
        return share * (20 + 75 * rng.beta(2.0, 4.0, cans))

    known = [
        Delay(station, float(rng.uniform(0, 300) if rng.random() < 1 / 30 else minutes))
        for station, share in shares.items()
        for minutes in drawn(share, count)
    ]
    learned = learned_ways({"line": known}, usual)["line"]
    for station, share in shares.items():
        asked = drawn(share, 20_000)
        before = central(learned_way_to(station, [], usual), 0.99)
        after = central(learned_way_to(station, known, learned), 0.99)
        inside = [float(((asked >= a) & (asked <= b)).mean()) for a, b in (before, after)]
        rows.append((station, inside[0], before[1] - before[0], inside[1], after[1] - after[0]))
    return rows


def print_tracing(seeds: Sequence[int] = SEEDS, count: int = 60) -> None:
    """Ask, and print the tables."""
    outcome = Outcome()
    for seed in seeds:
        truth = simulate(SIZE, seed)
        with tempfile.TemporaryDirectory(prefix="tracelog-bench-") as name:
            write_folder(truth, Path(name) / "plant")
            engine = make_engine(f"sqlite:///{Path(name) / 'tracelog.db'}")
            fill(engine, Path(name) / "plant")
            with reading(engine) as session:
                run(session, truth, outcome, count, seed)
            engine.dispose()
    plants = f"{len(seeds)} plants of {SIZE.lines} lines with {SIZE.bodymakers} bodymakers"
    click.echo(f"\nClear codes with a time, {plants}: {outcome.clear} cans")
    for name, held in outcome.right.items():
        click.echo(f"  {name:10} right {held / outcome.clear:8.2%}")
    click.echo(f"  all right {outcome.all_right / outcome.clear:13.2%}")
    for name, tally in (
        ("Partly read", outcome.part),
        ("Unsure", outcome.unsure),
        ("  of these misread", outcome.unsure_wrong),
    ):
        share = tally.inside / max(tally.asked, 1)
        click.echo(f"{name}: {tally.asked} cans, the true machine is a candidate in {share:.2%}")
    told = f"{outcome.silent_told} told to be none that ran"
    click.echo(f"Misread and not doubted: {outcome.silent} cans, {told}")
    for name, tally in (
        ("partly read", outcome.part),
        ("unsure", outcome.unsure),
        ("unsure, readers tested", outcome.measured),
    ):
        click.echo(f"\nReliability, {name}: told, candidates, mean told, share true")
        for row in reliability(tally):
            click.echo("  {:14} {:7} {:8.3f} {:8.3f}".format(*row))
    click.echo("\nFound at a station: inside and minutes, usual way; inside and minutes, learned")
    for line in found_in_time(400, 1):
        click.echo("  {:13} {:7.2%} {:6.0f} {:9.2%} {:6.0f}".format(*line))
