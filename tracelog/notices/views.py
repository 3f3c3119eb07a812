"""The Notices pages: what somebody was told, and what they ask to be told."""

import uuid
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from tracelog.defects.facts import Severity
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.notices.actions import (
    Subscribed,
    change_subscription,
    end_subscription,
    mark_read,
    renew_secret,
    send_test,
    subscribe,
)
from tracelog.notices.delivering import demand_way, fits_key, mail_server
from tracelog.notices.facts import Kind, Pace, SubscriptionFact, Way, write_time
from tracelog.notices.queries import SubscriptionView, notices_of, subscriptions_of
from tracelog.notices.wording import (
    kind_words,
    notice_words,
    pace_words,
    way_words,
    when_told,
)
from tracelog.plant.queries import directory
from tracelog.web.forms import Form, posted, safe_next
from tracelog.web.request import (
    current_actor,
    current_session,
    house,
    may,
    now,
    permit,
    the_plant_now,
)

notice_pages = Blueprint("notices", __name__)
_OTHERS = ("id", "place", "least_severity", "days_ahead", "way", "address", "pace")
_TIMES = ("daily_at", "quiet_from", "quiet_to", "leaks_at_once")
_FIELDS = (*(f"kind_{kind.name.lower()}" for kind in Kind), *_OTHERS, *_TIMES)
_START = {"kind_signal": "yes", "way": Way.PAGE.value, "pace": Pace.AT_ONCE.value}


@notice_pages.get("/notices")
@permit("see")
def notices_page() -> str:
    """What somebody was told, the last first."""
    account_id = current_actor().account_id
    if account_id is None:
        raise NotFound(_("notices are for people with an account; sign in with one"))
    only_unread = request.args.get("show") == "unread"
    after = request.args.get("after") or None
    found = notices_of(current_session(), account_id, after, only_unread=only_unread)
    return render_template(
        "notices/notices.html",
        page=found,
        only_unread=only_unread,
        kinds=notice_words(),
        is_first=after is None,
    )


@notice_pages.post("/notices/read")
@permit("see")
def read_notices() -> AnyResponse:
    """Note that one was read, and go where it leads; or that all were."""
    given = request.form.get("notice", "")
    if not given:
        mark_read(current_session(), current_actor(), now())
        return redirect("/notices", 303)
    try:
        notice_id = uuid.UUID(given)
    except ValueError:
        raise NotFound(_("there is no such notice")) from None
    mark_read(current_session(), current_actor(), now(), notice_id)
    return redirect(safe_next(request.form.get("next"), "/notices"), 303)


@notice_pages.get("/notices/subscriptions")
@permit("subscribe")
def subscriptions_page() -> str:
    """What somebody asks for, with a form for more."""
    return _page(Form(_START))


@notice_pages.post("/notices/subscriptions")
@permit("subscribe")
def add_subscription() -> AnyResponse | tuple[str, int] | str:
    """Ask for something more."""
    form = posted(_FIELDS)
    try:
        fact = _fact_of(form)
        done = subscribe(
            current_session(), fact, current_actor(), now(), house().settings.secret_key
        )
    except TracelogError as problem:
        return _page(form.with_problem(problem)), problem.status
    return _after(done, _("You will be told from now on."))


@notice_pages.get("/notices/subscriptions/<uuid:subscription_id>")
@permit("subscribe")
def one_subscription(subscription_id: uuid.UUID) -> str:
    """One subscription, to be changed."""
    view = _own(subscription_id)
    return _change_page(view, _form_of(view))


@notice_pages.post("/notices/subscriptions/<uuid:subscription_id>")
@permit("subscribe")
def change(subscription_id: uuid.UUID) -> AnyResponse | tuple[str, int] | str:
    """Ask for something else."""
    form = posted(_FIELDS)
    view = _own(subscription_id)
    try:
        fact = _fact_of(form)
        key = house().settings.secret_key
        done = change_subscription(
            current_session(), subscription_id, fact, current_actor(), now(), key
        )
    except TracelogError as problem:
        return _change_page(view, form.with_problem(problem)), problem.status
    return _after(done, _("It counts from now on."))


@notice_pages.post("/notices/subscriptions/<uuid:subscription_id>/end")
@permit("subscribe")
def end(subscription_id: uuid.UUID) -> AnyResponse:
    """Ask for it no more."""
    end_subscription(current_session(), subscription_id, current_actor(), now())
    flash(_("It was ended; what of it was not sent yet is not sent any more."))
    return redirect("/notices/subscriptions", 303)


@notice_pages.post("/notices/subscriptions/<uuid:subscription_id>/test")
@permit("subscribe")
def test(subscription_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Have a test notice sent."""
    try:
        send_test(current_session(), subscription_id, current_actor(), now())
    except TracelogError as problem:
        return _page(Form(_START).with_problem(problem)), problem.status
    flash(_("A test notice is on its way; it stands among your notices, too."))
    return redirect("/notices/subscriptions", 303)


@notice_pages.post("/notices/webhooks/<uuid:webhook_id>/secret")
@permit("subscribe webhook")
def another_secret(webhook_id: uuid.UUID) -> str:
    """Another secret for one's own webhook, shown this once."""
    key = house().settings.secret_key
    return _page(
        Form(_START), renew_secret(current_session(), webhook_id, current_actor(), now(), key)
    )


def _after(done: Subscribed, said: str) -> AnyResponse | str:
    """The list anew; a secret is shown on the answer itself, and nowhere later."""
    if done.secret is not None:
        return _page(Form(_START), done.secret)
    flash(said)
    return redirect("/notices/subscriptions", 303)


def _subscriptions() -> list[SubscriptionView]:
    account_id = current_actor().account_id
    if account_id is None:
        raise NotFound(_("notices are for people with an account; sign in with one"))
    return subscriptions_of(current_session(), account_id, directory(current_session()))


def _own(subscription_id: uuid.UUID) -> SubscriptionView:
    for view in _subscriptions():
        if view.wanted.id == subscription_id:
            return view
    raise NotFound(_("you have no subscription of that id; it may have been ended"))


def _page(form: Form, secret: str | None = None) -> str:
    return render_template(
        "notices/subscriptions.html",
        subscriptions=_subscriptions(),
        secret=secret,
        when_told=when_told,
        fits_key=lambda webhook: fits_key(house().settings, webhook),
        **_choices(form),
    )


def _change_page(view: SubscriptionView, form: Form) -> str:
    return render_template("notices/subscription.html", view=view, **_choices(form))


def _choices(form: Form) -> dict[str, Any]:
    """What both forms offer."""
    places = directory(current_session())
    machines = sorted(places.machines.values(), key=lambda one: (one.line, one.station, one.number))
    ways = dict(way_words())
    if mail_server(house().settings) is None:
        ways.pop(Way.EMAIL)
    if not may("subscribe webhook"):
        ways.pop(Way.WEBHOOK)
    return {
        "form": form,
        "kinds": [(f"kind_{kind.name.lower()}", kind_words()[kind]) for kind in Kind],
        "kind_words": kind_words(),
        "lines": [(f"line {line}", name) for line, name in sorted(places.line_names.items())],
        "machines": [(f"machine {one.text}", one.text) for one in machines],
        "severities": [severity.value for severity in Severity],
        "ways": list(ways.items()),
        "way_words": way_words(),
        "paces": list(pace_words().items()),
        "has_mail": Way.EMAIL in ways,
    }


def _fact_of(form: Form) -> SubscriptionFact:
    """What the form says, as a fact.

    Raises:
        BadFact: a field is wrong.
        TracelogError: nothing is sent that way here.
    """
    values: dict[str, Any] = {name: form.value(name) for name in (*_OTHERS, *_TIMES)}
    which, _space, what = values.pop("place").partition(" ")
    if which in {"line", "machine"}:
        values[which] = what
    values["kinds"] = ",".join(
        kind.value for kind in Kind if form.value(f"kind_{kind.name.lower()}") == "yes"
    )
    values["kinds"] = values["kinds"] or []
    if values["way"] == Way.PAGE.value:
        # What the page needs none of may stand in the form still.
        values |= dict.fromkeys(("address", "daily_at", "quiet_from", "quiet_to"), "")
        values["pace"] = Pace.AT_ONCE.value
    elif values["pace"] != Pace.DAILY.value:
        values["daily_at"] = ""
    fact = SubscriptionFact.read(values, the_plant_now().zone)
    demand_way(house().settings, fact)
    return fact


def _form_of(view: SubscriptionView) -> Form:
    wanted = view.wanted
    place = ""
    if view.machine:
        place = f"machine {view.machine}"
    elif view.line:
        place = f"line {view.line}"
    return Form(
        {
            **{f"kind_{kind.name.lower()}": "yes" for kind in wanted.kinds},
            "place": place,
            "least_severity": wanted.least_severity or "",
            "days_ahead": str(wanted.days_ahead),
            "way": wanted.way.value,
            "address": view.target or "",
            "pace": wanted.pace.value,
            "daily_at": write_time(wanted.daily_at) or "",
            "quiet_from": write_time(wanted.quiet_from) or "",
            "quiet_to": write_time(wanted.quiet_to) or "",
            "leaks_at_once": "yes" if wanted.leaks_at_once else "",
        }
    )
