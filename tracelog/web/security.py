"""What protects pages and the API: headers, forms of our own only, cookies."""

import hashlib

from flask import Flask, Request, Response, g, request
from flask.sessions import SecureCookieSession, SecureCookieSessionInterface, SessionMixin
from itsdangerous import BadSignature
from werkzeug.wrappers import Response as AnyResponse

from tracelog.web.proofs import FormProofs
from tracelog.web.refusals import note_forged_cookie
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
_forms = FormProofs()


# A browser takes a cookie of such a name only over https, of this host, for all of its pages, so
# that neither a neighbouring host nor a page without https can put another in its place.
_OWN_HOST = "__Host-"
_HTTPS_ONLY = "max-age=31536000; includeSubDomains"


class CookieWhenSecure(SecureCookieSessionInterface):
    """Session cookies that are sent over https only, where the page itself came over https.

    They are signed with HMAC-SHA-256; the library's own is HMAC-SHA-1.
    """

    digest_method = staticmethod(hashlib.sha256)

    def get_cookie_name(self, app: Flask) -> str:
        """The name of the cookie in this answer."""
        return _name_here(super().get_cookie_name(app))

    def get_cookie_secure(self, app: Flask) -> bool:  # noqa: ARG002
        """Whether this answer goes over https."""
        return bool(request.is_secure)

    def open_session(self, app: Flask, request: Request) -> SecureCookieSession | None:
        """What the cookie holds; one that we did not sign holds nothing, and is told in the log."""
        opened = super().open_session(app, request)
        given = request.cookies.get(self.get_cookie_name(app))
        signed = self.get_signing_serializer(app)
        if given and not opened and signed is not None:
            try:
                # One that is only too old is ours all the same.
                signed.loads(given)
            except BadSignature:
                note_forged_cookie()
        return opened

    def save_session(self, app: Flask, session: SessionMixin, response: Response) -> None:
        """Leave the cookie out of answers that are the same for everybody and kept for long."""
        if not response.cache_control.public:
            super().save_session(app, session, response)


def _name_here(name: str) -> str:
    return f"{_OWN_HOST}{name}" if request.is_secure else name


def read_cookie(name: str) -> str:
    """What a cookie of ours holds, blank if the browser sent none."""
    return request.cookies.get(_name_here(name), "")


def keep_cookie(response: AnyResponse, name: str, value: str, seconds: int) -> None:
    """Let the browser keep something that scripts cannot read and other sites' forms do not send.

    Args:
        response: the answer to this request.
        name: of the cookie.
        value: what it holds.
        seconds: how long it is kept.
    """
    response.set_cookie(
        _name_here(name),
        value,
        max_age=seconds,
        httponly=True,
        samesite="Lax",
        secure=request.is_secure,
    )


def drop_cookie(response: AnyResponse, name: str) -> None:
    """Let the browser forget a cookie of ours."""
    response.delete_cookie(
        _name_here(name), httponly=True, samesite="Lax", secure=request.is_secure
    )


def trusted_hosts(named: str | None) -> list[str] | None:
    """The names under which an application answers, None: any.

    Args:
        named: names with commas between them. This machine's own are always among them, since
            whatever watches over the server asks by those.
    """
    names = [name.strip() for name in (named or "").split(",") if name.strip()]
    return [*names, "localhost", "127.0.0.1"] if names else None


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
    headers = response.headers
    headers["Content-Security-Policy"] = "; ".join(f"{k} {v}" for k, v in _POLICY.items())
    if g.get("tracelog_shown_alone"):
        headers["Content-Security-Policy"] = "default-src 'none'; frame-ancestors 'none'; sandbox"
    if request.is_secure:
        headers["Strict-Transport-Security"] = _HTTPS_ONLY
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
