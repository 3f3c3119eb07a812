"""Rates as the Trends page shows them: a figure beside a table, and shifts and crews compared."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from tracelog.language import _, figure, in_words
from tracelog.plant.queries import Directory, MachineView, PlantView
from tracelog.trends.answers import RateRow, Rates
from tracelog.trends.drawing import RatePlace, WhiskerFigure, interval_words, scale_text, whiskers
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rates import rates_from
from tracelog.trends.rules import By
from tracelog.trends.shares.evidence import attributed_evidence, collapsed
from tracelog.trends.shares.naming import by_name
from tracelog.trends.wording import as_sentence

# Nobody reads more rows on a screen; the files hold all of them.
MOST_SHOWN = 50


@dataclass(frozen=True)
class ShownRates:
    """Rates with the rows that the page shows: of a long list those with the most exposure.

    `columns` are the headings of what the rows are told apart by.
    """

    rates: Rates
    rows: tuple[RateRow, ...]
    figure: WhiskerFigure
    heading: str
    columns: tuple[str, ...]
    notes: tuple[str, ...]


def shown_rates(rates: Rates, chosen: MachineView | None = None) -> ShownRates:
    """Rates as a figure and a table.

    Args:
        rates: the answer.
        chosen: the machine that is marked among the others.
    """
    told_apart = rates.question.told_apart
    rows = most_known(rates.rows)
    names = [by_name(by) for by in told_apart]
    notes = [as_sentence(note) for note in rates.notes]
    if len(rows) < len(rates.rows):
        notes.append(
            _(
                "Shown are the %(shown)d of %(all)d rows with the most behind them; the files hold"
                " all.",
                shown=len(rows),
                all=len(rates.rows),
            )
        )
    if rates.alike:
        notes.append(_("These figures show no difference between the rows beyond chance."))
    places = [_place(row, chosen) for row in rows]
    return ShownRates(
        rates,
        rows,
        whiskers(places, rates.together.per_million),
        _heading(told_apart),
        tuple(name[0].upper() + name[1:] for name in names),
        tuple(notes),
    )


def most_known(rows: Sequence[RateRow]) -> tuple[RateRow, ...]:
    """Of a long list the rows with the most exposure, then the most found, in their own order."""
    weighed = sorted(range(len(rows)), key=lambda at: (-rows[at].exposure, -rows[at].counted, at))
    return tuple(rows[at] for at in sorted(weighed[:MOST_SHOWN]))


def _heading(told_apart: Sequence[By]) -> str:
    if told_apart == (By.MACHINE,):
        return _("Machines beside each other")
    first, *more = (by_name(by) for by in told_apart)
    if more:
        return _("Rates by %(first)s and %(second)s", first=first, second=more[0])
    return _("Rates by %(first)s", first=first)


def shifts_and_crews(
    session: Session, question: RateQuestion, plant: PlantView, places: Directory
) -> tuple[ShownRates, ...]:
    """Shifts beside each other, and crews where the plant has a rota of them; read once.

    Args:
        session: an open session.
        question: period, scope and evidence; what it tells apart does not matter.
        plant, places: as read.

    Returns:
        Nothing for a plant without shifts.
    """
    if not plant.rota.shifts:
        return ()
    told = [By.SHIFT, By.CREW] if plant.rota.crews else [By.SHIFT]
    asked = replace(question, by=told[0], across=told[1] if told[1:] else None, bucket=None)
    evidence = attributed_evidence(session, plant, places, asked)
    shown = []
    for place, by in enumerate(told):
        one = replace(asked, by=by, across=None)
        answer = rates_from(collapsed(evidence, place), one, plant, places)
        # What to know of both stands once above them.
        shown.append(replace(shown_rates(replace(answer, notes=())), heading=_beside(by)))
    return tuple(shown)


def _beside(by: By) -> str:
    return _("Shifts beside each other") if by is By.SHIFT else _("Crews beside each other")


def _place(row: RateRow, chosen: MachineView | None) -> RatePlace:
    if row.per_million is None:
        text = f"{row.name}: {row.note}"
    else:
        text = _(
            "%(name)s: %(rate)s per million, %(interval)s; %(count)d in %(exposure)s",
            name=in_words(row.name),
            rate=scale_text(round(row.per_million, 3)),
            interval=interval_words(row.low, row.high),
            count=row.counted,
            exposure=figure(row.exposure, ","),
        )
    is_chosen = chosen is not None and row.machine == chosen.text
    return RatePlace(row.name, row.per_million, row.low, row.high, row.shrunk, text, is_chosen)
