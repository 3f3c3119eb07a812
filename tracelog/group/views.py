"""The page of a group: how its plants stand, rates by plant, and the signals of all."""

from urllib.parse import urlencode

from flask import Blueprint, Response, render_template, request

from tracelog.errors import NotFound
from tracelog.group.answers import overview_sheet, rates_sheet, signals_sheet
from tracelog.group.asking import ask, group_of, plants_asked
from tracelog.group.queries import plant_now, plant_rate, signals_now, together
from tracelog.group.questions import MOST_DEFECTS, Period, read_period
from tracelog.language import _, in_words
from tracelog.web.downloads import demand_kind, sheet_file
from tracelog.web.forms import Form
from tracelog.web.parameters import Parameters
from tracelog.web.request import house, now, permit
from tracelog.web.sheets import Sheet

group_pages = Blueprint("group", __name__)


@group_pages.get("/group")
@permit("see group")
def group_page() -> str:
    """All plants of the group, or one."""
    name, defects, period = _asked()
    every = group_of(house().settings)
    if not every:
        return render_template("group/group.html", every=())
    told = ask(plants_asked(house().settings, name), plant_now(now()))
    # A plant that has just not answered is not waited for once more.
    there = [one.plant for one in told if one.answer is not None]
    rates = ask(there, plant_rate(defects, period.start, period.end, now()))
    known = [one.answer for one in told if one.answer is not None]
    titles = {key: in_words(title) for one in known for key, title in one.defects}
    return render_template(
        "group/group.html",
        every=every,
        form=Form({one: request.args.get(one, "") for one in ("plant", "defect", "from", "to")}),
        plants_offered=[one.name for one in every],
        chosen=name,
        told=told,
        rates={one.plant.name: one for one in rates},
        together=together(rates),
        most=max((one.answer.high or 0.0 for one in rates if one.answer), default=0.0),
        kinds=sorted(titles.items(), key=lambda kind: kind[1]),
        titles=titles,
        kind_title=", ".join(titles.get(one, one) for one in defects),
        period=period,
        signals=[
            (one.plant.name, one.plant.zone, signal) for one in known for signal in one.signals
        ],
        query=urlencode(list(request.args.items(multi=True))),
    )


@group_pages.get("/group/<table>.<kind>")
@permit("see group")
def group_file(table: str, kind: str) -> Response:
    """A table of the page as CSV or XLSX: overview, rates or signals."""
    demand_kind(kind)
    name, defects, period = _asked()
    return sheet_file(_sheet(table, name, defects, period), f"group-{table}", kind)


def _sheet(table: str, name: str | None, defects: tuple[str, ...], period: Period) -> Sheet:
    plants = plants_asked(house().settings, name)
    if table == "overview":
        return overview_sheet(ask(plants, plant_now(now())))
    if table == "rates":
        return rates_sheet(ask(plants, plant_rate(defects, period.start, period.end, now())))
    if table == "signals":
        return signals_sheet(ask(plants, signals_now))
    raise NotFound(_("there is no such table; there are overview, rates and signals"))


def _asked() -> tuple[str | None, tuple[str, ...], Period]:
    asked = Parameters(("plant", "from", "to"), ("defect",))
    name, defects = asked.text("plant"), asked.texts("defect")[:MOST_DEFECTS]
    period = read_period(asked.text("from"), asked.text("to"), now(), asked.tell)
    asked.finish()
    return name, defects, period
