"""What would tell the two leading explanations apart, and how much it is expected to tell. Pure."""

from dataclasses import dataclass

import numpy as np

from tracelog.cases.explain.evidence import CauseKind, Evidence
from tracelog.cases.explain.inside import Inside, inside_of
from tracelog.cases.explain.ranking import Likely, Ranking
from tracelog.language import _
from tracelog.stats.telling_apart import expected_information

# Days over which an observation is thought to go on.
_DAYS = (1.0, 3.0, 7.0)
_LATELY = 14 * 86_400.0
# What acted until so many seconds before the end acts still.
_STILL = 3600.0
# Where the second explanation is less likely than this there is nothing to tell apart.
_LEAST_CHANCE = 0.005
# Less than this is not worth the work.
_LEAST_BITS = 0.02


@dataclass(frozen=True)
class Observation:
    """Something to do and look at.

    Attributes:
        sentence: what.
        bits: expected information over `days`, of what is open between the two; 1 at most.
        expected_first, expected_second: occurrences to be expected if the first, or the second,
            explanation is right.
    """

    sentence: str
    days: float
    bits: float
    expected_first: float
    expected_second: float


def observations(ranking: Ranking) -> list[Observation]:
    """What would tell the two leading explanations apart, the most telling first.

    Each is taken away in turn, as far as one can: if it is right, the machines where it acted come
    back to what is usual, and if the other one is, they do not.
    """
    likely = ranking.likely
    if len(likely) < 2 or likely[1].probability < _LEAST_CHANCE:
        return []
    first, second = likely[0], likely[1]
    chance = first.probability / (first.probability + second.probability)
    found = []
    for removed, other, is_first in ((first, second, True), (second, first, False)):
        one = _taken_away(ranking, removed, other, chance, is_first)
        if one is not None:
            found.append(one)
    return sorted(found, key=lambda one: (-one.bits, one.days))


def _taken_away(
    ranking: Ranking, removed: Likely, other: Likely, chance: float, is_first: bool
) -> Observation | None:
    evidence = ranking.ground.evidence
    inside, others = inside_of(ranking, removed), inside_of(ranking, other)
    machines = _acting(evidence, inside)
    if not machines:
        return None
    usual = _usual_a_day(ranking, machines)
    covered = _usual_a_day(ranking, machines & _acting(evidence, others))
    # What the other one would still make on these machines, with this one gone.
    still = usual + covered * _part_of_time(evidence, others) * max(other.ratio - 1, 0.0)
    for days in _DAYS:
        means = (usual * days, still * days)
        bits = float(expected_information(min(max(chance, 1e-6), 1 - 1e-6), *means)[0])
        entropy = _entropy(chance)
        if bits >= 0.8 * entropy or days == _DAYS[-1]:
            break
    if bits < _LEAST_BITS * max(entropy, 1e-9):
        return None
    pair = means if is_first else means[::-1]
    return Observation(_sentence(evidence, removed, machines), days, bits, *pair)


def _entropy(chance: float) -> float:
    parts = np.array([chance, 1 - chance])
    parts = parts[parts > 0]
    return float(-(parts * np.log2(parts)).sum())


def _acting(evidence: Evidence, inside: Inside) -> set[int]:
    """Machines on which a cause still acts when the period ends; what is over cannot be tried."""
    return {one.machine for one in inside.stretches if one.end > evidence.end - _STILL}


def _part_of_time(evidence: Evidence, inside: Inside) -> float:
    return float(inside.share[evidence.piece_of_start :].mean())


def _usual_a_day(ranking: Ranking, machines: set[int]) -> float:
    """Occurrences to be expected on some machines in a day, as they ran lately."""
    evidence, usual = ranking.ground.evidence, ranking.ground.usual
    lately = evidence.edges[:-1] >= evidence.end - min(_LATELY, evidence.end - evidence.start)
    days = max(float(np.diff(evidence.edges)[lately].sum()) / 86_400, 1e-9)
    places = sorted(machines)
    level = (usual.shape + usual.known_counts[places]) / (
        usual.shape + usual.known_expected[places]
    )
    return float((usual.expected[places][:, lately].sum(axis=1) * level).sum()) / days


def _sentence(evidence: Evidence, one: Likely, machines: set[int]) -> str:
    names = ", ".join(evidence.machines[place] for place in sorted(machines)[:4])
    name, kind = one.cause.name, one.cause.kind
    what = name.partition(" @ ")[0]
    sentences = {
        CauseKind.TOOL: _(
            "Swap %(name)s with the tool in the same position of a neighbour and count on both: "
            "a bad tool takes the defect along, and %(machines)s comes back to its usual rate.",
            name=name,
            machines=names,
        ),
        CauseKind.COIL: _(
            "Look at the next coil on %(machines)s, and, if %(name)s runs again, at the other "
            "line on which it runs.",
            name=name,
            machines=names,
        ),
        CauseKind.CREW: _(
            "Let another crew inspect beside crew %(name)s for some shifts: does it find as much?",
            name=name,
        ),
        CauseKind.SHIFT: _(
            "Let somebody of the other shift inspect beside shift %(name)s: does it find as much?",
            name=name,
        ),
        CauseKind.HOUR: _("Inspect at fixed times in all hours, not only in %(name)s.", name=name),
        CauseKind.CHANGE: _(
            "Put back '%(what)s' on %(machines)s for a while, if that is allowed, and count.",
            what=what,
            machines=names,
        ),
        CauseKind.SERVICE: _(
            "Have the work of the service '%(what)s' on %(machines)s checked, and count after it.",
            what=what,
            machines=names,
        ),
        CauseKind.MACHINE: _(
            "Look at %(name)s itself with its tools exchanged for known good ones, and count.",
            name=name,
        ),
        CauseKind.LINE: _("Compare line %(name)s with another on coils of one lot.", name=name),
        CauseKind.STATION: _(
            "Inspect a sample at another station beside %(name)s: is as much found there?",
            name=name,
        ),
        CauseKind.MARK: _(
            "Take two full turns in order right behind the station of %(name)s, and see in the "
            "sequence check whether the defect repeats.",
            name=name,
        ),
        CauseKind.PLANT: _("Look for what all lines share: metal, coolant, how it is inspected."),
    }
    sentences[CauseKind.WEAR] = _(
        "Take %(name)s out of %(machines)s for work, and count with a fresh tool.",
        name=name,
        machines=names,
    )
    sentences[CauseKind.BATCH] = _(
        "Replace one tool of %(name)s by one of another batch and count on its machine.", name=name
    )
    return sentences[kind]
