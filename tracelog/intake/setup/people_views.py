"""Setting up the people: several accounts at once, each with a first secret that is shown once."""

import secrets

from flask import Blueprint, render_template

from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.language import _
from tracelog.people.actions import create_account
from tracelog.people.permissions import ROLES
from tracelog.people.queries import accounts, words_to_avoid
from tracelog.people.secrets import PIN_DIGITS, PIN_ROLE, check_secret
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit

people_pages = Blueprint("setup_people", __name__)

HERE = "/setup/people"
ROWS = 8
FIELDS = ("name", "display_name", "role")
# No letters or digits that are taken for one another.
_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"


@people_pages.get(HERE)
@permit("manage accounts")
def people_page() -> str:
    """Who can sign in, and rows for more."""
    return _page(Form({f"role-{place}": PIN_ROLE for place in range(ROWS)}))


def _page(form: Form, made: tuple[tuple[str, str, str], ...] = ()) -> str:
    return render_template(
        "setup/people.html",
        form=form,
        made=made,
        row_places=range(ROWS),
        roles=ROLES,
        people=accounts(current_session()),
    )


@people_pages.post(HERE)
@permit("manage accounts")
def add_people() -> str | tuple[str, int]:
    """Make the accounts, all or none, and show their first secrets this once."""
    form = posted([f"{name}-{place}" for place in range(ROWS) for name in FIELDS])
    made: list[tuple[str, str, str]] = []
    faults: list[Fault] = []
    for place in range(ROWS):
        name, shown, role = (form.value(f"{field}-{place}") for field in FIELDS)
        if not name and not shown:
            continue
        try:
            words = words_to_avoid(current_session(), shown)
            secret = first_secret(role, name, words)
            create_account(
                current_session(), name, shown, role, secret, current_actor(), now(), once=True
            )
            made.append((name, role, secret))
        except TracelogError as problem:
            faults += [Fault(f"{fault.field}-{place}", fault.sentence) for fault in problem.faults]
    if not made and not faults:
        faults.append(Fault("name-0", _("is missing; a name to sign in with is needed")))
    if faults:
        # Nothing was made: what a request with this answer did is undone.
        current_session().rollback()
        refusal = BadFact(tuple(faults))
        return _page(form.with_problem(refusal)), refusal.status
    return _page(Form({f"role-{place}": PIN_ROLE for place in range(ROWS)}), tuple(made))


def first_secret(role: str, name: str, words: tuple[str, ...] = ()) -> str:
    """A secret that nobody can guess: a PIN for operators, else four groups of four signs.

    Args:
        role: of the account.
        name: of the account.
        words: that a password of theirs must not hold.
    """
    while True:
        if role == PIN_ROLE:
            secret = "".join(secrets.choice("0123456789") for _digit in range(PIN_DIGITS))
        else:
            groups = ("".join(secrets.choice(_SIGNS) for _sign in range(4)) for _group in range(4))
            secret = "-".join(groups)
        try:
            check_secret(secret, role, name or "?", words)
        except TracelogError:
            continue
        return secret
