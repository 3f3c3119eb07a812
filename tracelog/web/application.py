"""The application: every room's pages and calls, behind one door.

How to add a page
-----------------
1. In the room's `views.py` make a blueprint and a view, and mark the view with the permission that
   it needs (a view without a mark answers nobody)::

       service = Blueprint("service", __name__)

       @service.get("/service")
       @permit("see")
       def service_page() -> str:
           return render_template("service/service.html", levels=levels(current_session(), now()))

   The permissions are the words of `tracelog.people.permissions`; `may("record service")` asks
   for one in a view or template.
2. Add ``"tracelog.service.views:service"`` to `BLUEPRINTS` below. The addresses ``/``, ``/log``,
   ``/trace``, ``/service`` and ``/trends`` appear in the navigation as soon as they exist; a
   machine has ``/machines/<line>/<station>/<number>``.
3. Everything shared comes from `tracelog.web.request`: `current_session()` (a read snapshot for
   GET, a writer else), `current_actor()` and `now()` for actions, `the_plant_now()`. Never
   commit: a request that answers with success is committed, any other is undone.
4. The template extends ``layout.html`` and fills the blocks `title` (also the one ``<h1>``;
   override `heading` to write it differently), `actions` (buttons beside the heading), `content`.
   Macros: ``macros/can.html`` (can_bottom, can_row), ``macros/tables.html`` (table, plain_table,
   paging), ``macros/forms.html`` (field, text_area, select, choices, check, error_summary, submit,
   token), ``macros/parts.html`` (caution, empty, rate, fact_list, notice), ``macros/figures.html``
   (sparkline, bars, interval). Filters: those of `tracelog.web.numbers`.
   No ``style=``, no ``on...=``, no inline script or style sheet: the browser would refuse them.
   In templates a per cent sign inside `_()` is written ``%%``.
   Its help is ``help/<the same name>``: what the page answers, its words, what to do.
5. A form: `posted([...])` keeps what was typed; make the fact with `Fact.read(...)`, call the
   action, and on `TracelogError` show the page again with ``form.with_problem(problem)`` and
   ``problem.status``; after success redirect with status 303.
6. Errors are raised, never rendered: `NotFound`, `NotAllowed`, `UnknownReference`... become a page
   or problem details by themselves. API blueprints have ``url_prefix="/api/v1"``.
"""

import importlib
from datetime import datetime
from typing import Any

from flask import Blueprint, Flask, g, get_flashed_messages, request
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from werkzeug.middleware.proxy_fix import ProxyFix
from werkzeug.wrappers import Response as AnyResponse

from tracelog import reference
from tracelog.config import Settings
from tracelog.db import make_engine
from tracelog.errors import NoPlant
from tracelog.instants import zone_named
from tracelog.intake.setup.without_plant import answer_no_plant
from tracelog.keeping.months import MonthKeeper
from tracelog.keeping.running import BackupKeeper
from tracelog.keeping.scheduled import failure
from tracelog.notices.queries import unread
from tracelog.notices.running import Notifier
from tracelog.paths import templates_folder
from tracelog.people.permissions import EVERY_PERMISSION, may_act
from tracelog.people.provider.views import furnish_provider
from tracelog.people.sessions import identify, keep_sessions
from tracelog.people.trail.queries import wrote_since
from tracelog.people.views import LOOK_COOKIE, LOOKS
from tracelog.plant.queries import PlantView, directory, the_plant
from tracelog.replica import replica_of
from tracelog.trace.offering import offered
from tracelog.trends.chart_language import chart_language
from tracelog.trends.signals.watching import Watcher
from tracelog.web import assets, figures, numbers
from tracelog.web import request as asked
from tracelog.web.access import keep_access_log, request_number
from tracelog.web.demo_state import is_demo
from tracelog.web.help_pages import furnish_help
from tracelog.web.navigation import beyond_the_bar, places
from tracelog.web.once import refuse_repeats
from tracelog.web.problems import register_problems
from tracelog.web.refusals import watch_requests
from tracelog.web.security import check_form, protect, read_cookie, trusted_hosts
from tracelog.web.speaking import furnish_language

# Every room's pages and calls: module and blueprint.
BLUEPRINTS: tuple[str, ...] = (
    "tracelog.web.assets:assets",
    "tracelog.web.health:health",
    "tracelog.web.health_page:health_pages",
    "tracelog.web.health_page:health_api",
    "tracelog.web.offline:offline",
    "tracelog.people.views:people",
    "tracelog.people.first_views:first_pages",
    "tracelog.people.session_views:session_pages",
    "tracelog.people.token_api:token_api",
    "tracelog.people.provider.views:provider_pages",
    "tracelog.people.trail.views:trail_pages",
    "tracelog.keeping.erasing.views:erasing_pages",
    "tracelog.keeping.erasing.api:erasing_api",
    "tracelog.people.trail.api:trail_api",
    "tracelog.people.language_views:languages",
    "tracelog.people.tablet_views:tablets",
    "tracelog.people.pin_views:pins",
    "tracelog.cases.views:pages",
    "tracelog.cases.listing.views:list_pages",
    "tracelog.cases.links.views:link_pages",
    "tracelog.defects.views:pages",
    "tracelog.defects.pad_views:pad_pages",
    "tracelog.defects.list_views:pages",
    "tracelog.defects.tablet.views:tablet_pages",
    "tracelog.defects.photos.views:photo_pages",
    "tracelog.floor.views:pages",
    "tracelog.floor.labels.views:label_pages",
    "tracelog.group.views:group_pages",
    "tracelog.group.api:group_api",
    "tracelog.handover.views:pages",
    "tracelog.handover.signing.views:signing_pages",
    "tracelog.handover.weekly.views:week_pages",
    "tracelog.intake.views:pages",
    "tracelog.intake.setup.views:setup_pages",
    "tracelog.intake.setup.machine_views:machine_pages",
    "tracelog.intake.setup.shift_views:shift_pages",
    "tracelog.intake.setup.level_views:level_pages",
    "tracelog.intake.setup.people_views:people_pages",
    "tracelog.intake.spreadsheets.views:spreadsheet_pages",
    "tracelog.intake.spreadsheets.row_views:row_pages",
    "tracelog.notices.views:notice_pages",
    "tracelog.notices.delivery_views:delivery_pages",
    "tracelog.plant.calendar_views:pages",
    "tracelog.plant.part_views:part_pages",
    "tracelog.service.views:pages",
    "tracelog.service.record_views:pages",
    "tracelog.service.plan_views:plan_pages",
    "tracelog.service.tool_views:pages",
    "tracelog.service.lives_views:lives_pages",
    "tracelog.strokes.reading_views:reading_pages",
    "tracelog.strokes.views:pages",
    "tracelog.trace.views:pages",
    "tracelog.trace.suspects.views:suspect_pages",
    "tracelog.trace.holds.views:hold_pages",
    "tracelog.trends.views:trends",
    "tracelog.trends.series.views:series",
    "tracelog.trends.pictures.views:pictures",
    "tracelog.trends.pictures.heat_views:heat",
    "tracelog.trends.pictures.year_views:years",
    "tracelog.trends.measured.views:measured_pages",
    "tracelog.trends.measured.gauge_views:gauge_pages",
    "tracelog.trends.signals.views:signal_pages",
    "tracelog.cases.signal_views:signal_pages",
    "tracelog.cases.complaints.views:complaint_pages",
    "tracelog.cases.sequence.views:sequence_pages",
    "tracelog.cases.domes.views:dome_pages",
    "tracelog.cases.api:cases_api",
    "tracelog.cases.complaints.api:complaints_api",
    "tracelog.cases.sequence.api:sequence_api",
    "tracelog.cases.domes.api:domes_api",
    "tracelog.cases.explain.api:explain_api",
    "tracelog.cases.explain.views:explain_pages",
    "tracelog.handover.api:handover_api",
    "tracelog.intake.api:intake_api",
    "tracelog.notices.api:notices_api",
    "tracelog.trends.api:trends_api",
    "tracelog.trends.measured.api:measured_api",
    "tracelog.trends.pictures.api:pictures_api",
    "tracelog.trends.signals.api:signals_api",
    "tracelog.floor.api:floor_api",
    "tracelog.trends.series.api:series_api",
    "tracelog.defects.api:defects_api",
    "tracelog.defects.photos.api:photos_api",
    "tracelog.plant.api:plant_api",
    "tracelog.plant.calendar_api:calendar_api",
    "tracelog.plant.part_api:part_api",
    "tracelog.service.api:service_api",
    "tracelog.service.tool_api:tool_api",
    "tracelog.service.lives_api:lives_api",
    "tracelog.service.plan_api:plan_api",
    "tracelog.strokes.api:strokes_api",
    "tracelog.trace.api:trace_api",
    "tracelog.trace.suspects.api:suspects_api",
    "tracelog.trace.holds.api:holds_api",
    "tracelog.wall.views:wall_pages",
    "tracelog.web.openapi:openapi",
)
# Rooms that say who may do what, or set up what is looked at again at once: their pages never read
# from a replica.
NEVER_STALE = ("tracelog.people.", "tracelog.intake.", "tracelog.web.")
LARGEST_REQUEST_BYTES = 16 * 1024 * 1024
LARGEST_FORM_BYTES = 1024 * 1024
MOST_FORM_FIELDS = 2000


class Application(Flask):
    """Flask, with the one place where the work of a request is committed."""

    # Brings signals up to date after it; None: whoever runs the application sees to that.
    watcher: Watcher | None = None

    def dispatch_request(self) -> AnyResponse:
        """Let the view answer, then keep or undo what it did.

        A commit that fails is an error like any other and gets its page.
        """
        try:
            response = self.make_response(super().dispatch_request())
        except DBAPIError as problem:
            # What reads can be asked again, and the primary knows as much as the replica.
            if not asked.leave_replica(problem):
                raise
            response = self.make_response(super().dispatch_request())
        asked.finish(response.status_code)
        if self.watcher is not None and not asked.is_reading() and response.status_code < 400:
            self.watcher.tell()
        return response


def create_application(
    settings: Settings, engine: Engine | None = None, proxies: int = 0, *, watched: bool = False
) -> Application:
    """Make the application.

    Args:
        settings: of this installation.
        engine: the database; None: made from the settings. Tests bring their own.
        proxies: how many proxies of ours stand before it and say where requests come from.
        watched: bring signals up to date in the background, now and after each write.
    """
    app = Application(
        "tracelog", template_folder=str(templates_folder()), static_folder=None, root_path=None
    )
    app.config.update(
        SECRET_KEY=settings.secret_key,
        SECRET_KEY_FALLBACKS=list(settings.older_keys),
        TRUSTED_HOSTS=trusted_hosts(settings.hosts),
        MAX_CONTENT_LENGTH=LARGEST_REQUEST_BYTES,
        MAX_FORM_MEMORY_SIZE=LARGEST_FORM_BYTES,
        MAX_FORM_PARTS=MOST_FORM_FIELDS,
    )
    app.json.sort_keys = False  # type: ignore[attr-defined]
    engine = engine or make_engine(settings.database_url)
    rooms = {place: _room(place) for place in BLUEPRINTS}
    if watched:
        notifier = Notifier(engine, settings)
        notifier.start()
        app.watcher = Watcher(engine, notifier.tell)
        app.watcher.tell()
        BackupKeeper(engine, settings).start()
        MonthKeeper(engine).start()
    asked.furnish(
        app,
        asked.House(
            engine=engine,
            settings=settings,
            identify=identify,
            may=may_act,
            read_plant=the_plant,
            read_lines=lambda session: directory(session).lines,
            offer_candidates=offered,
            replica=replica_of(settings.replica_url, settings.replica_lag, engine),
            never_stale={room.name for at, room in rooms.items() if at.startswith(NEVER_STALE)},
            wrote_lately=wrote_since,
        ),
    )
    keep_access_log(app, proxies)
    watch_requests(app)
    furnish_language(app, _own_language)
    keep_sessions(app)
    furnish_provider(app, settings)
    protect(app)
    app.before_request(_limit_form)
    app.before_request(asked.check_permission)
    app.before_request(check_form)
    app.before_request(refuse_repeats)
    app.after_request(asked.note_own_write)
    app.after_request(assets.compress)
    register_problems(app)
    app.register_error_handler(NoPlant, answer_no_plant)
    _furnish_templates(app)
    app.jinja_env.globals["has_group"] = bool(settings.group)
    furnish_help(app)
    for room in rooms.values():
        app.register_blueprint(room)
    _check_marks(app)
    if proxies:
        app.wsgi_app = ProxyFix(  # type: ignore[method-assign]
            app.wsgi_app, x_for=proxies, x_proto=proxies, x_host=proxies
        )
    return app


def _room(place: str) -> Blueprint:
    module, name = place.split(":")
    found: Blueprint = getattr(importlib.import_module(module), name)
    return found


def _limit_form() -> None:
    # The limit for form memory does not hold for this kind, which is read at once.
    if request.mimetype == "application/x-www-form-urlencoded":
        request.max_content_length = LARGEST_FORM_BYTES


def _check_marks(app: Flask) -> None:
    """Refuse to start with a permission that no role could ever have."""
    for endpoint, view in app.view_functions.items():
        wanted = asked.permission_of(view)
        if wanted not in EVERY_PERMISSION | {asked.PUBLIC}:
            raise ValueError(f"{endpoint} is marked {wanted!r}, which is not a permission")


def _furnish_templates(app: Flask) -> None:
    environment = app.jinja_env
    environment.trim_blocks = environment.lstrip_blocks = True
    environment.globals.update(
        asset_url=assets.asset_url,
        modules_of=assets.modules_of,
        bars_figure=figures.bars,
        can_figure=figures.can_figure,
        can_words=figures.can_words,
        chart_language=chart_language,
        caution_for=reference.caution,
        interval_figure=figures.interval,
        is_demo=is_demo,
        line_figure=figures.sparkline,
        may=asked.may,
        unread_notices=_unread,
        request_number=request_number,
        backup_trouble=lambda: _backup_trouble(app),
        messages=lambda: [] if asked.is_by_itself() else get_flashed_messages(),
    )
    environment.filters.update(numbers.PLAIN)
    for name, write in numbers.IN_ZONE.items():
        environment.filters[name] = _in_plant_zone(write)
    environment.filters["ago"] = lambda moment: numbers.ago(moment, asked.now())
    app.context_processor(lambda: _shown_everywhere(app))


def _in_plant_zone(write: Any) -> Any:
    def written(moment: datetime | None) -> Any:
        plant = _plant()
        return write(moment, plant.zone if plant else zone_named("UTC"))

    return written


def _plant() -> PlantView | None:
    """The plant, None where there is none or it cannot be read just now."""
    # Asked for each instant of a page: what was found is looked for first.
    found: PlantView | None = g.get("tracelog_plant")
    if found is not None or g.get("tracelog_without_database"):
        return found
    try:
        return asked.the_plant_now()
    except (NoPlant, SQLAlchemyError):
        return None


def _visitor() -> asked.Visitor | None:
    if g.get("tracelog_without_database"):
        found: asked.Visitor | None = g.setdefault("tracelog_visitor", None)
        return found
    try:
        return asked.current_visitor()
    except (asked.NotSignedIn, SQLAlchemyError):
        return None


def _own_language() -> str | None:
    """The setting of the person who has signed in; programs are answered as they ask."""
    visitor = _visitor()
    return None if visitor is None or visitor.by_token else visitor.language


def _unread() -> int:
    """How many notices the visitor has not read."""
    visitor = _visitor()
    if visitor is None or visitor.actor.account_id is None or g.get("tracelog_without_database"):
        return 0
    try:
        return unread(asked.current_session(), visitor.actor.account_id)
    except SQLAlchemyError:
        return 0


def _backup_trouble(app: Flask) -> bool:
    """Whether somebody who can mend it is to be told that the scheduled backup failed."""
    data_dir = app.extensions["tracelog"].settings.data_dir
    return bool(asked.may("see health")) and failure(data_dir) is not None


def _shown_everywhere(app: Flask) -> dict[str, Any]:
    """What the layout shows around every page."""
    visitor = _visitor()
    plant = _plant() if visitor is not None else None
    rooms = places(app) if visitor is not None else []
    look = read_cookie(LOOK_COOKIE) or "auto"
    return {
        "visitor": visitor,
        "plant": plant,
        "shift_now": plant.shift_at(asked.now()) if plant else None,
        "present": asked.now(),
        "places": rooms,
        "more_places": beyond_the_bar(rooms),
        "look": look if look in LOOKS else "auto",
        "here": request.full_path.rstrip("?"),
    }
