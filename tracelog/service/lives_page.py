"""What the pages of lives show, ready to be drawn."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from tracelog.language import _
from tracelog.service.lives import ToolLives
from tracelog.service.lives_drawing import LifeFigure, plot_figure, runs_figure, survival_figure
from tracelog.service.lives_rules import (
    CountedAs,
    Life,
    LifeFigures,
    Verdict,
    curve_of,
    plot_of,
)
from tracelog.service.lives_words import (
    costs_sentence,
    gaps_sentence,
    interval_sentence,
    interval_words,
    overhaul_sentence,
    saving_sentence,
    verdict_sentence,
    wear_sentence,
    why_words,
)
from tracelog.service.machine_lives import MachineLives
from tracelog.stats.intervals import Interval
from tracelog.stats.kaplan_meier import KaplanMeier
from tracelog.web.numbers import UNKNOWN, share, short_count

# More rows are for a spreadsheet.
MOST_LIVES = 200
# The scale of shapes reaches at least to here, and no further than the second figure.
SHAPE_SCALE = (2.5, 6.0)


@dataclass(frozen=True)
class KindRow:
    """One type of tool in the list; `shape` and `b10` None: nothing could be fitted."""

    tool_type: str
    path: str
    failures: int
    lives: int
    shape: Interval[float] | None
    shape_words: str
    b10: str
    replace_at: str
    sentence: str
    is_few: bool


@dataclass(frozen=True)
class ListPage:
    """All types of tool, and the machines between overhauls."""

    rows: tuple[KindRow, ...]
    shape_scale: float
    guessed: bool
    without_type: int
    overhaul: str
    gaps: str
    runs: LifeFigure | None


@dataclass(frozen=True)
class PositionChoice:
    """A choice of position; `removals` is how many came out of it."""

    label: str
    path: str
    is_here: bool


@dataclass(frozen=True)
class CurveRow:
    """Share still serving after an age at which something failed."""

    age: str
    at_risk: str
    failed: str
    alive: str
    interval: str


@dataclass(frozen=True)
class LifeRow:
    """One life in the table."""

    life: Life
    entry: str
    strokes: str
    says: str


@dataclass(frozen=True)
class KindPage:
    """One type of tool, of all positions or of one."""

    kind: ToolLives
    verdict: str
    pays: bool
    sentences: tuple[str, ...]
    note: str
    facts: tuple[tuple[str, str], ...]
    choices: tuple[PositionChoice, ...]
    plot: LifeFigure | None
    survival: LifeFigure | None
    curve: tuple[CurveRow, ...]
    rows: tuple[LifeRow, ...]
    file_path: str


def kind_path(tool_type: str, position: str | None = None) -> str:
    """The address of the page of one type of tool."""
    path = f"/service/lives/{quote(tool_type)}"
    return f"{path}?{urlencode({'position': position})}" if position else path


def list_page(kinds: Sequence[ToolLives], without_type: int, machines: MachineLives) -> ListPage:
    """What the list of all types shows.

    Args:
        kinds: by type.
        without_type: lives of tools whose type nobody entered.
        machines: between overhauls.
    """
    highest = max((k.figures.shape.high for k in kinds if k.figures.shape), default=0.0)
    return ListPage(
        rows=tuple(_row(kind) for kind in kinds),
        shape_scale=min(max(highest, SHAPE_SCALE[0]), SHAPE_SCALE[1]),
        guessed=any(kind.replacing.costs.is_guess for kind in kinds),
        without_type=without_type,
        overhaul=overhaul_sentence(machines),
        gaps=gaps_sentence(machines),
        runs=runs_figure(machines.runs),
    )


def _row(kind: ToolLives) -> KindRow:
    figures, saving = kind.figures, kind.replacing.saving
    pays = kind.replacing.verdict is Verdict.PAYS
    return KindRow(
        tool_type=kind.tool_type,
        path=kind_path(kind.tool_type),
        failures=figures.failures,
        lives=figures.lives,
        shape=figures.shape,
        shape_words=interval_words(figures.shape) if figures.shape else UNKNOWN,
        b10=short_count(figures.b10.estimate) if figures.b10 else UNKNOWN,
        replace_at=short_count(saving.best.interval) if saving and pays else UNKNOWN,
        sentence=verdict_sentence(figures, kind.replacing),
        is_few=figures.is_few,
    )


def kind_page(kind: ToolLives) -> KindPage:
    """What the page of one type of tool shows.

    Args:
        kind: its lives, figures and costs.
    """
    figures, replacing = kind.figures, kind.replacing
    curve, plot = curve_of(kind.lives), plot_of(figures, kind.lives)
    longest = max((float(one.strokes) for one in kind.lives if _says(one)), default=0.0)
    told = (
        wear_sentence(figures),
        interval_sentence(replacing),
        saving_sentence(replacing),
        costs_sentence(replacing) if figures.fit is not None else "",
    )
    asked = {"tool_type": kind.tool_type} | ({"position": kind.position} if kind.position else {})
    return KindPage(
        kind=kind,
        verdict=verdict_sentence(figures, replacing),
        pays=replacing.verdict is Verdict.PAYS,
        sentences=tuple(one for one in told if one),
        note=_note(kind),
        facts=tuple(_facts(kind)),
        choices=_choices(kind),
        plot=plot_figure(plot) if plot is not None else None,
        survival=survival_figure(curve, figures.fit, longest) if curve is not None else None,
        curve=tuple(_curve_rows(curve)) if curve is not None else (),
        rows=tuple(_life_row(one) for one in _newest(kind.lives)),
        file_path=f"/service/lives.csv?{urlencode(asked)}",
    )


def _says(life: Life) -> bool:
    return life.counted_as is not CountedAs.LEFT_OUT


def _newest(lives: Sequence[Life]) -> list[Life]:
    ordered = sorted(lives, key=lambda one: (one.started_at, one.serial), reverse=True)
    return ordered[:MOST_LIVES]


def _note(kind: ToolLives) -> str:
    if not kind.figures.is_few:
        return ""
    if kind.position is not None and len(kind.positions) > 1:
        return _("Fewer than ten came out of this position: all positions together say more.")
    return _("Fewer than ten came out so far: take the figures as a first impression.")


def _choices(kind: ToolLives) -> tuple[PositionChoice, ...]:
    if len(kind.positions) < 2:
        return ()
    every = PositionChoice(_("All positions"), kind_path(kind.tool_type), kind.position is None)
    return (
        every,
        *(
            PositionChoice(
                _("%(position)s: %(removals)d out", position=position, removals=removals),
                kind_path(kind.tool_type, position),
                position == kind.position,
            )
            for position, removals in kind.positions.items()
        ),
    )


def _facts(kind: ToolLives) -> list[tuple[str, str]]:
    figures = kind.figures
    pairs = [
        (_("Failed"), str(figures.failures)),
        (_("Lived longer"), _counted(figures.censored)),
    ]
    if figures.left_out:
        pairs.append((_("Left out"), _counted(figures.left_out)))
    pairs += _fitted(figures)
    pairs.append((_("Strokes a year, all of them"), short_count(kind.replacing.strokes_a_year)))
    return pairs


def _fitted(figures: LifeFigures) -> list[tuple[str, str]]:
    if figures.shape is None or figures.scale is None or figures.b10 is None:
        return []
    return [
        (_("Shape"), interval_words(figures.shape)),
        (_("63 % have failed by"), _strokes(figures.scale)),
        (_("10 % have failed by"), _strokes(figures.b10)),
    ]


def _strokes(interval: Interval[float]) -> str:
    return _(
        "%(value)s (%(low)s to %(high)s)",
        value=short_count(interval.estimate),
        low=short_count(interval.low),
        high=short_count(interval.high),
    )


def _counted(whys: Mapping[str, int]) -> str:
    if not whys:
        return "0"
    parts = [f"{count} {why_words(why)}" for why, count in sorted(whys.items(), key=_most_first)]
    return f"{sum(whys.values())}: " + ", ".join(parts)


def _most_first(counted: tuple[str, int]) -> tuple[int, str]:
    return -counted[1], str(counted[0])


def _curve_rows(curve: KaplanMeier) -> list[CurveRow]:
    columns = (curve.ages, curve.at_risk, curve.failures, curve.survival, curve.low, curve.high)
    return [
        CurveRow(
            age=short_count(age),
            at_risk=str(int(at_risk)),
            failed=str(int(failed)),
            alive=share(alive),
            interval=_("%(low)s to %(high)s", low=share(low), high=share(high)),
        )
        for age, at_risk, failed, alive, low, high in zip(*columns, strict=True)
    ]


def _life_row(life: Life) -> LifeRow:
    says = {
        CountedAs.FAILURE: _("failed: %(why)s", why=why_words(life.why)),
        CountedAs.CENSORED: _("lived longer: %(why)s", why=why_words(life.why)),
        CountedAs.LEFT_OUT: _("left out: %(why)s", why=why_words(life.why)),
    }
    return LifeRow(
        life=life,
        entry=UNKNOWN if life.entry_strokes is None else short_count(life.entry_strokes),
        strokes=short_count(life.strokes),
        says=says[life.counted_as],
    )
