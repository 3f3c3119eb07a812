"""The page of year against year, and its files."""

from typing import Any

from flask import Blueprint, Response

from tracelog.trends.pictures.drawing import notes_as_sentences
from tracelog.trends.pictures.questions import YearQuestion, read_years, year_query
from tracelog.trends.pictures.tables import years_sheet
from tracelog.trends.pictures.views import desk, no_such_file, page_of
from tracelog.trends.pictures.years import change_words, years_of
from tracelog.trends.pictures.years_page import period_name, years_figure
from tracelog.web.downloads import sheet_file
from tracelog.web.request import permit

years = Blueprint("years", __name__)


@years.get("/trends/years")
@permit("see")
def years_view() -> tuple[str, int]:
    """Months or weeks of a year beside the same of the year before."""
    at = desk()

    def build(asked: YearQuestion) -> dict[str, Any]:
        answer = years_of(at.session, asked, at.plant, at.places)
        return {
            "page": answer,
            "figure": years_figure(answer),
            "notes": notes_as_sentences(answer.notes),
            "change_words": change_words,
            "period_name": period_name,
            "scope": at.scope(asked.line, asked.machine.text if asked.machine else None),
            "defect": at.defect_names(asked.defects),
            "query": year_query(asked),
            "filled": {"year": str(asked.year), "step": str(asked.step)},
        }

    return page_of(at, "trends/pictures/years.html", read_years, build)


@years.get("/trends/years.<kind>")
@permit("see")
def years_file(kind: str) -> Response:
    """Both years as CSV or XLSX."""
    if kind not in ("csv", "xlsx"):
        raise no_such_file("csv, xlsx")
    at = desk()
    asked = read_years(at.values, at.known)
    answer = years_of(at.session, asked, at.plant, at.places)
    name = f"years-{asked.year - 1}-{asked.year}"
    return sheet_file(years_sheet(answer, at.plant.zone), name, kind)
