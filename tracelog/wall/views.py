"""Pages of the wall: a screen's own page, its news, and the page that makes and ends screens.

A screen asks for news; it is answered at once with what there is, and comes back after a few
seconds. The form of the answer is that of server-sent events, which the browser reads, keeps
asking for, and takes up again after a break by itself. An answer that stays open would hold one of
the few threads of the server for each screen, and some proxies would keep it back; one that ends
at once holds none, and a screen is late by seconds at most.
"""

import logging
import uuid
from typing import Any

from flask import Blueprint, Response, flash, json, redirect, render_template, request, url_for
from sqlalchemy.exc import SQLAlchemyError
from werkzeug.wrappers import Response as AnyResponse

from tracelog.db import writing
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.people.expiring import end_of
from tracelog.people.secrets import token_hash
from tracelog.wall.actions import NOTE_SEEN_EVERY, make_screen, note_seen, revoke_screen
from tracelog.wall.queries import ScreenView, mark, screen_with, screens, wall
from tracelog.wall.rules import COME_BACK, STALE_AFTER
from tracelog.web.assets import digest
from tracelog.web.forms import Form, posted
from tracelog.web.numbers import clock
from tracelog.web.qr_codes import qr_code
from tracelog.web.request import (
    current_actor,
    current_session,
    house,
    now,
    permit,
    public,
    the_lines_now,
    the_plant_now,
    who_session,
)

wall_pages = Blueprint("wall", __name__)
log = logging.getLogger(__name__)
LOOKS = ("light", "dark")
_SECONDS_TO_MILLISECONDS = 1000
# A screen does not wait behind an import only to note that it was looked at.
_NOTE_WAIT_MS = 250


@wall_pages.after_request
def keep_address_secret(response: Response) -> Response:
    """The address of a screen is its key: no other page is told where somebody came from."""
    response.headers["Referrer-Policy"] = "no-referrer"
    return response


def _screen(token: str) -> ScreenView | None:
    found = screen_with(who_session(), token_hash(token))
    return found if found is not None and found.is_good_at(now()) else None


def _gone() -> Response:
    return Response(render_template("wall/gone.html"), 404, content_type="text/html; charset=utf-8")


def _news() -> dict[str, Any]:
    """What a screen is told: what its content is known by, the version, the plant's clock."""
    return {
        "mark": mark(current_session(), now()),
        "version": digest(),
        "clock": clock(now(), the_plant_now().zone),
    }


@wall_pages.get("/wall/<token>")
@public
def board(token: str) -> str | Response:
    """The screen: a line, or the plant; whoever has the address sees it, and nothing else."""
    screen = _screen(token)
    if screen is None:
        return _gone()
    plant = the_plant_now()
    found = wall(current_session(), plant, screen.line_id, now())
    _note_seen(screen)
    asked = request.args.get("look")
    return render_template(
        "wall/wall.html",
        wall=found,
        screen=screen,
        plant_name=plant.name,
        news=_news(),
        events=url_for("wall.events", token=token),
        state=url_for("wall.state", token=token),
        stale_seconds=int(STALE_AFTER.total_seconds()),
        wall_look=asked if asked in LOOKS else "auto",
    )


def _note_seen(screen: ScreenView) -> None:
    last = screen.last_seen_at
    if last is not None and now() - last < NOTE_SEEN_EVERY:
        return
    try:
        with writing(house().engine, wait_ms=_NOTE_WAIT_MS) as own:
            note_seen(own, screen.id, now())
    except SQLAlchemyError:
        # The screen goes on when the database is too busy for a remark.
        log.warning("that screen %s was looked at could not be noted", screen.name)


@wall_pages.get("/wall/<token>/events")
@public
def events(token: str) -> Response:
    """The news as one server-sent event, answered at once; the browser comes back by itself."""
    if _screen(token) is None:
        return _gone()
    news = _news()
    wait = int(COME_BACK.total_seconds() * _SECONDS_TO_MILLISECONDS)
    text = f"retry: {wait}\nid: {news['mark']}\nevent: news\ndata: {json.dumps(news)}\n\n"
    return Response(text, content_type="text/event-stream; charset=utf-8")


@wall_pages.get("/wall/<token>/state")
@public
def state(token: str) -> Response:
    """The same news as JSON, for where events do not come through."""
    if _screen(token) is None:
        return _gone()
    return Response(json.dumps(_news()), content_type="application/json")


@wall_pages.get("/screens")
@permit("make screen")
def all_screens() -> str:
    """All screens, and a form for a new one."""
    return _page(Form())


def _page(form: Form, token: str = "") -> str:
    numbers = {line_id: number for number, line_id in the_lines_now().items()}
    address = url_for("wall.board", token=token, _external=True) if token else ""
    return render_template(
        "wall/screens.html",
        screens=screens(current_session()),
        numbers=numbers,
        lines=[(str(number), _("Line %(line)d", line=number)) for number in numbers.values()],
        form=form,
        address=address,
        code=qr_code(address) if address else "",
        moment=now(),
    )


@wall_pages.post("/screens")
@permit("make screen")
def add_screen() -> str | tuple[str, int]:
    """Make a screen and show its address, this once."""
    form = posted(["name", "line", "expires_on"])
    try:
        token = make_screen(
            current_session(),
            form.value("name"),
            _line(form.value("line")),
            end_of(form.value("expires_on")),
            current_actor(),
            now(),
        )
    except TracelogError as problem:
        return _page(form.with_problem(problem)), problem.status
    return _page(Form(), token)


def _line(text: str) -> uuid.UUID | None:
    if not text:
        return None
    found = next((own for line, own in the_lines_now().items() if str(line) == text), None)
    if found is None:
        raise TracelogError(_("'%(text)s' is not a line of this plant", text=text[:20]), "line")
    return found


@wall_pages.post("/screens/<uuid:screen_id>/revoke")
@permit("make screen")
def revoke(screen_id: uuid.UUID) -> AnyResponse:
    """End a screen."""
    revoke_screen(current_session(), screen_id, current_actor(), now())
    flash(_("The screen is revoked; its address shows nothing any more."))
    return redirect(url_for("wall.all_screens"), 303)
