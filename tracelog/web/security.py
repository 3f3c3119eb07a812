"""What protects pages and the API: headers, forms of our own only, cookies."""

from flask import Flask, Request, Response, g, request
from flask.sessions import SecureCookieSessionInterface, SessionMixin
from flask_wtf.csrf import CSRFProtect

from tracelog.web.request import current_visitor, is_api, is_reading

_POLICY = {
    "default-src": "'self'",
    "img-src": "'self' data: blob:",
    "style-src": "'self'",
    "script-src": "'self'",
    "worker-src": "'self'",
    "manifest-src": "'self'",
    "object-src": "'none'",
    "base-uri": "'none'",
    "form-action": "'self'",
    "frame-ancestors": "'none'",
}
_forms = CSRFProtect()


class CookieWhenSecure(SecureCookieSessionInterface):
    """Session cookies that are sent over https only, where the page itself came over https."""

    def get_cookie_secure(self, app: Flask) -> bool:  # noqa: ARG002
        """Whether this answer goes over https."""
        return bool(request.is_secure)

    def save_session(self, app: Flask, session: SessionMixin, response: Response) -> None:
        """Leave the cookie out of answers that are the same for everybody and kept for long."""
        if not response.cache_control.public:
            super().save_session(app, session, response)


def allow_inline_styles() -> None:
    """Let the page of this request set styles by script, as the chart library does."""
    g.tracelog_inline_styles = True


def show_alone() -> None:
    """Let what this request answers load and run nothing at all, as pictures of others do."""
    g.tracelog_shown_alone = True


def protect(app: Flask) -> None:
    """Give an application its headers and cookies; forms are checked by `check_form`."""
    app.session_interface = CookieWhenSecure()
    app.config.update(
        SESSION_COOKIE_NAME="tracelog",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_REFRESH_EACH_REQUEST=False,
        # Checked by `check_form`, after it is known who asks; a form stays good as long as its
        # session, since a tablet may show the same page for a whole shift.
        WTF_CSRF_CHECK_DEFAULT=False,
        WTF_CSRF_TIME_LIMIT=None,
    )
    _forms.init_app(app)
    app.after_request(_headers)


def check_form() -> None:
    """Refuse a write that did not start on a page of ours.

    A program with a token sends no cookie and needs no such proof.

    Raises:
        CSRFError: the token of the form is missing or of another session.
    """
    if is_reading() or request.endpoint is None:
        return
    visitor = current_visitor()
    if is_api() and (visitor is None or visitor.by_token):
        return
    _forms.protect()


def _headers(response: Response) -> Response:
    styles = "'self' 'unsafe-inline'" if g.get("tracelog_inline_styles") else "'self'"
    policy = _POLICY | {"style-src": styles}
    headers = response.headers
    headers["Content-Security-Policy"] = "; ".join(f"{k} {v}" for k, v in policy.items())
    if g.get("tracelog_shown_alone"):
        headers["Content-Security-Policy"] = "default-src 'none'; frame-ancestors 'none'; sandbox"
    headers["X-Content-Type-Options"] = "nosniff"
    headers["X-Frame-Options"] = "DENY"
    # A page whose address is a secret tells nobody where it was.
    headers.setdefault("Referrer-Policy", "same-origin")
    headers["Cross-Origin-Opener-Policy"] = "same-origin"
    headers["Cross-Origin-Resource-Policy"] = "same-origin"
    headers["Permissions-Policy"] = "camera=(), geolocation=(), microphone=()"
    if "Cache-Control" not in headers:
        # Tablets are shared: nobody sees by the back key what the last one saw.
        headers["Cache-Control"] = "no-store"
    return response


def address_of(asked: Request) -> str:
    """The network address that a request came from."""
    return asked.remote_addr or "unknown"
