"""The page on which an administrator erases a person's name."""

import uuid

from flask import Blueprint, render_template

from tracelog.errors import NotFound, TracelogError
from tracelog.keeping.erasing.actions import Erased, erase_person
from tracelog.language import _
from tracelog.people import queries
from tracelog.people.queries import AccountView
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit

erasing_pages = Blueprint("erasing_pages", __name__)


@erasing_pages.get("/accounts/<uuid:account_id>/erase")
@permit("manage accounts")
def erase_page(account_id: uuid.UUID) -> str:
    """What erasing does, and the question whether it is meant."""
    return _page(_account(account_id), Form())


@erasing_pages.post("/accounts/<uuid:account_id>/erase")
@permit("manage accounts")
def erase(account_id: uuid.UUID) -> str | tuple[str, int]:
    """Erase the name, and say where people still wrote it."""
    account, form = _account(account_id), posted(["name"])
    try:
        if queries.canonical_name(form.value("name")) != account.name:
            raise TracelogError(
                _("is not the name of this account; type %(name)s", name=account.name), "name"
            )
        done = erase_person(current_session(), account.name, current_actor(), now())
    except TracelogError as problem:
        return _page(account, form.with_problem(problem)), problem.status
    return _page(account, Form(), done)


def _account(account_id: uuid.UUID) -> AccountView:
    found = queries.account(current_session(), account_id)
    if found is None:
        raise NotFound(_("there is no such account"))
    return found


def _page(account: AccountView, form: Form, done: Erased | None = None) -> str:
    return render_template("keeping/erasing/erase.html", account=account, form=form, done=done)
