"""What a page answers where no plant is set up yet."""

from flask import redirect, url_for
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import NoPlant
from tracelog.language import _
from tracelog.people.queries import accounts
from tracelog.web.problems import answer_error, answer_problem
from tracelog.web.request import current_session, is_api, may


def answer_no_plant(problem: NoPlant) -> AnyResponse:
    """Who may set up a plant is led there; others are told whom to ask."""
    if is_api():
        return answer_error(problem)
    if may("set up plant"):
        return redirect(url_for("setup.setup_page"), 303)
    names = [
        one.display_name
        for one in accounts(current_session())
        if one.active and one.role == "administrator"
    ]
    return answer_problem(
        problem.status,
        _(
            "No plant is set up here yet. An administrator does that; ask %(names)s.",
            names=", ".join(names) or _("who looks after this server"),
        ),
    )
