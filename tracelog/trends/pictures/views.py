"""The pages of the funnel, the heat map and year against year, and their files."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from flask import Blueprint, Response, json, render_template, request
from sqlalchemy.orm import Session

from tracelog.defects.queries import DefectView
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _, in_words
from tracelog.plant.queries import Directory, PlantView, directory
from tracelog.trends.page import choices, day_or_moment, page_known
from tracelog.trends.pictures.answers import funnel_drawn
from tracelog.trends.pictures.drawing import funnel_figure, notes_as_sentences
from tracelog.trends.pictures.funnel import funnel_of, place_words
from tracelog.trends.pictures.questions import Values, funnel_query, read_funnel
from tracelog.trends.pictures.tables import funnel_sheet
from tracelog.trends.questions import Known, RateQuestion
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import Form
from tracelog.web.request import current_session, now, permit, the_plant_now

pictures = Blueprint("pictures", __name__)
Asked = TypeVar("Asked")


@dataclass(frozen=True)
class Desk:
    """What every page here begins with: the session, the plant, its places and its words."""

    session: Session
    plant: PlantView
    places: Directory
    known: Known
    kinds: list[DefectView]
    values: dict[str, list[str]]

    def shown(self, **filled: str) -> Form:
        """The form as it was sent, with the choices that were taken as usual filled in."""
        given = {name: one[-1].strip() for name, one in self.values.items() if one}
        return Form(given | filled)

    def defect_names(self, defects: tuple[str, ...]) -> str:
        """The chosen kinds of defect for people."""
        names = {kind.defect: in_words(kind.title) for kind in self.kinds}
        return ", ".join(names.get(one, one) for one in defects) or _("All kinds of defect")

    def scope(self, line: int | None, machine: str | None) -> str:
        """The chosen machine, line or plant for people."""
        if machine is not None:
            return _("machine %(machine)s", machine=machine)
        return self.places.line_names[line] if line is not None else self.plant.name


def desk() -> Desk:
    """What a request begins with."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known, kinds = page_known(session, plant, places, now())
    values = request.args.to_dict(flat=False)
    return Desk(session, plant, places, known, kinds, values)


def page_of(
    at: Desk,
    template: str,
    read: Callable[[Values, Known], Asked],
    build: Callable[[Asked], dict[str, Any]],
    values: Values | None = None,
) -> tuple[str, int]:
    """A page for its choices; what is wrong with them is told at their fields."""
    form, more, status = at.shown(), {}, 200
    try:
        more = build(read(at.values if values is None else values, at.known))
        form = at.shown(**more.pop("filled"))
    except TracelogError as problem:
        form, more, status = form.with_problem(problem), {}, 400
    offered = choices(at.plant, at.places, at.kinds)
    shown = render_template(template, form=form, offered=offered, **{"page": None} | more)
    return shown, status


def no_such_file(kinds: str) -> NotFound:
    """The answer to a file that is not made here."""
    return NotFound(_("there is no such file; there are %(kinds)s", kinds=kinds))


def period_fields(at: Desk, start: datetime, end: datetime) -> dict[str, str]:
    """The edges of a period as their fields take them."""
    zone = at.plant.zone
    return {"from": day_or_moment(start, zone), "to": day_or_moment(end, zone, ends=True)}


@pictures.get("/trends/funnel")
@permit("see")
def funnel_view() -> tuple[str, int]:
    """Every machine's rate against its strokes, with limits from the plant's own spread."""
    at = desk()
    explored = at.values.pop("explore", [""])[-1] == "yes"

    def build(asked: RateQuestion) -> dict[str, Any]:
        answer = funnel_of(at.session, asked, at.plant, at.places)
        return {
            "page": answer,
            "figure": funnel_figure(answer),
            "notes": notes_as_sentences(answer.notes),
            "place_words": place_words,
            "scope": at.scope(asked.line, None),
            "defect": at.defect_names(asked.defects),
            "query": funnel_query(asked, at.plant.zone),
            "query_without_by": funnel_query(asked, at.plant.zone, with_by=False),
            "explored": explored,
            "filled": {"by": str(asked.by), **period_fields(at, asked.start, asked.end)},
        }

    return page_of(at, "trends/pictures/funnel.html", read_funnel, build)


@pictures.get("/trends/funnel.<kind>")
@permit("see")
def funnel_file(kind: str) -> Response:
    """The figures of the funnel as CSV, XLSX, or JSON for the chart library."""
    if kind not in ("csv", "xlsx", "json"):
        raise no_such_file("csv, xlsx, json")
    at = desk()
    asked = read_funnel(at.values, at.known)
    answer = funnel_of(at.session, asked, at.plant, at.places)
    if kind == "json":
        return Response(json.dumps(funnel_drawn(answer)), content_type="application/json")
    name = f"funnel-{asked.start:%Y-%m-%d}-{asked.end:%Y-%m-%d}"
    return sheet_file(funnel_sheet(answer, at.plant.zone), name, kind)
