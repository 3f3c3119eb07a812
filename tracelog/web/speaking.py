"""In which language a request is answered, and how templates speak it.

Files that are saved (CSV, XLSX, calendars, EPCIS, archives) are English for everybody. Anything
else, in this order: the parameter `lang` of the address (a wall screen's), the person's own
setting, what was chosen in this browser on the sign-in page, what the browser asks for
(`Accept-Language`), and English. A program with a token is answered in what it asks for, else in
English.
"""

from collections.abc import Callable
from typing import Any

from flask import Flask, Response, g, request
from jinja2 import pass_eval_context
from jinja2.nodes import EvalContext
from markupsafe import Markup, escape

from tracelog.language import CHOICE, filled, in_words, language, translation
from tracelog.locales import ENGLISH, LANGUAGES
from tracelog.web.security import read_cookie

COOKIE = "tracelog_language"
PARAMETER = "lang"
# What is saved is the same for everybody: English.
_FILES = (".csv", ".xlsx", ".ics", ".jsonld", ".jsonl", ".zip")
_BY_TAG = {one.tag.casefold(): one.name for one in LANGUAGES.values()}
# Portuguese of any country is answered in the one there is, and so is Spanish.
_BY_FIRST_PART = {tag.partition("-")[0]: name for tag, name in _BY_TAG.items()}


def language_of_tag(tag: str) -> str | None:
    """The language that a tag of HTML or HTTP asks for, None if there is none such.

    Example:
        >>> language_of_tag("es-MX"), language_of_tag("pt"), language_of_tag("fr")
        ('es', 'pt_BR', None)
    """
    asked = tag.strip().casefold().replace("_", "-")
    return _BY_TAG.get(asked) or _BY_FIRST_PART.get(asked.partition("-")[0])


def furnish_language(app: Flask, own_language: Callable[[], str | None]) -> None:
    """Let an application answer each request in its language.

    Args:
        app: the application.
        own_language: the setting of the person who has signed in, None without one.
    """
    app.extensions[CHOICE] = lambda: _chosen(own_language)
    app.jinja_env.globals["_"] = _in_template
    app.jinja_env.filters["in_words"] = in_words
    app.context_processor(
        lambda: {
            "language": language(),
            "language_tag": LANGUAGES[language()].tag,
            "languages": tuple(LANGUAGES.values()),
            "chosen_language": cookie_language(),
        }
    )
    app.after_request(_say_that_it_varies)


def cookie_language() -> str | None:
    """The language that was chosen in this browser."""
    return language_of_tag(read_cookie(COOKIE))


def _is_file() -> bool:
    """Whether a file is asked for that is saved, sent on and read by machines."""
    path = request.path
    return path.endswith(_FILES) or (path.endswith(".json") and path.startswith("/handover/"))


def _chosen(own_language: Callable[[], str | None]) -> str:
    if _is_file() and request.endpoint is not None:
        return ENGLISH
    asked = language_of_tag(request.args.get(PARAMETER, "")[:20])
    if asked is not None:
        return asked
    # What goes wrong while it is found out who asks is told in the browser's language.
    setattr(g, CHOICE, _of_the_browser())
    own = own_language()
    return own if own is not None and own in LANGUAGES else _of_the_browser()


def _of_the_browser() -> str:
    kept = cookie_language()
    if kept is not None:
        return kept
    for tag, _weight in request.accept_languages:
        found = language_of_tag(tag)
        if found is not None:
            return found
    return ENGLISH


def _say_that_it_varies(response: Response) -> Response:
    if not response.cache_control.public:
        response.vary.update(("Accept-Language", "Cookie"))
        if CHOICE in g and response.mimetype == "text/html":
            response.headers["Content-Language"] = LANGUAGES[getattr(g, CHOICE)].tag
    return response


@pass_eval_context
def _in_template(context: EvalContext, sentence: str, /, **values: Any) -> Any:
    """Translate a sentence of a template; a per cent sign of its own is written ``%%``."""
    spoken = language()
    if spoken == ENGLISH:
        return (Markup(sentence) if context.autoescape else sentence) % values  # noqa: S704
    translated = translation(sentence, spoken)
    if not context.autoescape:
        return filled(translated, values, spoken)
    return Markup(filled(translated, values, spoken, escape))  # noqa: S704
