"""The list of entries: those of a machine, a kind of defect and a period, page by page."""

from urllib.parse import urlencode

from flask import Blueprint, render_template, request

from tracelog.defects.listing import read_filter
from tracelog.defects.queries import EntryKind, entries, vocabulary
from tracelog.errors import Fault, TracelogError
from tracelog.language import _, in_words
from tracelog.plant.queries import directory
from tracelog.web.forms import asked
from tracelog.web.parameters import Parameters, WrongParameters
from tracelog.web.request import current_session, permit, the_plant_now

pages = Blueprint("entries", __name__)

FILTERS = ("line", "from", "to", "kind", "found_at", "coil", "pallet", "unsettled", "as_of")
SEVERAL = ("machine", "defect")
ROWS = 100


@pages.get("/log/entries")
@permit("see")
def entries_page() -> tuple[str, int]:
    """Entries as they stand, the latest first; withdrawn ones are left out."""
    session, zone = current_session(), the_plant_now().zone
    places, kinds = directory(session), vocabulary(session)
    form, page = asked((*FILTERS, *SEVERAL, "cursor")), None
    try:
        given = Parameters((*FILTERS, "cursor"), SEVERAL)
        wanted = read_filter(given, places, kinds, zone)
        cursor = given.text("cursor")
        given.finish()
        page = entries(session, wanted, ROWS, cursor)
    except TracelogError as problem:
        form = form.with_problem(_at_cursor(problem))
    later, titles = None, {kind.defect: in_words(kind.title) for kind in kinds}
    if page is not None and page.next_after is not None:
        pairs = [pair for pair in request.args.items(multi=True) if pair[0] != "cursor"]
        later = "/log/entries?" + urlencode([*pairs, ("cursor", page.next_after)])
    shown = render_template(
        "defects/entries.html",
        form=form,
        page=page,
        further=later,
        several_titles=[titles.get(one, one) for one in request.args.getlist("defect")],
        lines=[(str(line), name) for line, name in places.line_names.items()],
        machines=[machine.text for machine in places.bodymakers],
        kinds=[(kind.defect, kind.title) for kind in kinds],
        found_in=[
            (EntryKind.PRODUCTION.value, _("running production")),
            (EntryKind.SAMPLE.value, _("inspected samples")),
        ],
    )
    return shown, 400 if form.is_faulty else 200


def _at_cursor(problem: TracelogError) -> TracelogError:
    if problem.field != "after":
        return problem
    return WrongParameters((Fault("cursor", problem.sentence),))
