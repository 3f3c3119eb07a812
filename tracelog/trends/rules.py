"""Decisions about rates and charts that need no database.

Rates join two things that are counted apart: what was reported, and what it was reported from.
Nothing here divides by an exposure of zero, and nothing takes a silent log for good cans.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Generic, TypeVar

from tracelog.language import _
from tracelog.stats.attributes import (
    c_chart,
    laney_p_chart,
    laney_u_chart,
    np_chart,
    p_chart,
    u_chart,
)
from tracelog.stats.chart import Chart
from tracelog.stats.overdispersion import binomial_overdispersion, poisson_overdispersion

PER = 1_000_000
# Laney's correction is chosen where chance alone would vary so much less than once in a hundred,
# and only where there are points enough to tell. Common practice, no source.
SURE = 0.01
LEAST_POINTS = 10
# Below this mean count the dispersion test and symmetric limits mean little. Common practice,
# no source.
LEAST_MEAN_COUNT = 1.0

Key = TypeVar("Key", bound=Hashable)


class Evidence(StrEnum):
    """What a rate is made of; the two kinds are never mixed."""

    PRODUCTION = "production"
    SAMPLES = "samples"


class By(StrEnum):
    """What rates are told apart by, one of these or any two."""

    MACHINE = "machine"
    LINE = "line"
    DEFECT = "defect"
    PLANT = "plant"
    TOOL = "tool"
    TOOL_TYPE = "tool-type"
    COIL = "coil"
    CREW = "crew"
    SHIFT = "shift"
    HOUR = "hour"
    STATION = "station"


# Every kind of defect, and every station that looks, is judged by the same strokes.
SHARING = frozenset({By.DEFECT, By.STATION})
# Several tools are in a machine at once: each answers for its strokes and its entries.
SIDE_BY_SIDE = frozenset({By.TOOL, By.TOOL_TYPE})
# These change while a machine runs, and are told by the instant.
IN_FORCE = frozenset({By.TOOL, By.TOOL_TYPE, By.COIL, By.CREW, By.SHIFT, By.HOUR})
# Seen together over the whole period: pulled to their mean, with the chance to be the worst.
SEEN_TOGETHER = frozenset({By.MACHINE, *IN_FORCE})


class ChartKind(StrEnum):
    """Which control chart; `auto` leaves the choice to the evidence."""

    AUTO = "auto"
    U = "u"
    C = "c"
    LANEY_U = "laney-u"
    P = "p"
    NP = "np"
    LANEY_P = "laney-p"
    GAPS = "gaps"
    GAPS_POWER = "gaps-power"
    G = "g"


# Charts of the strokes between one entry and the next, for what is rare.
BETWEEN_ENTRIES = (ChartKind.GAPS, ChartKind.GAPS_POWER, ChartKind.G)
OF_PRODUCTION = (ChartKind.U, ChartKind.C, ChartKind.LANEY_U, *BETWEEN_ENTRIES)
OF_SAMPLES = (ChartKind.P, ChartKind.NP, ChartKind.LANEY_P)


def evidence_of(kind: ChartKind) -> Evidence | None:
    """The evidence that a kind of chart takes; None: either."""
    if kind in OF_PRODUCTION:
        return Evidence.PRODUCTION
    return Evidence.SAMPLES if kind in OF_SAMPLES else None


def kinds_of(evidence: Evidence) -> tuple[ChartKind, ...]:
    """The kinds of chart that fit an evidence, `auto` first."""
    fitting = OF_PRODUCTION if evidence is Evidence.PRODUCTION else OF_SAMPLES
    return (ChartKind.AUTO, *fitting)


@dataclass(frozen=True)
class Found:
    """What was reported of something: cans, separate happenings, and entries behind them."""

    cans: int = 0
    occurrences: int = 0
    entries: int = 0


@dataclass(frozen=True)
class Tally(Generic[Key]):
    """One row of a rate: what was counted, and what it was counted in.

    `exposure` is strokes for production, cans inspected for samples; None where it is not known.
    """

    key: Key
    cans: int
    counted: int
    entries: int
    exposure: int

    @property
    def has_rate(self) -> bool:
        """Whether there is anything to divide by."""
        return self.exposure > 0


def join_counts(found: Mapping[Key, Found], exposures: Mapping[Key, int]) -> list[Tally[Key]]:
    """Put counts beside their exposures, keeping what only one side knows.

    Args:
        found: what was reported, by key.
        exposures: strokes, by key.

    Returns:
        One row for every key with strokes or entries, in order of `exposures` and then of
        `found`: strokes without entries count 0, entries without strokes have exposure 0 and
        so no rate.

    Example:
        >>> [(t.key, t.counted, t.exposure) for t in join_counts({"b": Found(2, 1, 1)}, {"a": 9})]
        [('a', 0, 9), ('b', 1, 0)]
    """
    nothing = Found()
    joined = []
    for key, strokes in exposures.items():
        one = found.get(key, nothing)
        if strokes > 0 or one.entries > 0:
            joined.append(Tally(key, one.cans, one.occurrences, one.entries, strokes))
    joined += [
        Tally(key, one.cans, one.occurrences, one.entries, 0)
        for key, one in found.items()
        if one.entries > 0 and key not in exposures
    ]
    return joined


@dataclass(frozen=True)
class ParetoBar:
    """One defect in order of weight; `share` and `cumulative` are of all that was counted."""

    defect: str
    cans: int
    occurrences: int
    entries: int
    share: float
    cumulative: float


def pareto(found: Mapping[str, Found]) -> list[ParetoBar]:
    """Defects in order of their occurrences, with the share of the first ones together.

    Args:
        found: what was reported, by defect.

    Returns:
        The most frequent first; equal ones by cans, then by name. The last cumulative share is 1.

    Source: the method of the vital few; Juran, Quality Control Handbook (from memory).

    Example:
        >>> [b.cumulative for b in pareto({"a": Found(1, 1, 1), "b": Found(5, 3, 2)})]
        [0.75, 1.0]
    """
    counted = {defect: one for defect, one in found.items() if one.occurrences > 0}
    total = sum(one.occurrences for one in counted.values())
    ordered = sorted(
        counted.items(), key=lambda item: (-item[1].occurrences, -item[1].cans, item[0])
    )
    bars, reached = [], 0
    for defect, one in ordered:
        reached += one.occurrences
        share, cumulative = one.occurrences / total, reached / total
        bars.append(ParetoBar(defect, one.cans, one.occurrences, one.entries, share, cumulative))
    return bars


@dataclass(frozen=True)
class Chosen:
    """A drawn chart, its kind, and the sentence that says why this kind."""

    kind: ChartKind
    chart: Chart
    why: str


def drawn_chart(
    kind: ChartKind,
    evidence: Evidence,
    counts: Sequence[int],
    exposures: Sequence[int],
    baseline: Sequence[bool],
) -> Chosen:
    """Draw a control chart, of the kind asked for or of the kind that fits.

    For `auto`: production takes u, samples take p; where the baseline's points vary more than
    chance makes them, also from one point to the next, Laney's correction.

    Args:
        kind: which chart, or `auto`.
        evidence: what the counts are.
        counts: occurrences, or defective cans, per point.
        exposures: strokes, or cans inspected, per point.
        baseline: true for the points that set the centre.

    Raises:
        ValueError: the points do not suit the chart; the sentence says why.
    """
    fitting = tuple(one for one in kinds_of(evidence) if one not in BETWEEN_ENTRIES)
    if kind not in fitting:
        raise ValueError(
            _(
                "a %(kind)s chart does not take %(evidence)s; choose one of %(known)s",
                kind=kind,
                evidence=_(evidence),
                known=", ".join(fitting),
            )
        )
    if not any(used and exposure > 0 for used, exposure in zip(baseline, exposures, strict=True)):
        raise ValueError(_("no point of the baseline has any exposure; choose a longer period"))
    if kind is ChartKind.AUTO:
        return _fitting_chart(evidence, counts, exposures, baseline)
    return Chosen(kind, _chart(kind, counts, exposures, baseline), _("chosen by you"))


def _chart(
    kind: ChartKind, counts: Sequence[int], exposures: Sequence[int], baseline: Sequence[bool]
) -> Chart:
    if kind in (ChartKind.LANEY_U, ChartKind.LANEY_P):
        used = sum(b and e > 0 for b, e in zip(baseline, exposures, strict=True))
        if used < 2:
            raise ValueError(_("Laney's correction needs at least two points in the baseline"))
    if kind is ChartKind.C:
        if len(set(exposures)) > 1:
            raise ValueError(
                _("a c chart needs the same strokes at every point; choose u, which does not")
            )
        return c_chart(counts, baseline)
    if kind is ChartKind.NP:
        sizes = set(exposures)
        if len(sizes) > 1:
            raise ValueError(_("an np chart needs samples of one size; choose p, which does not"))
        return np_chart(counts, sizes.pop(), baseline)
    draw = {
        ChartKind.U: u_chart,
        ChartKind.LANEY_U: laney_u_chart,
        ChartKind.P: p_chart,
        ChartKind.LANEY_P: laney_p_chart,
    }[kind]
    return draw(counts, exposures, baseline)


def _fitting_chart(
    evidence: Evidence,
    counts: Sequence[int],
    exposures: Sequence[int],
    baseline: Sequence[bool],
) -> Chosen:
    production = evidence is Evidence.PRODUCTION
    plain = ChartKind.U if production else ChartKind.P
    laney = ChartKind.LANEY_U if production else ChartKind.LANEY_P
    used = [
        (count, exposure)
        for count, exposure, is_used in zip(counts, exposures, baseline, strict=True)
        if is_used and exposure > 0
    ]
    mean = mean_count(counts, exposures, baseline)
    if len(used) >= LEAST_POINTS and mean >= LEAST_MEAN_COUNT:
        test = poisson_overdispersion if production else binomial_overdispersion
        dispersion = test([count for count, _e in used], [exposure for _c, exposure in used])
        if dispersion.p_value < SURE:
            stretched = _chart(laney, counts, exposures, baseline)
            if stretched.sigma_z is not None and stretched.sigma_z > 1:
                why = _(
                    "points vary %(spread).1f times as much as chance alone would make them, so"
                    " the limits are widened by Laney's correction",
                    spread=stretched.sigma_z,
                )
                return Chosen(laney, stretched, why)
    chart = _chart(plain, counts, exposures, baseline)
    return Chosen(plain, chart, _plain_reason(evidence, mean, len({e for _c, e in used}) == 1))


def _plain_reason(evidence: Evidence, mean: float, is_even: bool) -> str:
    """Why a chart without any correction fits: how much is counted, and from what."""
    if evidence is Evidence.SAMPLES:
        if is_even:
            return _(
                "cans are good or bad, %(mean).1f bad ones a point on average, in samples of one"
                " size",
                mean=mean,
            )
        return _(
            "cans are good or bad, %(mean).1f bad ones a point on average, in samples of a known"
            " size that differs, and so do the limits",
            mean=mean,
        )
    if is_even:
        return _(
            "%(mean).1f occurrences a point on average, from the same strokes at every point",
            mean=mean,
        )
    return _(
        "%(mean).1f occurrences a point on average; strokes differ from point to point, and so do"
        " the limits",
        mean=mean,
    )


def mean_count(counts: Sequence[int], exposures: Sequence[int], baseline: Sequence[bool]) -> float:
    """How much the points that set the limits count on average; 0 without any."""
    used = [
        count
        for count, exposure, is_used in zip(counts, exposures, baseline, strict=True)
        if is_used and exposure > 0
    ]
    return sum(used) / len(used) if used else 0.0


def chart_cautions(
    evidence: Evidence, counts: Sequence[int], exposures: Sequence[int], baseline: Sequence[bool]
) -> list[str]:
    """What to know before reading a chart: few points, few events, points without a rate."""
    used = [
        count
        for count, exposure, is_used in zip(counts, exposures, baseline, strict=True)
        if is_used and exposure > 0
    ]
    cautions = []
    if len(used) < LEAST_POINTS:
        cautions.append(
            _(
                "only %(points)d points set the centre and the limits; fewer than %(least)d say"
                " little",
                points=len(used),
                least=LEAST_POINTS,
            )
        )
    if used and sum(used) / len(used) < LEAST_MEAN_COUNT:
        cautions.append(
            _("fewer than one per point on average: choose a longer bucket, or read it with care")
        )
    blind = sum(c > 0 and e == 0 for c, e in zip(counts, exposures, strict=True))
    if blind and evidence is Evidence.PRODUCTION:
        cautions.append(
            _("%(points)d points have entries but no strokes, and so no rate", points=blind)
        )
    return cautions


def silence(days_of_running: int) -> str:
    """What a log without any entry means.

    Example:
        >>> silence(19)
        'no entries in 19 days of running: a silent log, not proof of good cans'
    """
    if days_of_running == 1:
        return _("no entries in 1 day of running: a silent log, not proof of good cans")
    return _(
        "no entries in %(days)d days of running: a silent log, not proof of good cans",
        days=days_of_running,
    )


def no_rate(evidence: Evidence) -> str:
    """Why a row has counts but no rate."""
    if evidence is Evidence.PRODUCTION:
        return _("entries, but no strokes on record: no rate")
    return _("nothing inspected: no rate")
