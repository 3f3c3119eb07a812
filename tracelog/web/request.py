"""What every page and every call of the API shares while it is answered.

One session per request: a read snapshot for GET and HEAD, a writer for everything else; where a
replica is read from, one more, of the primary, for who asks. One place that commits (`finish`),
one instant that is now (`now`), one visitor (`current_actor`), and one mark on each view that says
who may see it (`permit`, `public`).
"""

import uuid
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, TypeVar

from flask import Flask, Response, current_app, g, request
from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.orm import Session

from tracelog import instants
from tracelog.audit import Actor
from tracelog.config import Settings
from tracelog.db import SNAPSHOT, is_out_of_reach
from tracelog.errors import NotAllowed, TracelogError
from tracelog.language import _
from tracelog.replica import Replica, ReplicaState, position_after
from tracelog.web.memory import Memory
from tracelog.web.pieces import Pieces
from tracelog.web.refusals import Refusal, tell_refusal

if TYPE_CHECKING:
    from tracelog.plant.queries import PlantView

View = TypeVar("View", bound=Callable[..., Any])
READING_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
# The mark of a view that answers anybody.
PUBLIC = "anybody"
_MARK = "tracelog_permission"
_EXTENSION = "tracelog"
# Where the database's log stood after the visitor's last write; see `tracelog.replica`.
WROTE_COOKIE = "tracelog_wrote"
# A replica that is asked is behind by its longest lag at most, and a look at it is a moment old:
# after so many seconds more it has every write.
_WRITE_MATTERS_BESIDE_LAG_S = 30
# Somebody stands there: whoever holds the database longer than this, such as an import, is not
# waited for; the tablet's queue, or the person, comes again.
WRITE_WAIT_MS = 10_000


class NotSignedIn(TracelogError):
    """Nobody has signed in, or the token is not known."""

    status = 401


@dataclass(frozen=True)
class Visitor:
    """Who asks: a person with a session or a program with a token.

    `language` is the person's own setting, one of `tracelog.locales.LANGUAGES`, or None.
    """

    actor: Actor
    display_name: str
    by_token: bool
    language: str | None = None


@dataclass(frozen=True)
class House:
    """What the application hands down to requests, so that no room needs to know another.

    Attributes:
        engine: the database.
        settings: of this installation.
        identify: finds out who asks; None: nobody known.
        may: whether somebody may do what a permission names.
        read_plant: reads the plant of the database.
        read_lines: reads the ids of its lines by their numbers.
        offer_candidates: finds the machines that a code may mean, likeliest first.
        replica: where reading requests may read instead; None: there is none.
        never_stale: the blueprints whose pages read the primary all the same.
        wrote_lately: whether a program wrote something since an instant.
        memory: what this process remembers.
        pieces: of pages that it has made.
    """

    engine: Engine
    settings: Settings
    identify: Callable[[], Visitor | None]
    may: Callable[[Actor, str], bool]
    read_plant: Callable[[Session], "PlantView"]
    read_lines: Callable[[Session], Mapping[int, uuid.UUID]] = lambda _session: {}
    offer_candidates: Callable[..., Sequence[Any]] = lambda *_code, **_known: ()
    replica: Replica | None = None
    never_stale: Collection[str] = frozenset()
    wrote_lately: Callable[[Session, Actor, datetime], bool] = lambda *_asked: False
    memory: Memory = field(default_factory=Memory)
    pieces: Pieces = field(default_factory=Pieces)


def furnish(app: Flask, house: House) -> None:
    """Give an application what its requests need, and close each request's session at its end."""
    app.extensions[_EXTENSION] = house
    app.teardown_appcontext(lambda _problem: _close())


def house() -> House:
    """What this application was furnished with."""
    found: House = current_app.extensions[_EXTENSION]
    return found


def is_reading() -> bool:
    """Whether this request can change nothing."""
    return request.method in READING_METHODS


def is_api() -> bool:
    """Whether a program asks: answers are JSON, errors are problem details."""
    return request.path.startswith("/api/")


def is_by_itself() -> bool:
    """Whether a page or worker of ours asks by itself, without anybody having done something.

    Such a request keeps no session alive, and takes away no message that somebody should read.
    """
    return "Tracelog-By-Itself" in request.headers


def current_session() -> Session:
    """The session of this request, opened when first asked for.

    Reading requests see one snapshot and what they write is thrown away; the others write, one
    at a time on SQLite, and are committed when they answer with success. A reading request may be
    of a replica, if there is one and who asks has written nothing that it does not have yet.
    """
    if "tracelog_session" not in g:
        connection = _of_replica()
        if connection is None:
            g.tracelog_session = who_session()
        else:
            g.tracelog_by_replica = True
            g.tracelog_session = _session_on(connection)
    session: Session = g.tracelog_session
    return session


def who_session() -> Session:
    """The session to find out who asks: as `current_session`, and never of a replica.

    For whatever must not be a moment old: accounts, sessions, tokens, tablets, PINs.
    """
    if "tracelog_who_session" not in g:
        g.tracelog_who_session = _session_on(house().engine.connect())
    session: Session = g.tracelog_who_session
    return session


def _session_on(connection: Connection) -> Session:
    g.setdefault("tracelog_connections", []).append(connection)
    if not is_reading():
        connection = connection.execution_options(
            tracelog_writes=True, tracelog_wait_ms=WRITE_WAIT_MS
        )
    elif connection.dialect.name == "postgresql":
        connection = connection.execution_options(
            isolation_level="REPEATABLE READ", postgresql_readonly=True
        )
    session = Session(bind=connection, autoflush=False, info=SNAPSHOT if is_reading() else None)
    g.setdefault("tracelog_sessions", []).append(session)
    return session


def _of_replica() -> Connection | None:
    """A connection to the replica, if this request may read there."""
    replica = house().replica
    if replica is None or not is_reading() or g.get("tracelog_not_by_replica"):
        return None
    if request.blueprint in house().never_stale:
        return None
    visitor = current_visitor()
    if visitor is not None and visitor.by_token:
        # A program keeps no cookie; the audit trail says whether it wrote something.
        since = now() - timedelta(seconds=_WRITE_MATTERS_BESIDE_LAG_S + replica.longest_lag_s)
        if house().wrote_lately(who_session(), visitor.actor, since):
            return None
    return replica.connect(_own_write())


def _own_write() -> int | None:
    # It is the visitor's own and not signed: a wrong one makes them read the primary, no more.
    told = request.cookies.get(WROTE_COOKIE, "")
    return int(told) if told.isascii() and told.isdigit() and len(told) < 20 else None


def replica_state() -> ReplicaState | None:
    """How the replica does, as this process sees it; None: there is none."""
    replica = house().replica
    return None if replica is None else replica.state()


def is_by_replica() -> bool:
    """Whether this request has read from the replica."""
    return bool(g.get("tracelog_by_replica"))


def leave_replica(problem: DBAPIError) -> bool:
    """After the replica failed: let this request be answered anew, by the primary.

    Returns:
        Whether it had read from the replica at all.
    """
    replica = house().replica
    if replica is None or not is_by_replica():
        return False
    # A copy that had to choose between replaying and answering is still good for the next.
    if is_out_of_reach(problem) and getattr(problem.orig, "sqlstate", None) != "40001":
        replica.failed(problem)
    g.tracelog_by_replica, g.tracelog_not_by_replica = False, True
    g.pop("tracelog_session")
    g.pop("tracelog_plant", None)
    return True


def finish(status: int) -> None:
    """Commit what a writing request did if it answers with success, else undo it."""
    session: Session | None = g.get("tracelog_session")
    if session is None or is_reading():
        return
    if status < 400:
        g.tracelog_in_doubt = True
        session.commit()
        g.tracelog_in_doubt = False
        if house().replica is not None:
            # It is committed, whatever becomes of this question.
            with suppress(SQLAlchemyError):
                g.tracelog_wrote = position_after(session.connection())
    else:
        session.rollback()


def is_in_doubt() -> bool:
    """Whether the commit was asked for and its answer never came: kept or not, nobody knows."""
    in_doubt: bool = g.get("tracelog_in_doubt", False)
    return in_doubt


def note_own_write(response: Response) -> Response:
    """Let who has written read the primary until the replica has it: for each answer's end."""
    replica = house().replica
    if replica is not None and "tracelog_wrote" in g:
        response.set_cookie(
            WROTE_COOKIE,
            str(g.tracelog_wrote),
            max_age=int(_WRITE_MATTERS_BESIDE_LAG_S + replica.longest_lag_s),
            secure=request.is_secure,
            httponly=True,
            samesite="Lax",
        )
    return response


def _close() -> None:
    g.pop("tracelog_session", None)
    g.pop("tracelog_who_session", None)
    for session in g.pop("tracelog_sessions", ()):
        session.close()
    for connection in g.pop("tracelog_connections", ()):
        connection.close()


def now() -> datetime:
    """The instant of this request, UTC: read once, the same for everything that it does."""
    if "tracelog_now" not in g:
        g.tracelog_now = instants.now()
    moment: datetime = g.tracelog_now
    return moment


def current_visitor() -> Visitor | None:
    """Who asks, None if nobody has signed in.

    Raises:
        NotSignedIn: a token was sent that is not known, has expired or was revoked.
    """
    if "tracelog_visitor" not in g:
        g.tracelog_visitor = None  # while it is being found out, nobody is known
        g.tracelog_visitor = house().identify()
    visitor: Visitor | None = g.tracelog_visitor
    return visitor


def current_actor() -> Actor:
    """Who acts, for actions and their audit records.

    Raises:
        NotSignedIn: nobody has signed in.
    """
    visitor = current_visitor()
    if visitor is None:
        raise NotSignedIn(_("sign in first"))
    return visitor.actor


def may(permission: str) -> bool:
    """Whether who asks has a permission; for showing or leaving out what they cannot do."""
    visitor = current_visitor()
    return visitor is not None and house().may(visitor.actor, permission)


def the_plant_now() -> "PlantView":
    """The plant of this database, read once per request.

    Raises:
        NoPlant: none has been imported yet.
    """
    if "tracelog_plant" not in g:
        g.tracelog_plant = house().read_plant(current_session())
    plant: PlantView = g.tracelog_plant
    return plant


def keep_plant_now(plant: "PlantView") -> None:
    """Use a plant that was read at this request's version of the database, and not read it."""
    g.tracelog_plant = plant


def the_lines_now() -> Mapping[int, uuid.UUID]:
    """Ids of the plant's lines by their numbers, for rooms that do not know the plant."""
    return house().read_lines(current_session())


def permit(permission: str) -> Callable[[View], View]:
    """Mark a view: only roles with `permission` reach it.

    Put it directly above the function, below the route. A view without a mark answers nobody.

    Example:
        >>> @pages.get("/service")  # doctest: +SKIP
        ... @permit("see")
        ... def service() -> str: ...
    """

    def mark(view: View) -> View:
        setattr(view, _MARK, permission)
        return view

    return mark


def public(view: View) -> View:
    """Mark a view: anybody reaches it, also without having signed in."""
    return permit(PUBLIC)(view)


def permission_of(view: Callable[..., Any]) -> str | None:
    """The permission that a view was marked with, None if it has no mark."""
    found: str | None = getattr(view, _MARK, None)
    return found


def check_permission() -> None:
    """Let the request pass to its view, or not.

    Raises:
        NotSignedIn: nobody has signed in.
        NotAllowed: the role does not include what the view needs.
    """
    if request.endpoint is None:
        return  # not found, or the method is not allowed; told by the routing itself
    wanted = permission_of(current_app.view_functions[request.endpoint])
    if wanted == PUBLIC:
        return
    visitor = current_visitor()
    if visitor is None:
        raise NotSignedIn(_("sign in first"))
    if wanted is None or not house().may(visitor.actor, wanted):
        if wanted is not None and house().may(replace(visitor.actor, by_pin=False), wanted):
            tell_refusal(Refusal.PIN, wanted)
            raise NotAllowed(_("a PIN does not open this; sign in with your password"))
        if wanted is not None and house().may(replace(visitor.actor, scopes=None), wanted):
            tell_refusal(Refusal.SCOPE, wanted)
            raise NotAllowed(
                _("the token's scopes do not include '%(wanted)s'; make one for it", wanted=wanted)
            )
        tell_refusal(Refusal.ROLE, wanted)
        raise NotAllowed(
            _(
                "your role, %(role)s, does not include this; ask an administrator",
                role=_(visitor.actor.role),
            )
        )
