"""The pages of the heat map: its cells, the entries of one cell, and its files."""

from dataclasses import replace
from typing import Any

from flask import Blueprint, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import NotFound
from tracelog.language import _, in_words
from tracelog.trends.pictures.heat import heat_of
from tracelog.trends.pictures.heat_page import address_of_cell, heat_page, heat_query
from tracelog.trends.pictures.questions import HeatQuestion, funnel_query, heat_pairs, read_heat
from tracelog.trends.pictures.tables import heat_sheet
from tracelog.trends.pictures.views import desk, no_such_file, page_of, period_fields
from tracelog.web.downloads import sheet_file
from tracelog.web.request import permit

heat = Blueprint("heat", __name__)


@heat.get("/trends/heat")
@permit("see")
def heat_view() -> tuple[str, int]:
    """Machine by day, or by kind of defect: where more was found than strokes lead to expect."""
    at = desk()

    def build(asked: HeatQuestion) -> dict[str, Any]:
        names = {kind.defect: in_words(kind.title) for kind in at.kinds}
        answer = heat_of(at.session, asked, at.plant, at.places)
        rates = asked.rates
        filled = {
            "columns": str(asked.columns),
            "against": str(asked.against),
            **period_fields(at, rates.start, rates.end),
        }
        return {
            "page": heat_page(answer, at.plant.zone, names),
            "pairs": heat_pairs(asked, at.plant.zone),
            "chart_query": funnel_query(replace(rates, machine=None), at.plant.zone, with_by=False),
            "query": heat_query(asked, at.plant.zone),
            "scope": at.scope(rates.line, rates.machine.text if rates.machine else None),
            "defect": at.defect_names(rates.defects),
            "filled": filled,
        }

    return page_of(at, "trends/pictures/heat.html", read_heat, build)


@heat.get("/trends/heat/cell")
@permit("see")
def heat_cell() -> AnyResponse:
    """From a cell to the entries that it counts; without a cell back to the map."""
    at = desk()
    [place] = at.values.pop("c", [""])[-1:]
    if not place:
        return redirect("/trends/heat", 303)
    asked = read_heat(at.values, at.known)
    try:
        address = address_of_cell(asked, place, at.plant, at.places)
    except ValueError:
        raise NotFound(_("there is no such cell in this heat map")) from None
    return redirect(address, 303)


@heat.get("/trends/heat.<kind>")
@permit("see")
def heat_file(kind: str) -> Response:
    """The cells of the heat map as CSV or XLSX."""
    if kind not in ("csv", "xlsx"):
        raise no_such_file("csv, xlsx")
    at = desk()
    asked = read_heat(request.args.to_dict(flat=False), at.known)
    answer = heat_of(at.session, asked, at.plant, at.places)
    name = f"heat-{asked.rates.start:%Y-%m-%d}-{asked.rates.end:%Y-%m-%d}"
    return sheet_file(heat_sheet(answer, at.plant.zone), name, kind)
